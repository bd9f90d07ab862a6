package service_test

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math/big"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	gocmp "github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/fault"
	"slabledger/service"
)

// family is a slab of a mix by ratio, with all that a search shares between its
// combinations and all that it does not: waste, work by volume and by mass of concrete,
// joints, a layer, treatments with a life and a residual value.
func family() object {
	return object{
		"name": "family",
		"mix": object{"by_ratio": object{
			"binder": "350 kg/m3", "water_binder_ratio": "0.46", "cement": "cement-cem-i", "water": "water-mains",
			"replacement": list(object{"item": "silica-fume", "share": "2 %"}),
			"aggregates":  list(object{"item": "gravel-20", "share": "60 %"}, object{"item": "sand-washed", "share": "40 %"}),
			"fibres":      list(object{"item": "fibre-pp-macro", "amount": "2 kg/m3"}),
			"admixtures":  list(object{"item": "superplasticiser", "amount": "0.8 % of binder"}),
			"air":         "1.5 %"}},
		"slab": object{
			"thickness": "240 mm", "lane_width": "3.65 m",
			"joints": object{"spacing": "4.5 m", "dowel": "dowel-32", "dowel_spacing": "300 mm", "sealant": "sealant-silicone"},
			"layers": list(object{"item": "crushed-stone-base", "thickness": "150 mm"}), "curing": "curing-compound", "waste": object{"concrete": "2 %"}},
		"transport": list(
			object{"category": "binder", "to": "plant", "mode": "lorry-articulated", "distance": "120 km"},
			object{"category": "aggregate", "to": "plant", "mode": "lorry-rigid", "distance": "35 km"},
			object{"category": "concrete", "to": "site", "mode": "truck-mixer", "distance": "18 km"}),
		"construction": list(object{"item": "base-laying"}, object{"item": "paving-slipform"}, object{"item": "joint-sawing"}),
		"maintenance":  list(object{"item": "joint-resealing", "every_years": 10, "life_years": 12}),
		"end_of_life":  list(object{"item": "demolition", "module": "C1"}, object{"item": "crushing", "module": "C3"}),
		"residual":     object{"method": "remaining_life", "life_years": 55},
	}
}

func carries() object {
	return object{"method": "eb109p", "soil": object{"k": "60 MPa/m"}, "edge": object{"dowels": true, "concrete_shoulder": true}, "strength": object{"strength_rule": "residual_ratio"},
		"traffic": object{"load_safety_factor": "1.1", "axles": list(
			object{"axle": "single_dual", "load": "130 kN", "repetitions": 400_000}, object{"axle": "single_dual", "load": "100 kN", "repetitions": 6_000_000}, object{"axle": "tandem", "load": "190 kN", "repetitions": 1_500_000})}}
}

func steps(name, pointer, from, to, step string) object {
	return object{"name": name, "pointer": pointer, "from": from, "to": to, "step": step}
}

func values(name, pointer string, texts ...any) object {
	return object{"name": name, "pointer": pointer, "values": texts}
}

// testedAt is a strength of invented tests.
func testedAt(replacement, fibre, mixing, mor, ratio string) object {
	return object{"at": list(object{"axis": "mixing", "value": mixing}, object{"axis": "replacement", "value": replacement}, object{"axis": "fibre", "value": fibre}), "modulus_of_rupture": mor, "residual_ratio": ratio}
}

func atOnceTests() []any {
	return list(
		testedAt("2 %", "2 kg/m3", "at once", "4.6 MPa", "8 %"), testedAt("8 %", "2 kg/m3", "at once", "4.2 MPa", "8 %"),
		testedAt("2 %", "4.5 kg/m3", "at once", "4.7 MPa", "17 %"), testedAt("8 %", "4.5 kg/m3", "at once", "4.25 MPa", "16 %"))
}

// choices is a search over the family: 5 × 4 × 2 × 6 × 3 combinations, of which some
// stand outside the tests and some are too thin or too dear.
func choices(t testing.TB, edits ...edit) []byte {
	t.Helper()
	doc := object{
		"inventory":       "demo@1",
		"functional_unit": object{"area": "7300 m2", "analysis_period_years": 40},
		"economics":       object{"real_discount_rate": "3 %", "real_escalation": list(object{"category": "energy", "rate": "1 %"})},
		"alternative":     family(),
		"axes": list(
			steps("replacement", "/mix/by_ratio/replacement/0/share", "2 %", "10 %", "2 %"),
			values("fibre", "/mix/by_ratio/fibres/0/amount", "2 kg/m3", "3 kg/m3", "4.5 kg/m3", "6 kg/m3"),
			axis("mixing", variant("at once", atOnce), variant("staged", stagedIn("mixer-small", 4))),
			steps("thickness", "/slab/thickness", "180 mm", "230 mm", "10 mm"),
			axis("upkeep", variant("reseal", nil),
				variant("reseal often", object{"maintenance": list(object{"item": "joint-resealing", "every_years": 7})}),
				variant("replace", object{"maintenance": list(object{"item": "full-depth-repair", "years": list(25), "share": "10 %", "life_years": 30}), "residual": object{"method": "straight_line", "life_years": 60, "final_value": "1 EUR/m2"}})),
		),
		"thickness_design": carries(),
		"strengths": append(atOnceTests(),
			testedAt("2 %", "2 kg/m3", "staged", "4.9 MPa", "9 %"), testedAt("10 %", "2 kg/m3", "staged", "4.5 MPa", "9 %"),
			testedAt("2 %", "6 kg/m3", "staged", "5.1 MPa", "24 %"), testedAt("10 %", "6 kg/m3", "staged", "4.6 MPa", "22 %")),
		"minimise": "total_carbon",
		"cap":      object{"measure": "net_present_value", "at_most": "44 EUR/m2"},
	}
	body, err := json.Marshal(doc, json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return changed(t, body, edits...)
}

func runSearch(t testing.TB, svc *service.Service, body []byte) *service.SearchResponse {
	t.Helper()
	r, err := svc.Search(t.Context(), body)
	if err != nil {
		for _, f := range service.Faults(err) {
			t.Log(f.Pointer, f.Code, f.Detail)
		}
		t.Fatal(err)
	}
	return r
}

func searchFaults(t testing.TB, svc *service.Service, body []byte) []fault.Fault {
	t.Helper()
	_, err := svc.Search(t.Context(), body)
	var e *service.Error
	if !errors.As(err, &e) || e.Code != service.Invalid {
		t.Fatalf("want a search that cannot be computed, got %v", err)
	}
	return e.Faults
}

// enumerated is what a search says, found without it: every combination written out as
// JSON and sent to Evaluate, its strength by fractions of integers.
type enumerated struct {
	lines    []string
	rows     []figuresOf
	feasible int
}

type figuresOf struct {
	index                     int
	reason                    string
	initial, npv, gate, total decimal.Decimal
}

func (f figuresOf) measure(name string) decimal.Decimal {
	return map[string]decimal.Decimal{"initial_cost": f.initial, "net_present_value": f.npv, "cradle_to_gate_carbon": f.gate, "total_carbon": f.total}[name]
}

// expanded lists the values of an axis: texts, or variants.
func expanded(t testing.TB, a object) (list []any) {
	t.Helper()
	if v, ok := a["variants"].([]any); ok {
		return v
	}
	if v, ok := a["values"].([]any); ok {
		return v
	}
	number := func(name string) decimal.Decimal {
		n, _, _ := strings.Cut(a[name].(string), " ")
		return decimal.RequireFromString(n)
	}
	_, unit, _ := strings.Cut(a["from"].(string), " ")
	for v := number("from"); v.LessThanOrEqual(number("to")); v = v.Add(number("step")) {
		list = append(list, strings.TrimSpace(v.String()+" "+unit))
	}
	return list
}

func fraction(text string) *big.Rat {
	n, _, _ := strings.Cut(text, " ")
	r, ok := new(big.Rat).SetString(n)
	if !ok {
		panic(text)
	}
	return r
}

// standsAt is where a strength stands on an axis.
func standsAt(strength object, axis string) string {
	for _, v := range strength["at"].([]any) {
		if v.(object)["axis"] == axis {
			return v.(object)["value"].(string)
		}
	}
	panic(axis)
}

// between interpolates over the box of four points, axis by axis, in fractions; false
// outside of it.
func between(points []object, replacement, fibre, member string) (text string, inside bool) {
	at := func(p object, axis string) *big.Rat { return fraction(standsAt(p, axis)) }
	low, high := points[0], points[3]
	share := func(axis, text string) *big.Rat {
		over := new(big.Rat).Sub(fraction(text), at(low, axis))
		return over.Quo(over, new(big.Rat).Sub(at(high, axis), at(low, axis)))
	}
	x, y, one := share("replacement", replacement), share("fibre", fibre), big.NewRat(1, 1)
	for _, s := range []*big.Rat{x, y} {
		if s.Sign() < 0 || s.Cmp(one) > 0 {
			return "", false
		}
	}
	mean := func(a, b, share *big.Rat) *big.Rat {
		d := new(big.Rat).Sub(b, a)
		return d.Add(a, d.Mul(d, share))
	}
	v := func(i int) *big.Rat { return fraction(points[i][member].(string)) }
	value := mean(mean(v(0), v(1), x), mean(v(2), v(3), x), y)
	return decimal.RequireFromString(value.FloatString(30)).RoundBank(12).String(), true
}

// enumerate evaluates every combination of a search by itself.
func enumerate(t testing.TB, svc *service.Service, body []byte) enumerated {
	t.Helper()
	var doc object
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatal(err)
	}
	var axes []object
	var lists [][]any
	count := 1
	for _, a := range doc["axes"].([]any) {
		axes = append(axes, a.(object))
		lists = append(lists, expanded(t, a.(object)))
		count *= len(lists[len(lists)-1])
	}
	var out enumerated
	for index := range count {
		alternative, pointers, at := doc["alternative"], []edit(nil), map[string]string{}
		stride := count
		for i, a := range axes {
			stride /= len(lists[i])
			switch v := lists[i][index/stride%len(lists[i])].(type) {
			case object:
				at[a["name"].(string)] = v["name"].(string)
				alternative = merged(alternative, v)
			case string:
				at[a["name"].(string)] = v
				pointers = append(pointers, edit{"/alternative" + a["pointer"].(string), v})
			}
		}
		row := figuresOf{index: index, reason: "feasible"}
		request := object{"inventory": doc["inventory"], "functional_unit": doc["functional_unit"], "economics": doc["economics"], "strategies": doc["strategies"], "alternative": alternative}
		if doc["strategies"] == nil {
			delete(request, "strategies")
		}
		text, err := json.Marshal(request)
		if err != nil {
			t.Fatal(err)
		}
		text = changed(t, text, pointers...)
		strength := ""
		if all, ok := doc["strengths"].([]any); ok {
			var points []object
			for _, p := range all {
				if standsAt(p.(object), "mixing") == at["mixing"] {
					points = append(points, p.(object))
				}
			}
			mor, inside := between(points, at["replacement"], at["fibre"], "modulus_of_rupture")
			ratio, _ := between(points, at["replacement"], at["fibre"], "residual_ratio")
			if !inside {
				row.reason = "outside-tested-range"
			}
			strength = mor
			if design, ok := doc["thickness_design"].(object); ok && inside {
				check := merged(design, object{"methods": list(design["method"]), "strength": object{"modulus_of_rupture": mor + " MPa", "residual_ratio": ratio + " %"}}).(object)
				delete(check, "method")
				ask, err := json.Marshal(check)
				if err != nil {
					t.Fatal(err)
				}
				sized, err := svc.SizeSlab(t.Context(), ask)
				if err != nil {
					t.Fatal(err)
				}
				n, _, _ := strings.Cut(at["thickness"], " ")
				if decimal.RequireFromString(n).LessThan(sized.Results[0].RequiredMM.Decimal) {
					row.reason = "thickness-below-required"
				}
			}
		}
		if row.reason != "feasible" {
			out.rows = append(out.rows, row)
			out.lines = append(out.lines, fmt.Sprintf("%d - - - - %s\n", index, row.reason))
			continue
		}
		e, err := svc.Evaluate(t.Context(), text)
		if err != nil {
			t.Fatalf("%d %v (strength %s): %v", index, at, strength, service.Faults(err))
		}
		row.gate, row.total = e.Alternative.Carbon.CradleToGateKgCO2ePerM2.Decimal, e.Alternative.Carbon.TotalKgCO2ePerM2.Decimal
		initial, npv := "-", "-"
		if c := e.Alternative.Cost; c != nil {
			row.initial, row.npv = c.InitialPerM2.Decimal, c.NetPresentValuePerM2.Decimal
			initial, npv = row.initial.StringFixed(6), row.npv.StringFixed(6)
		}
		if limit, ok := doc["cap"].(object); ok {
			most, _, _ := strings.Cut(limit["at_most"].(string), " ")
			if row.measure(limit["measure"].(string)).GreaterThan(decimal.RequireFromString(most)) {
				row.reason = "over-cap"
			}
		}
		if row.reason == "feasible" {
			out.feasible++
		}
		out.rows = append(out.rows, row)
		out.lines = append(out.lines, fmt.Sprintf("%d %s %s %s %s %s\n", index, initial, npv, row.gate.StringFixed(6), row.total.StringFixed(6), row.reason))
	}
	return out
}

func (e enumerated) hash() string {
	sum := sha256.Sum256([]byte(strings.Join(e.lines, "")))
	return hex.EncodeToString(sum[:])
}

// agree holds a search against the enumeration: every value by the hash, the best, those
// that follow, the counts and the front.
func agree(t testing.TB, r *service.SearchResponse, e enumerated) {
	t.Helper()
	if r.Certificate.OutcomesHash != e.hash() || r.Combinations != len(e.rows) || r.Certificate.Examined != len(e.rows) {
		t.Errorf("%d combinations with the outcomes %s; enumerated, %d with %s", r.Combinations, r.Certificate.OutcomesHash, len(e.rows), e.hash())
	}
	var can, front []figuresOf
	counts := map[string]int{}
	for _, row := range e.rows {
		if counts[row.reason]++; row.reason == "feasible" {
			can = append(can, row)
		}
	}
	slices.SortStableFunc(can, func(a, b figuresOf) int {
		c := a.measure(r.Minimise).Cmp(b.measure(r.Minimise))
		if c == 0 && r.Cap != nil {
			c = a.measure(r.Cap.Measure).Cmp(b.measure(r.Cap.Measure))
		}
		return c
	})
	if r.Feasible != len(can) || r.Feasible != counts["feasible"] {
		t.Errorf("%d can be chosen, want %d", r.Feasible, len(can))
	}
	for _, left := range r.Infeasible {
		if left.Count != counts[left.Reason] {
			t.Errorf("%d are left out as %s, want %d", left.Count, left.Reason, counts[left.Reason])
		}
		delete(counts, left.Reason)
	}
	if delete(counts, "feasible"); len(counts) > 0 {
		t.Errorf("not told: %v", counts)
	}
	if (r.Best == nil) != (len(can) == 0) {
		t.Fatalf("the best is %+v of %d", r.Best, len(can))
	}
	if r.Best != nil {
		ties := 0
		for _, row := range can[1:] {
			if row.measure(r.Minimise).Equal(can[0].measure(r.Minimise)) {
				ties++
			}
		}
		got := []int{r.Best.Index}
		for _, row := range slices.Concat(r.Ties, r.RunnersUp) {
			got = append(got, row.Index)
		}
		var want []int
		for i, row := range can {
			if i <= min(ties, 20) || i > ties && i <= ties+10 {
				want = append(want, row.index)
			}
		}
		if diff := gocmp.Diff(want, got); diff != "" || r.TieCount != ties {
			t.Errorf("%d ties, want %d; order, want (-) got (+):\n%s", r.TieCount, ties, diff)
		}
	}
	if r.Economics == nil {
		if r.Pareto.Count != 0 {
			t.Errorf("a front of %d without money", r.Pareto.Count)
		}
		return
	}
	for _, a := range e.rows {
		beaten := !slices.Contains([]string{"feasible", "over-cap"}, a.reason)
		for _, b := range e.rows {
			if !slices.Contains([]string{"feasible", "over-cap"}, b.reason) {
				continue
			}
			cost, carbon := b.measure(r.Pareto.Cost).Cmp(a.measure(r.Pareto.Cost)), b.measure(r.Pareto.Carbon).Cmp(a.measure(r.Pareto.Carbon))
			beaten = beaten || cost <= 0 && carbon <= 0 && (cost < 0 || carbon < 0)
		}
		if !beaten {
			front = append(front, a)
		}
	}
	slices.SortStableFunc(front, func(a, b figuresOf) int {
		return cmp.Or(a.measure(r.Pareto.Cost).Cmp(b.measure(r.Pareto.Cost)), a.measure(r.Pareto.Carbon).Cmp(b.measure(r.Pareto.Carbon)))
	})
	var want, got []int
	for _, row := range front {
		want = append(want, row.index)
	}
	for _, row := range r.Pareto.Rows {
		got = append(got, row.Index)
	}
	if diff := gocmp.Diff(want, got); diff != "" && r.Pareto.Count == len(got) {
		t.Errorf("front, want (-) got (+):\n%s", diff)
	}
}

// Every combination of a search comes to what an evaluation of it comes to, to the last
// digit, and none is better than the best.
func TestSearchIsTheEnumerationOfItsCombinations(t *testing.T) {
	svc := newService(t)
	body := choices(t)
	r := runSearch(t, svc, body)
	e := enumerate(t, svc, body)
	agree(t, r, e)
	reasons := map[string]int{}
	for _, left := range r.Infeasible {
		reasons[left.Reason] = left.Count
	}
	if r.Combinations != 720 || r.Feasible == 0 || reasons["outside-tested-range"] == 0 || reasons["thickness-below-required"] == 0 || reasons["over-cap"] == 0 || r.Interpolated == 0 {
		t.Errorf("the search is no test of itself: %d of %d can be chosen, %v", r.Feasible, r.Combinations, reasons)
	}
}

// So does a search of any choices: random axes, some of one value, some measures, with
// and without a cap, a treatment or economics.
func TestAnySearchIsItsEnumeration(t *testing.T) {
	svc := newService(t)
	all := list(
		values("cement", "/mix/by_ratio/cement", "cement-cem-i", "cement-cem-ii", "cement-cem-iii"),
		steps("replacement", "/mix/by_ratio/replacement/0/share", "2 %", "6 %", "2 %"),
		steps("ratio", "/mix/by_ratio/water_binder_ratio", "0.44", "0.46", "0.01"),
		steps("waste", "/slab/waste/concrete", "0 %", "4 %", "2 %"),
		values("haul", "/transport/2/distance", "12.345678 km", "30 mi"),
		axis("mixing", variant("at once", atOnce), variant("staged", stagedIn("mixer-small", 4))),
		values("thickness", "/slab/thickness", "198.765432 mm", "210 mm"),
		steps("spacing", "/slab/joints/spacing", "4 m", "5 m", "0.5 m"),
		values("share", "/end_of_life/1/share", "35 %", "100 %"),
		axis("upkeep", variant("reseal", nil),
			variant("break out", object{"maintenance": list(object{"item": "demolition", "years": list(12, 30), "share": "7 %", "module": "B4", "life_years": 25}, object{"item": "crushing", "years": list(30), "share": "7 %", "module": "B4", "life_years": 15})}),
			variant("given", object{"residual": object{"method": "given", "value": "3.21 EUR/m2"}})),
		values("base", "/slab/layers/0/thickness", "120 mm", "150 mm"),
	)
	rapid.Check(t, func(rt *rapid.T) {
		chosen := rapid.Permutation(all).Draw(rt, "axes")[:rapid.IntRange(1, 3).Draw(rt, "count")]
		measures := list("net_present_value", "initial_cost", "total_carbon", "cradle_to_gate_carbon")
		minimise := rapid.SampledFrom(measures).Draw(rt, "minimise")
		edits := []edit{{"/axes", chosen}, {"/thickness_design", remove}, {"/strengths", remove}, {"/minimise", minimise}, {"/cap", remove}}
		// A value that is given has no life, which the alternative would lend it.
		if slices.ContainsFunc(chosen, func(a any) bool { return a.(object)["name"] == "upkeep" }) {
			edits = append(edits, edit{"/alternative/residual", object{"method": "none"}})
			if rapid.Bool().Draw(rt, "lives") {
				edits[0].value = withoutGiven(chosen)
				edits = append(edits, edit{"/alternative/residual", object{"method": "remaining_life", "life_years": rapid.IntRange(35, 60).Draw(rt, "life")}})
			}
		}
		switch rapid.IntRange(0, 2).Draw(rt, "money") {
		case 0:
			edits = append(edits, edit{"/economics", remove}, edit{"/minimise", "total_carbon"})
		case 1:
			first := runSearch(t, svc, choices(t, edits...))
			if middle := first.Pareto.Rows[len(first.Pareto.Rows)/2]; minimise == "total_carbon" || minimise == "cradle_to_gate_carbon" {
				edits = append(edits, edit{"/cap", object{"measure": "net_present_value", "at_most": middle.NetPresentValuePerM2.StringFixed(6) + " EUR/m2"}})
			} else {
				edits = append(edits, edit{"/cap", object{"measure": "total_carbon", "at_most": middle.TotalKgCO2ePerM2.StringFixed(6) + " kg CO2e/m2"}})
			}
		}
		body := choices(t, edits...)
		agree(t, runSearch(t, svc, body), enumerate(t, svc, body))
	})
}

// withoutGiven leaves out the variant whose residual value is given.
func withoutGiven(axes []any) []any {
	out := slices.Clone(axes)
	for i, a := range out {
		if a.(object)["name"] == "upkeep" {
			out[i] = axis("upkeep", a.(object)["variants"].([]any)[:2]...)
		}
	}
	return out
}

// A slab that is sized for the strength of each combination comes to what an evaluation
// with that strength comes to, whose answer is in the search, byte for byte.
func TestSearchSizesTheSlab(t *testing.T) {
	svc := newService(t)
	design := merged(carries(), object{"rounding": object{"policy": "up", "step": "2 mm"}})
	body := choices(t, edit{"/alternative/slab/thickness", design}, edit{"/thickness_design", remove}, edit{"/cap", remove}, edit{"/minimise", "net_present_value"},
		edit{"/axes/3", steps("binder", "/mix/by_ratio/binder", "330 kg/m3", "350 kg/m3", "10 kg/m3")})
	r := runSearch(t, svc, body)
	if r.Combinations != 5*4*2*3*3 || len(r.Infeasible) != 1 || r.Infeasible[0].Reason != service.OutsideTestedRange || r.Infeasible[0].Nearest.ThicknessMM != nil {
		t.Errorf("%d combinations, left out %+v", r.Combinations, r.Infeasible)
	}
	rows := slices.Concat([]service.SearchRow{*r.Best}, r.RunnersUp, r.Pareto.Rows)
	for _, row := range rows {
		if row.Strength == nil || row.RequiredMM.GreaterThan(row.ThicknessMM.Decimal) || !row.ThicknessMM.Mod(decimal.New(2, 0)).IsZero() {
			t.Errorf("%+v", row)
		}
	}
	alternative, err := service.Encode(r.Evaluation.Alternative.Resolved)
	if err != nil {
		t.Fatal(err)
	}
	var doc object
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatal(err)
	}
	var written any
	if err := json.Unmarshal(alternative, &written); err != nil {
		t.Fatal(err)
	}
	request, err := json.Marshal(object{"inventory": "demo@1", "functional_unit": doc["functional_unit"], "economics": doc["economics"], "alternative": written})
	if err != nil {
		t.Fatal(err)
	}
	e, err := svc.Evaluate(t.Context(), request)
	if err != nil {
		t.Fatal(service.Faults(err))
	}
	want, err := service.Encode(e)
	if err != nil {
		t.Fatal(err)
	}
	got, err := service.Encode(r.Evaluation)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != string(want) {
		t.Errorf("the evaluation in the search is another:\n%s", gocmp.Diff(string(want), string(got)))
	}
	if s := e.Alternative.ThicknessDesign; !s.ThicknessMM.Equal(r.Best.ThicknessMM.Decimal) || !s.RequiredMM.Equal(r.Best.RequiredMM.Decimal) || s.Governs != r.Best.Governs {
		t.Errorf("%+v, in the search %+v", s, r.Best)
	}
}

// Beams in place of a strength: the search reduces them as a design does.
func TestSearchWithStrengthOfBeams(t *testing.T) {
	svc := newService(t)
	var lab struct {
		Alternatives []struct {
			Slab struct {
				Thickness struct {
					Strength struct {
						BeamTests any `json:"beam_tests"`
					} `json:"strength"`
				} `json:"thickness"`
			} `json:"slab"`
		} `json:"alternatives"`
	}
	if err := json.Unmarshal(file(t, "../testdata/scenarios/lab-to-slab.json"), &lab); err != nil {
		t.Fatal(err)
	}
	at := func(mixing string, i int) object {
		return object{"at": list(object{"axis": "mixing", "value": mixing}), "beam_tests": lab.Alternatives[i].Slab.Thickness.Strength.BeamTests}
	}
	r := runSearch(t, svc, choices(t, edit{"/strengths", list(at("at once", 1), at("staged", 2))}, edit{"/cap", remove}, edit{"/thickness_design/strength", remove}))
	if r.Best.Strength.Interpolated || r.Interpolated != 0 || len(r.Best.Strength.Neighbours) != 1 || r.Best.Strength.ResidualRatio == nil {
		t.Errorf("%+v", r.Best.Strength)
	}
	// The same strength written out has the same answer.
	used := map[string]*service.StrengthUsed{}
	for _, row := range slices.Concat([]service.SearchRow{*r.Best}, r.RunnersUp, r.Pareto.Rows) {
		used[row.Values[2]] = row.Strength
	}
	if len(used) != 2 {
		t.Fatalf("strengths of %d ways to mix are shown", len(used))
	}
	var points []any
	for _, mixing := range []string{"at once", "staged"} {
		s := used[mixing]
		points = append(points, object{"at": list(object{"axis": "mixing", "value": mixing}), "modulus_of_rupture": s.ModulusOfRupture.String() + " MPa", "residual_ratio": s.ResidualRatio.String() + " %"})
	}
	again := runSearch(t, svc, choices(t, edit{"/strengths", points}, edit{"/cap", remove}))
	if again.Certificate.OutcomesHash != r.Certificate.OutcomesHash {
		t.Error("the same strengths as numbers have other outcomes")
	}
}

// Where nothing can be chosen, the answer says what is nearest to it, by reason.
func TestSearchWithoutAnAnswer(t *testing.T) {
	svc := newService(t)
	r := runSearch(t, svc, choices(t, edit{"/cap/at_most", "39 EUR/m2"}))
	if r.Best != nil || r.Evaluation != nil || r.Certificate.BestIndex != nil || r.Feasible != 0 || len(r.Ties)+len(r.RunnersUp) != 0 {
		t.Errorf("%+v", r.Best)
	}
	for _, left := range r.Infeasible {
		switch n := left.Nearest; left.Reason {
		case service.OverCap:
			if over := n.NetPresentValuePerM2.Sub(decimal.New(39, 0)); !left.Lacking.Equal(over) || left.LackingUnit != "EUR/m2" || !n.NetPresentValuePerM2.Equal(r.Pareto.Rows[0].NetPresentValuePerM2.Decimal) {
				t.Errorf("%+v: %+v", left, n)
			}
		case service.BelowRequired:
			if thin := n.RequiredMM.Sub(n.ThicknessMM.Decimal); !left.Lacking.Equal(thin) || !thin.IsPositive() || n.TotalKgCO2ePerM2 != nil {
				t.Errorf("%+v: %+v", left, n)
			}
		}
	}
	if len(r.Infeasible) != 3 || !strings.Contains(r.Conclusion, "none of the 720") {
		t.Errorf("%s", r.Conclusion)
	}
	// Traffic that no slab carries.
	r = runSearch(t, svc, choices(t, edit{"/thickness_design/traffic/axles/0", object{"axle": "single_dual", "load": "260 kN", "repetitions": 4_000_000_000}}))
	if i := slices.IndexFunc(r.Infeasible, func(left service.Infeasible) bool { return left.Reason == service.NoThickness }); i < 0 || r.Best != nil || !strings.Contains(r.Infeasible[i].Detail, "fails at") {
		t.Errorf("%+v", r.Infeasible)
	}
}

// Equal combinations are all told, and the first of them that spares what is capped is
// the best.
func TestSearchTellsTies(t *testing.T) {
	svc := newService(t)
	dearer := variant("dearer", object{"slab": object{"curing": "curing-compound"}, "construction": list(object{"item": "base-laying", "user_cost": "1 EUR/m2"}, object{"item": "paving-slipform"}, object{"item": "joint-sawing"})})
	body := choices(t, edit{"/axes", list(axis("a", variant("1", nil), variant("2", nil), dearer), values("thickness", "/slab/thickness", "200 mm", "210 mm"))}, edit{"/strengths", remove}, edit{"/thickness_design", remove}, edit{"/cap", remove})
	r := runSearch(t, svc, body)
	if r.Best.Name != "1 | 200 mm" || r.TieCount != 2 || r.Ties[0].Name != "2 | 200 mm" || r.Ties[1].Name != "dearer | 200 mm" || len(r.RunnersUp) != 3 {
		t.Errorf("%+v, ties %+v", r.Best, r.Ties)
	}
	agree(t, r, enumerate(t, svc, body))
}

// The same search has the same bytes, for any number of workers: 1, 2 and 4 of so many processors.
func TestSearchIsTheSameForAnyNumberOfWorkers(t *testing.T) {
	svc := newService(t)
	body := choices(t, edit{"/axes/3/step", "0.5 mm"}, edit{"/axes/0/step", "1 %"})
	before := runtime.GOMAXPROCS(0)
	defer runtime.GOMAXPROCS(before)
	var answers []string
	for _, n := range []int{1, 5, 9} {
		runtime.GOMAXPROCS(n)
		text, err := service.Encode(runSearch(t, svc, body))
		if err != nil {
			t.Fatal(err)
		}
		answers = append(answers, string(text))
	}
	if answers[0] != answers[1] || answers[0] != answers[2] {
		t.Error("another number of workers, another answer")
	}
}

// A search tells how far it is, and ends when nobody waits.
func TestSearchTellsItsProgressAndStops(t *testing.T) {
	svc := newService(t)
	body := choices(t, edit{"/axes/3/step", "0.5 mm"})
	last, calls := -1, 0 // it begins with 0
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	r, err := svc.Search(service.WithProgress(ctx, func(done, total int) {
		if calls++; done <= last || total != 5*4*2*101*3 {
			t.Errorf("%d of %d after %d", done, total, last)
		}
		last = done
	}), body)
	if err != nil || last != r.Combinations || calls < 2 {
		t.Fatalf("%d calls, the last at %d: %v", calls, last, err)
	}
	_, err = svc.Search(service.WithProgress(ctx, func(int, int) { cancel() }), body)
	var e *service.Error
	if !errors.As(err, &e) || e.Code != service.Unavailable {
		t.Errorf("%v", err)
	}
}

// What is wrong is told at the value that writes it, and a search that compares what
// cannot be compared is none.
func TestSearchFaults(t *testing.T) {
	svc := newService(t)
	type want struct{ pointer, code, detail string }
	for name, c := range map[string]struct {
		edits []edit
		want  []want
	}{
		"a value by steps":      {[]edit{{"/axes/0/from", "2 kg"}}, []want{{"/axes/0/to", "unit-incompatible", ""}, {"/axes/0/step", "unit-incompatible", ""}}},
		"steps past the end":    {[]edit{{"/axes/0/to", "9.5 %"}}, []want{{"/axes/0/to", "out-of-range", "do not reach"}}},
		"no way":                {[]edit{{"/axes/0/step", remove}, {"/axes/0/from", remove}, {"/axes/0/to", remove}}, []want{{"/axes/0", "one-of", ""}}},
		"two ways":              {[]edit{{"/axes/0/values", list("2 %")}}, []want{{"/axes/0", "one-of", ""}}},
		"an unknown item":       {[]edit{{"/axes/2/variants/1/mix/stages/0/mixer", "mixer-smal"}}, []want{{"/axes/2/variants/1/mix/stages/0/mixer", "item-unknown", "mixer-small"}}},
		"an item of an axis":    {[]edit{{"/axes/1", values("fibre", "/mix/by_ratio/fibres/0/item", "fibre-pp-macro", "ggbs")}, {"/strengths", remove}, {"/thickness_design", remove}}, []want{{"/axes/1/values/1", "category-mismatch", ""}}},
		"nowhere":               {[]edit{{"/axes/0/pointer", "/mix/by_ratio/replacement/1/share"}}, []want{{"/axes/0/pointer", "pointer-unknown", ""}}},
		"no text":               {[]edit{{"/axes/3/pointer", "/slab/joints"}}, []want{{"/axes/3/pointer", "pointer-unknown", ""}}},
		"one place twice":       {[]edit{{"/axes/0/pointer", "/slab/thickness"}}, []want{{"/axes/3/pointer", "duplicate-name", ""}}},
		"a service":             {[]edit{{"/axes/4/variants/1/service", object{"climate": "wet"}}}, []want{{"/axes/4/variants/1/service", "not-used", ""}}},
		"another cover":         {[]edit{{"/alternative/maintenance", remove}, {"/alternative/residual", object{"method": "none"}}, {"/axes/4/variants", choicesOfUpkeep()}}, []want{{"/axes", "cover-differs", "\"maintenance\": []"}}},
		"strength twice":        {[]edit{{"/thickness_design/strength/modulus_of_rupture", "4.5 MPa"}}, []want{{"/thickness_design/strength", "one-of", ""}}},
		"strength for nothing":  {[]edit{{"/thickness_design", remove}}, []want{{"/strengths", "not-used", ""}}},
		"design twice":          {[]edit{{"/alternative/slab/thickness", carries()}, {"/axes/3", values("binder", "/mix/by_ratio/binder", "350 kg/m3")}}, []want{{"/thickness_design", "one-of", ""}}},
		"a gap in the tests":    {[]edit{{"/strengths/7/at/1/value", "9 %"}}, []want{{"/strengths", "strength-missing", "replacement 9 %, fibre 2 kg/m3"}, {"/strengths", "strength-missing", "replacement 10 %, fibre 6 kg/m3"}}},
		"a test twice":          {[]edit{{"/strengths/1/at/1/value", "2 %"}}, []want{{"/strengths/1/at", "duplicate-name", ""}, {"/strengths", "strength-missing", ""}}},
		"one without a ratio":   {[]edit{{"/strengths/3/residual_ratio", remove}}, []want{{"/strengths/3", "one-of", ""}}},
		"no value of that name": {[]edit{{"/strengths/0/at/0/value", "twice"}}, []want{{"/strengths/0/at/0/value", "not-in-list", ""}}},
		"a value of another unit": {[]edit{{"/axes/0", values("replacement", "/mix/by_ratio/replacement/0/share", "2 %", "2 kg", "10 %")}, {"/strengths/0/at/1/value", "7 %"}},
			[]want{{"/axes/0/values/1", "unit-incompatible", "measures mass"}}},
		"a way of giving an amount": {[]edit{{"/axes/1", values("fibre", "/mix/by_ratio/fibres/0/amount", "2 kg/m3", "0.3 % by volume", "6 kg/m3")}},
			[]want{{"/axes/1/values/1", "unit-incompatible", "like \"2 kg/m3\""}}},
		"more than an axis": {[]edit{{"/axes/0/step", "2 kg"}, {"/cap/at_most", "44 USD/m2"}, {"/axes/3/pointer", "/slab/thicknes"}},
			[]want{{"/axes/0/step", "unit-incompatible", ""}, {"/cap/at_most", "unit-incompatible", "60 EUR/m2"}, {"/axes/3/pointer", "pointer-unknown", ""}}},
		"cost without money": {[]edit{{"/economics", remove}}, []want{{"/cap/measure", "required-member-missing", ""}}},
		"a finer cap":        {[]edit{{"/cap/at_most", "44.0000001 EUR/m2"}}, []want{{"/cap/at_most", "out-of-range", ""}}},
		"other traffic":      {[]edit{{"/thickness_design", remove}, {"/alternative/slab/thickness", carries()}, {"/axes/3", axis("traffic", variant("as is", nil), variant("less", object{"slab": object{"thickness": object{"soil": object{"k": "80 MPa/m"}}}}))}}, []want{{"/axes/3/variants/1/slab/thickness", "functional-equivalence-mismatch", "soil"}}},
	} {
		t.Run(name, func(t *testing.T) {
			found := searchFaults(t, svc, choices(t, c.edits...))
			var got []string
			for _, f := range found {
				got = append(got, string(f.Pointer)+" "+f.Code)
			}
			var asked []string
			for _, w := range c.want {
				asked = append(asked, w.pointer+" "+w.code)
				if !slices.ContainsFunc(found, func(f fault.Fault) bool { return strings.Contains(f.Detail, w.detail) }) {
					t.Errorf("no fault says %q: %v", w.detail, found)
				}
			}
			if diff := gocmp.Diff(asked, got); diff != "" {
				t.Errorf("want (-), got (+):\n%s%v", diff, found)
			}
		})
	}
}

// choicesOfUpkeep are a plan, and none.
func choicesOfUpkeep() []any {
	return list(variant("none", nil), variant("reseal", object{"maintenance": list(object{"item": "joint-resealing", "every_years": 7})}))
}

// A search is refused with its size before it begins; what is answered at once is less.
func TestSearchBudget(t *testing.T) {
	svc := newService(t)
	list := searchFaults(t, svc, choices(t, edit{"/axes/3/step", "0.001 mm"}))
	wantFault(t, list, "/axes", "compute-budget-exceeded", "6000120 combinations", "at most 1000000")
	list = searchFaults(t, svc, choices(t, edit{"/axes/3/step", "0.000000001 mm"}))
	wantFault(t, list, "/axes/3/step", "compute-budget-exceeded")
	_, err := svc.SearchNow(t.Context(), choices(t, edit{"/axes/3/step", "0.1 mm"}))
	wantFault(t, service.Faults(err), "/axes", "compute-budget-exceeded", "60120 combinations", "at most 20000", "as a job")
	big := strings.Repeat("x", 100)
	variants := make([]any, 900)
	for i := range variants {
		variants[i] = variant(fmt.Sprint(i, big), nil)
	}
	_, err = svc.Search(t.Context(), choices(t, edit{"/axes", []any{axis("a", variants...), axis("b", variants...)}}))
	wantFault(t, service.Faults(err), "/axes", "compute-budget-exceeded", "bytes")
}

// Lives that are compared by the year have no total over one period.
func TestSearchOfOnePeriod(t *testing.T) {
	wantFault(t, searchFaults(t, newService(t), choices(t, edit{"/functional_unit/unequal_lives", "annual_equivalent"}, edit{"/alternative/slab/service_life_years", 25})),
		"/functional_unit/unequal_lives", "not-used", "one period")
}

// What adds up otherwise than by parts, or names a plan, is enumerated all the same.
func TestSearchOfWholeLives(t *testing.T) {
	svc := newService(t)
	short := []edit{{"/axes/0/step", "4 %"}, {"/axes/1", values("fibre", "/mix/by_ratio/fibres/0/amount", "2 kg/m3", "3 kg/m3")}, {"/axes/3/step", "25 mm"}}
	paid := edit{"/axes/4/variants/1/maintenance/0/user_cost", "2 EUR/m2"}
	for name, edits := range map[string][]edit{
		"uptake":            {{"/alternative/carbonation", object{"k": "25 mm/year^0.5", "degree": "85 %", "cements": list(object{"item": "cement-cem-i", "clinker": "95 %", "reactive_cao": "65 %"})}}},
		"user cost in cost": {paid, {"/economics/include_user_cost", true}},
		"user cost beside":  {paid, {"/economics/include_user_cost", false}},
		"carbon in cost":    {{"/economics/carbon_price", object{"amount": "80 EUR/t", "real_growth": "2 %", "in_cost": true}}},
		"carbon beside":     {{"/economics/carbon_price", object{"amount": "80 EUR/t", "real_growth": "2 %"}}},
		"declining rates":   {{"/economics", object{"discount_rate_schedule": list(object{"from_year": 0, "rate": "4 %"}, object{"from_year": 20, "rate": "2 %"})}}},
		"nominal rates":     {{"/economics", object{"nominal_discount_rate": "5 %", "inflation": "2 %", "nominal_escalation": list(object{"category": "operation", "rate": "3 %"})}}},
		"slabs built again": {{"/functional_unit/unequal_lives", "common_period"}, {"/alternative/slab/service_life_years", 25}, {"/alternative/residual", remove}, {"/axes/4/variants/2/residual", remove}},
		"plans by name": {
			{"/alternative/maintenance", remove}, {"/alternative/strategy", "nothing"},
			{"/strategies", list(object{"name": "old age", "maintenance": list(object{"item": "full-depth-repair", "at_age_years": 20, "share": "10 %", "life_years": 30}, object{"item": "joint-resealing", "at_age_years": 8, "life_years": 8})},
				object{"name": "nothing", "maintenance": list()})},
			{"/axes/4", values("upkeep", "/strategy", "old age", "nothing")}},
	} {
		t.Run(name, func(t *testing.T) {
			body := choices(t, append(slices.Clone(short), edits...)...)
			agree(t, runSearch(t, svc, body), enumerate(t, svc, body))
		})
	}
}
