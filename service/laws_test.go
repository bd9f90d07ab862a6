package service_test

import (
	"bytes"
	"context"
	"flag"
	"math/big"
	"os"
	"slices"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/go-cmp/cmp"

	"slabledger/service"
	"slabledger/service/report"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func golden(t *testing.T, path string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, got, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if want := file(t, path); !bytes.Equal(want, got) {
		t.Errorf("%s changed; rewrite it with -update only if the change is meant (and note it under \"Results change\" in CHANGELOG.md)\n%s", path, cmp.Diff(string(want), string(got)))
	}
}

// The same request on the same inventory version gives the same bytes, for
// ever: the golden files are a promise, not a convenience.
func TestDemoIsTheSameBytesForEver(t *testing.T) {
	svc := newService(t)
	r := compare(t, svc, request(t))
	compact, err := service.Encode(r)
	if err != nil {
		t.Fatal(err)
	}
	again, err := service.Encode(compare(t, newService(t), request(t)))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(compact, again) {
		t.Error("another service over another store gives other bytes")
	}
	indented := jsontext.Value(bytes.Clone(compact))
	if err := indented.Indent(jsontext.WithIndent(" ")); err != nil {
		t.Fatal(err)
	}
	golden(t, "../testdata/golden/demo.json", append(indented, '\n'))
	var table bytes.Buffer
	if err := report.Table(&table, r); err != nil {
		t.Fatal(err)
	}
	table.WriteByte('\n')
	if err := report.Conclusions(&table, conclusions(t, svc, request(t))); err != nil {
		t.Fatal(err)
	}
	golden(t, "../testdata/golden/demo.txt", table.Bytes())
}

// "demo" and "demo@1" are the same request while demo is at 1.
func TestUnpinnedInventoryIsResolvedAndEchoed(t *testing.T) {
	svc := newService(t)
	pinned := compare(t, svc, request(t))
	loose := compare(t, svc, request(t, edit{"/inventory", "demo"}))
	if loose.Inventory.Ref != "demo@1" || loose.RequestHash != pinned.RequestHash {
		t.Errorf("ref %s, hash %s, want demo@1 and %s", loose.Inventory.Ref, loose.RequestHash, pinned.RequestHash)
	}
	if other := compare(t, svc, request(t, edit{"/alternatives/0/slab/thickness", "241 mm"})); other.RequestHash == pinned.RequestHash {
		t.Error("another request has the same hash")
	}
}

// rational is an oracle that rounds once: exact fractions, half to even at 6
// decimals.
func rational(t *testing.T, s string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("%q is no number", s)
	}
	return r
}

func round6(r *big.Rat) *big.Rat {
	scale := big.NewInt(1_000_000)
	scaled := new(big.Rat).Mul(r, new(big.Rat).SetInt(scale))
	q, m := new(big.Int).DivMod(scaled.Num(), scaled.Denom(), new(big.Int))
	switch m.Lsh(m, 1).Cmp(scaled.Denom()) {
	case 1:
		q.Add(q, big.NewInt(1))
	case 0:
		if q.Bit(0) == 1 {
			q.Add(q, big.NewInt(1))
		}
	}
	return new(big.Rat).SetFrac(q, scale)
}

// Everything below is recomputed from the printed JSON alone, as an auditor
// would: no type of the engine is used.
func TestEveryFigureFollowsFromThePrintedLines(t *testing.T) {
	r, err := newService(t).Compare(context.Background(), request(t,
		edit{"/economics/real_escalation", []any{map[string]any{"category": "operation", "rate": "1.5 %"}, map[string]any{"category": "fuel", "rate": "-0.4 %"}}},
		edit{"/alternatives/0/maintenance/1/user_cost", "0.35 EUR/m2"},
		edit{"/alternatives/0/end_of_life", []any{map[string]any{"item": "concrete-landfill", "module": "C4"}}}))
	if err != nil {
		t.Fatal(service.Faults(err), err)
	}
	text, err := service.Encode(r)
	if err != nil {
		t.Fatal(err)
	}
	type line struct {
		Module, Item, Use, Amount, Factor, Price, Kind string
		GWP                                            string `json:"gwp_kg_co2e_per_m2"`
		Escalation                                     string `json:"escalation_factor"`
		Cost                                           string `json:"cost_per_m2"`
		Discount                                       string `json:"discount_factor"`
		Present                                        string `json:"present_value_per_m2"`
		Year                                           int
	}
	var doc struct {
		Functional struct {
			Area string `json:"area_m2"`
		} `json:"functional_unit"`
		Economics struct {
			Rate string `json:"real_discount_rate"`
			UCR  string `json:"capital_recovery_factor"`
		}
		Alternatives []struct {
			Name   string
			Carbon struct {
				Modules map[string]*string
				Total   string   `json:"total_kg_co2e_per_m2"`
				ForArea string   `json:"total_kg_co2e_for_area"`
				Covers  []string `json:"total_covers"`
				Lines   []line
			}
			Cost struct {
				Initial     string            `json:"initial_per_m2"`
				Maintenance string            `json:"maintenance_present_value_per_m2"`
				User        string            `json:"user_present_value_per_m2"`
				Residual    string            `json:"residual_value_per_m2"`
				NPV         string            `json:"net_present_value_per_m2"`
				Annual      string            `json:"equivalent_annual_per_m2"`
				ForArea     map[string]string `json:"for_area"`
				Lines       []line
			}
		}
	}
	if err := json.Unmarshal(text, &doc, json.MatchCaseInsensitiveNames(true)); err != nil {
		t.Fatal(err)
	}
	equal := func(name, got string, want *big.Rat) {
		t.Helper()
		if rational(t, got).Cmp(want) != 0 {
			t.Errorf("%s is printed as %s, but the lines give %s", name, got, want.FloatString(8))
		}
	}
	product := func(factors ...string) *big.Rat {
		p := big.NewRat(1, 1)
		for _, f := range factors {
			p.Mul(p, rational(t, f))
		}
		return p
	}
	lines := 0
	for _, a := range doc.Alternatives {
		stage := map[string]*big.Rat{}
		total := new(big.Rat)
		for _, l := range a.Carbon.Lines {
			lines++
			equal(a.Name+" "+l.Item+" "+l.Use, l.GWP, round6(product(l.Amount, l.Factor)))
			key := l.Module
			if key == "A1" || key == "A2" || key == "A3" {
				key = "A1-A3"
			}
			if stage[key] == nil {
				stage[key] = new(big.Rat)
			}
			stage[key].Add(stage[key], rational(t, l.GWP))
			if key != "D" {
				total.Add(total, rational(t, l.GWP))
			}
		}
		for key, sum := range stage {
			if a.Carbon.Modules[key] == nil {
				t.Errorf("%s: module %s has lines but no value", a.Name, key)
				continue
			}
			equal(a.Name+" "+key, *a.Carbon.Modules[key], sum)
		}
		equal(a.Name+" total carbon", a.Carbon.Total, total)
		equal(a.Name+" carbon for the area", a.Carbon.ForArea, round6(product(a.Carbon.Total, doc.Functional.Area)))

		sums := map[string]*big.Rat{"initial": {}, "maintenance": {}, "user": {}, "residual": {}}
		for _, l := range a.Cost.Lines {
			lines++
			equal(a.Name+" cost "+l.Item+" "+l.Use, l.Cost, round6(product(l.Amount, l.Price, l.Escalation)))
			equal(a.Name+" present "+l.Item+" "+l.Use, l.Present, round6(product(l.Amount, l.Price, l.Escalation, l.Discount)))
			sums[l.Kind].Add(sums[l.Kind], rational(t, l.Present))
			// The discount factor is (1+d)^-n to 34 digits: times (1+d)^n it is 1
			// but for the last digit.
			growth := big.NewRat(1, 1)
			for range l.Year {
				growth.Mul(growth, new(big.Rat).Add(big.NewRat(1, 1), rational(t, doc.Economics.Rate)))
			}
			off := new(big.Rat).Sub(growth.Mul(growth, rational(t, l.Discount)), big.NewRat(1, 1))
			if off.Abs(off).Cmp(rational(t, "1e-33")) > 0 {
				t.Errorf("%s: the discount factor of year %d is off by %s", a.Name, l.Year, off.FloatString(40))
			}
		}
		equal(a.Name+" initial", a.Cost.Initial, sums["initial"])
		equal(a.Name+" maintenance", a.Cost.Maintenance, sums["maintenance"])
		equal(a.Name+" user", a.Cost.User, sums["user"])
		equal(a.Name+" residual", a.Cost.Residual, sums["residual"])
		npv := new(big.Rat).Add(sums["initial"], sums["maintenance"])
		npv.Sub(npv, sums["residual"])
		equal(a.Name+" net present value", a.Cost.NPV, npv)
		equal(a.Name+" equivalent annual", a.Cost.Annual, round6(product(a.Cost.NPV, doc.Economics.UCR)))
		equal(a.Name+" net present value for the area", a.Cost.ForArea["net_present_value"], round6(product(a.Cost.NPV, doc.Functional.Area)))
		if rational(t, a.Cost.Residual).Sign() <= 0 {
			t.Errorf("%s: the residual value is printed as a positive credit, got %s", a.Name, a.Cost.Residual)
		}
	}
	if lines < 200 {
		t.Errorf("only %d lines were checked", lines)
	}
}

// The order of the alternatives changes no figure and no rank.
func TestOrderOfAlternativesDoesNotMatter(t *testing.T) {
	svc := newService(t)
	var doc map[string]any
	if err := json.Unmarshal(request(t), &doc); err != nil {
		t.Fatal(err)
	}
	want := compare(t, svc, request(t))
	slices.Reverse(doc["alternatives"].([]any))
	body, err := json.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	got := compare(t, svc, body)
	if diff := cmp.Diff(want.Comparison.Ranking, got.Comparison.Ranking); diff != "" {
		t.Error(diff)
	}
	slices.Reverse(got.Alternatives)
	for i := range want.Alternatives {
		if diff := cmp.Diff(want.Alternatives[i].Cost, got.Alternatives[i].Cost); diff != "" {
			t.Error(diff)
		}
		if diff := cmp.Diff(want.Alternatives[i].Carbon, got.Alternatives[i].Carbon); diff != "" {
			t.Error(diff)
		}
	}
}

// Twice as thick is twice the concrete and nothing else.
func TestTwiceTheThicknessIsTwiceTheConcrete(t *testing.T) {
	svc := newService(t)
	one := compare(t, svc, request(t, edit{"/alternatives/0/slab/thickness", "150 mm"})).Alternatives[0]
	two := compare(t, svc, request(t, edit{"/alternatives/0/slab/thickness", "300 mm"})).Alternatives[0]
	for i, l := range one.Carbon.Lines {
		double := two.Carbon.Lines[i]
		concrete := i < len(one.Concrete.Lines)
		want := l.Amount.Decimal
		if concrete {
			// 12 decimals on either side of the doubling
			want = want.Add(want)
		}
		if diff := want.Sub(double.Amount.Decimal).Abs(); diff.GreaterThan(dec("0.000000000001")) {
			t.Errorf("%s %s: %s and %s", l.Item, l.Use, l.Amount, double.Amount)
		}
	}
	if diff := cmp.Diff(one.Concrete, two.Concrete); diff != "" {
		t.Error("the concrete per m3 changed with the thickness\n" + diff)
	}
}

// A rate of zero is the plain sum, and leaves the carbon alone.
func TestRateOfZeroIsThePlainSum(t *testing.T) {
	svc := newService(t)
	a := compare(t, svc, request(t, edit{"/economics/real_discount_rate", "0 %"})).Alternatives[0]
	sum := dec("0")
	for _, l := range a.Cost.Lines {
		if l.Kind == "maintenance" {
			sum = sum.Add(l.CostPerM2.Decimal)
		}
	}
	if !sum.Equal(a.Cost.MaintenancePresentValuePerM2.Decimal) {
		t.Errorf("maintenance %s, plain sum %s", a.Cost.MaintenancePresentValuePerM2, sum)
	}
	if got, want := a.Cost.EquivalentAnnualPerM2.Decimal, a.Cost.NetPresentValuePerM2.Div(dec("40")).RoundBank(6); !got.Equal(want) {
		t.Errorf("equivalent annual %s, want %s", got, want)
	}
	other := compare(t, svc, request(t)).Alternatives[0]
	if diff := cmp.Diff(other.Carbon, a.Carbon); diff != "" {
		t.Error("carbon is not discounted\n" + diff)
	}
}
