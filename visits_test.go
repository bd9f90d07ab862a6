package main

import (
	"context"
	"testing"
)

// visits are what people come for, step by step.
var visits = []struct {
	does string
	do   func(t *testing.T, browser context.Context, address string)
}{
	{"opens the demo from the first page", opensTheDemo},
}

func allVisits(t *testing.T, browser context.Context, address string) {
	for _, visit := range visits {
		t.Run(visit.does, func(t *testing.T) { visit.do(t, browser, address) })
	}
}

func opensTheDemo(t *testing.T, browser context.Context, address string) {
	v := visit(t, browser, address)
	v.open("/")
	if status := v.press(button("Open the demo comparison")); status != 200 {
		t.Fatal(status)
	}
	v.sees("fibre, staged", "49.18", "This is a comparison aid, not a design.")
}
