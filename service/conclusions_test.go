package service_test

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/service"
)

func conclusions(t *testing.T, svc *service.Service, comparison []byte) *service.ConclusionsResponse {
	t.Helper()
	var c any
	if err := json.Unmarshal(comparison, &c); err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(object2("comparison", c))
	if err != nil {
		t.Fatal(err)
	}
	r, err := svc.Conclude(t.Context(), text)
	if err != nil {
		for _, f := range service.Faults(err) {
			t.Log(f)
		}
		t.Fatal(err)
	}
	return r
}

// again performs an operation of the API with the request that an answer prints.
func again(t *testing.T, svc *service.Service, used service.OperationUsed) any {
	t.Helper()
	operation, known := map[string]func(context.Context, []byte, ...fault.Fault) (any, error){
		"/v1/comparisons": func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) { return svc.Compare(ctx, b, f...) },
		"/v1/uncertainty": func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) {
			return svc.Uncertainty(ctx, b, f...)
		},
		"/v1/sensitivity": func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) {
			return svc.Sensitivity(ctx, b, f...)
		},
		"/v1/break-even": func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) { return svc.BreakEven(ctx, b, f...) },
	}[used.Path]
	if !known {
		t.Fatalf("no operation %q", used.Path)
	}
	answer, err := operation(t.Context(), used.Request)
	if err != nil {
		t.Fatal(used.Path, err)
	}
	text, err := service.Encode(answer)
	if err != nil {
		t.Fatal(err)
	}
	var document any
	if err := json.Unmarshal(text, &document); err != nil {
		t.Fatal(err)
	}
	return document
}

// The demo is put into words: which slab, how sure, and what would change the answer.
// Every figure is that of another operation, which gives it again.
func TestConclusionsQuotesOtherOperations(t *testing.T) {
	svc := newService(t)
	r := conclusions(t, svc, request(t))
	if len(r.Which) != 3 || len(r.HowSure) != 2 || len(r.WhatChangesIt) < 3 {
		t.Fatalf("%d, %d and %d conclusions", len(r.Which), len(r.HowSure), len(r.WhatChangesIt))
	}
	answers := make([]any, len(r.Operations))
	for i, used := range r.Operations {
		answers[i] = again(t, svc, used)
	}
	figures := 0
	for _, c := range append(append(r.Which, r.HowSure...), r.WhatChangesIt...) {
		t.Log(c.Text)
		for _, f := range c.Figures {
			figures++
			if got, ok := service.Follow(answers[f.Operation], f.Pointer); !ok || fmt.Sprint(got) != f.Value {
				t.Errorf("%s quotes %s of %s as %s, it is %v", c.Text, f.Pointer, r.Operations[f.Operation].Path, f.Value, got)
			}
		}
	}
	if figures < 24 {
		t.Errorf("only %d figures are quoted", figures)
	}
	if !strings.Contains(r.Which[0].Text, "“plain”, 49.2 EUR/m2") || !strings.Contains(r.Which[1].Text, "“fibre, staged”, 82.4 kg CO2e/m2") {
		t.Errorf("the first is not named: %q, %q", r.Which[0].Text, r.Which[1].Text)
	}
}

// shown is a figure as the sentence shows it.
func shown(f service.FigureQuoted) decimal.Decimal {
	v := decimal.RequireFromString(f.Value)
	switch f.ShownAs {
	case "100 * value":
		return v.Shift(2)
	case "100 * (1 - value)":
		return decimal.NewFromInt(1).Sub(v).Shift(2)
	case "-value":
		return v.Neg()
	}
	return v
}

// Every number of a sentence is the rounding of one of its figures, or of the
// difference of two; no number stands there without.
func TestEveryNumberOfAConclusionIsQuoted(t *testing.T) {
	svc := newService(t)
	names := regexp.MustCompile(`“[^”]*”|kg CO2e/[a-z0-9.]+|EUR/t CO2e|EUR/[a-z0-9.]+|(price|factor) of [a-z0-9.-]+`)
	number := regexp.MustCompile(`-?[0-9][0-9,]*(\.[0-9]+)?`)
	numbers, turned := 0, 0
	for name, body := range map[string][]byte{
		"the demo":                    request(t),
		"the cheapest is the second":  request(t, edit{"/alternatives/1/mix/add/0/amount", "0.05 % by volume"}),
		"a rate that is not whole":    request(t, edit{"/economics/real_discount_rate", "2.75 %"}),
		"a slab that is much thicker": request(t, edit{"/alternatives/0/slab/thickness", "400 mm"}),
	} {
		r := conclusions(t, svc, body)
		for _, c := range slices.Concat(r.Which, r.HowSure, r.WhatChangesIt) {
			var accepted []decimal.Decimal
			for i, f := range c.Figures {
				accepted = append(accepted, shown(f))
				if f.ShownAs != "" && f.ShownAs != "100 * value" {
					turned++
				}
				for _, other := range c.Figures[:i] {
					accepted = append(accepted, shown(f).Sub(shown(other)).Abs())
				}
			}
			for _, text := range number.FindAllString(names.ReplaceAllString(c.Text, ""), -1) {
				numbers++
				printed := decimal.RequireFromString(strings.ReplaceAll(strings.TrimSuffix(text, ","), ",", ""))
				places := max(0, -printed.Exponent())
				if !slices.ContainsFunc(accepted, func(v decimal.Decimal) bool { return v.RoundBank(places).Equal(printed) }) {
					t.Errorf("%s: %s of %q is none of %v", name, text, c.Text, c.Figures)
				}
			}
		}
	}
	if numbers < 80 || turned == 0 {
		t.Errorf("only %d numbers, %d figures turned round", numbers, turned)
	}
}

// An answer is the same bytes again, and those of a comparison that cannot be ranked
// say why.
func TestConclusionsOfWhatIsNotRanked(t *testing.T) {
	svc := newService(t)
	once, err := service.Encode(conclusions(t, svc, request(t)))
	if err != nil {
		t.Fatal(err)
	}
	twice, err := service.Encode(conclusions(t, svc, request(t)))
	if err != nil || string(once) != string(twice) {
		t.Error("the same request gives other bytes", err)
	}
	r := conclusions(t, svc, request(t, edit{"/alternatives/1/end_of_life", []any{object2("item", "demolition", "module", "C1")}}))
	if len(r.Which) != 1 || len(r.HowSure) != 0 || !strings.Contains(r.Which[0].Text, "cover different modules") {
		t.Errorf("%+v", r.Which)
	}
}

// Two alternatives that are equal are said to be, and nothing is looked for that
// would change it.
func TestConclusionsOfEquals(t *testing.T) {
	svc := newService(t)
	r := conclusions(t, svc, request(t, edit{"/alternatives/1", object2("name", "copy", "like", "plain")}, edit{"/alternatives/2", object2("name", "another copy", "like", "plain")}))
	if len(r.WhatChangesIt) != 0 || !strings.Contains(r.Which[0].Text, "copy” is equal") || !strings.Contains(r.HowSure[0].Text, "does not tell them apart") {
		t.Errorf("%+v %+v %+v", r.Which, r.HowSure, r.WhatChangesIt)
	}
}
