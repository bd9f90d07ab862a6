package service_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"slabledger/service"
)

// yearly is so many events, each every year.
func yearly(n int) []any {
	events := make([]any, n)
	for i := range events {
		events[i] = map[string]any{"item": "joint-resealing", "every_years": 1, "user_cost": "1 EUR/m2"}
	}
	return events
}

// chain is n alternatives, each like the one before, in runs of fourteen that begin
// from the first.
func chain(n int) []any {
	var list []any
	for i := range n {
		list = append(list, map[string]any{"name": fmt.Sprint("copy ", i), "like": map[bool]string{true: "plain", false: fmt.Sprint("copy ", i-1)}[i%14 == 0]})
	}
	return list
}

// Each alternative is laid over all that it stands on, so only so many stand on each
// other.
func TestDeepestChain(t *testing.T) {
	deep := func(n int) []byte {
		edits := []edit{}
		for i := range n {
			edits = append(edits, edit{"/alternatives/-", map[string]any{"name": fmt.Sprint("copy ", i), "like": map[bool]string{true: "plain", false: fmt.Sprint("copy ", i-1)}[i == 0]}})
		}
		return request(t, edits...)
	}
	compare(t, newService(t), deep(16))
	wantFault(t, faults(t, newService(t), deep(17)), "/alternatives/19/like", "like-too-deep")
	// A cycle is a cycle, however long; it is told once, with the names of it.
	cycle := faults(t, newService(t), changed(t, deep(30), edit{"/alternatives/3/like", "copy 29"}))
	wantFault(t, cycle, "/alternatives/3/like", "like-cycle", `"copy 0" is like itself by way of others: it is like "copy 29", which is like "copy 28"`, `and 19 others, of which the last is like "copy 0"`)
	if len(cycle) != 1 {
		t.Error(cycle)
	}
}

func withChain(t *testing.T, n int, edits ...edit) []byte {
	t.Helper()
	for _, a := range chain(n) {
		edits = append(edits, edit{"/alternatives/-", a})
	}
	return request(t, edits...)
}

// A small body cannot ask for gigabytes: what it comes to is counted before it
// is computed.
func TestComputeBudget(t *testing.T) {
	svc := newService(t)
	long := edit{"/functional_unit/analysis_period_years", 100}
	list := faults(t, svc, request(t, long, edit{"/alternatives/0/maintenance", yearly(60)}))
	wantFault(t, list, "/alternatives/0/maintenance/50/item", "compute-budget-exceeded", "5000 flows")
	list = faults(t, svc, withChain(t, 30, long, edit{"/alternatives/0/maintenance", yearly(12)}))
	wantFault(t, list, "/alternatives/8", "compute-budget-exceeded", "at most 20000")
	// What a real study needs passes.
	if r := compare(t, svc, withChain(t, 150)); len(r.Alternatives) != 153 {
		t.Errorf("%d alternatives", len(r.Alternatives))
	}
}

// A fault that two hundred alternatives take over is told once.
func TestFaultsOfAChainAreToldOnce(t *testing.T) {
	list := faults(t, newService(t), withChain(t, 190, edit{"/alternatives/0/mix/constituents/0/item", "cement-cem-1"}))
	if len(list) != 1 || list[0].Pointer != "/alternatives/0/mix/constituents/0/item" {
		t.Errorf("%+v", list)
	}
}

// Reading stops when there are more faults than anybody mends at once.
func TestManyFaultsAreNotAllGathered(t *testing.T) {
	years := make([]any, 90)
	for i := range years {
		years[i] = 0
	}
	var events []any
	for range 50 {
		events = append(events, map[string]any{"item": "joint-resealing", "years": years})
	}
	if list := faults(t, newService(t), withChain(t, 100, edit{"/alternatives/0/maintenance", events})); len(list) < 300 || len(list) > 1000 {
		t.Errorf("%d faults were kept", len(list))
	}
}

// Nobody computes for a client that is gone.
func TestWorkStopsWhenTheClientIsGone(t *testing.T) {
	svc := newService(t)
	compare(t, svc, request(t)) // the version is cached now
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := svc.Compare(ctx, request(t))
	var e *service.Error
	if !errors.As(err, &e) || e.Code != service.Unavailable {
		t.Errorf("%v", err)
	}
}

// Suggestions for unknown codes are few.
func TestSuggestionsAreFew(t *testing.T) {
	var constituents []any
	for i := range 40 {
		constituents = append(constituents, map[string]any{"item": fmt.Sprint("cement-cem-", i), "amount": "10 kg/m3"})
	}
	told := 0
	for _, f := range faults(t, newService(t), request(t, edit{"/alternatives/0/mix/constituents", constituents})) {
		if strings.Contains(f.Detail, "did you mean") {
			told++
		}
	}
	if told == 0 || told > 10 {
		t.Errorf("%d suggestions", told)
	}
}

// Extreme but readable numbers give a fault or a figure, never a wrong count.
func TestExtremeLengths(t *testing.T) {
	svc := newService(t)
	for _, c := range []struct{ pointer, value string }{
		{"/alternatives/0/slab/lane_width", "36893488147419.103244 m"},
		{"/alternatives/0/slab/lane_width", "0.000000000001 m"},
		{"/alternatives/0/slab/joints/spacing", "0.000000000001 m"},
		{"/alternatives/0/slab/joints/dowel_spacing", "0.000000000001 m"},
		{"/alternatives/0/slab/joints/tie_bar_spacing", "0.000000000001 m"},
	} {
		wantFault(t, faults(t, svc, request(t, edit{c.pointer, c.value})), c.pointer, "out-of-range", "accepted")
	}
	for _, rate := range []string{"-99.999999999999 %", "-50.000000000001 %", "100.1 %"} {
		wantFault(t, faults(t, svc, request(t, edit{"/economics/real_discount_rate", rate})), "/economics/real_discount_rate", "out-of-range")
	}
}
