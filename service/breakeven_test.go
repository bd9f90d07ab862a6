package service_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/service"
)

func breakEven(t *testing.T, svc *service.Service, comparison []byte, rest map[string]any) (*service.BreakEvenResponse, error) {
	t.Helper()
	var c any
	if err := json.Unmarshal(comparison, &c); err != nil {
		t.Fatal(err)
	}
	body := map[string]any{"comparison": c, "first": "plain", "second": "fibre", "measure": "net_present_value"}
	for k, v := range rest {
		body[k] = v
	}
	text, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	return svc.BreakEven(t.Context(), text)
}

func mustBreakEven(t *testing.T, svc *service.Service, comparison []byte, rest map[string]any) *service.BreakEvenResponse {
	t.Helper()
	r, err := breakEven(t, svc, comparison, rest)
	if err != nil {
		for _, f := range service.Faults(err) {
			t.Log(f)
		}
		t.Fatal(err)
	}
	return r
}

func object2(kv ...any) map[string]any {
	m := map[string]any{}
	for i := 0; i < len(kv); i += 2 {
		m[kv[i].(string)] = kv[i+1]
	}
	return m
}

// 300 kg of cement at 0.922 with 100 kg of slag is as heavy in carbon as 380 kg of
// cement alone where the factor of slag is (350.36 - 276.60) / 100 = 0.7376 (from the
// figures of C. Chen et al. 2010 on the allocation of slag).
func TestFactorAtWhichSlagNoLongerPays(t *testing.T) {
	svc := newService(t)
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		switch {
		case code == "cement-cem-i":
			i.Factors = map[string]decimal.Decimal{"A1-A3": decimal.RequireFromString("0.922")}
		case code == "ggbs":
			i.Factors = map[string]decimal.Decimal{"A1-A3": decimal.RequireFromString("0.0020")}
		case i.Category == inventory.Aggregate || i.Category == inventory.Water:
			i.Factors = map[string]decimal.Decimal{"A1-A3": decimal.Zero}
		case i.Category == inventory.Transport: // which the published figures leave out
			i.Factors = map[string]decimal.Decimal{"process": decimal.Zero}
		}
	})
	part := func(item, amount string) any {
		return map[string]any{"item": item, "amount": amount, "transport": "included", "reason": "the check counts no transport"}
	}
	body := request(t, edit{"/inventory", "demo@2"}, edit{"/alternatives/1/slab/thickness", "240 mm"}, edit{"/alternatives/2", map[string]any{"name": "third", "like": "plain"}},
		edit{"/alternatives/0/mix/constituents", []any{part("cement-cem-i", "380 kg/m3"), part("water-mains", "160 kg/m3"), part("sand-washed", "balance")}},
		edit{"/alternatives/1/mix", map[string]any{"constituents": []any{part("cement-cem-i", "300 kg/m3"), part("ggbs", "100 kg/m3"), part("water-mains", "160 kg/m3"), part("sand-washed", "balance")}}})
	r := mustBreakEven(t, svc, body, object2("measure", "cradle_to_gate_carbon", "variable", object2("item", "ggbs", "of", "factor"), "range", object2("low", "0", "high", "1.2")))
	if len(r.Crossings) != 1 || !r.Crossings[0].Tie || !r.Crossings[0].Value.Equal(decimal.RequireFromString("0.7376")) || r.Crossings[0].LowerAfter != "plain" {
		t.Errorf("%+v", r)
	}
	if !strings.Contains(r.Conclusion, "0.7376 kg CO2e/kg, above which plain is lower") {
		t.Errorf("%s", r.Conclusion)
	}
}

// A tie in a price of carbon follows from algebra: the difference of cost over the
// difference of carbon.
func TestCarbonPriceAtWhichTheyTie(t *testing.T) {
	svc := newService(t)
	body := request(t)
	base := compare(t, svc, body)
	a, b := base.Alternatives[0], base.Alternatives[1]
	dCost := b.Cost.NetPresentValuePerM2.Sub(a.Cost.NetPresentValuePerM2.Decimal)
	dCarbon := a.Carbon.TotalKgCO2ePerM2.Sub(b.Carbon.TotalKgCO2ePerM2.Decimal).Shift(-3)
	want := dCost.DivRound(dCarbon, 9)
	r := mustBreakEven(t, svc, body, object2("variable", object2("carbon_price", true), "range", object2("low", "0", "high", "100000")))
	if len(r.Crossings) != 1 || r.Crossings[0].Value.Sub(want).Abs().GreaterThan(decimal.New(1, -3)) {
		t.Errorf("want %s: %+v", want, r.Crossings)
	}
	if r.Nominal.Difference.Decimal.Neg().Cmp(dCost) != 0 {
		t.Errorf("without a price of carbon they differ by %s, not %s", r.Nominal.Difference, dCost)
	}
}

// A discount rate, a distance and a thickness are members of the request. What is
// found is put back: at the value that is given the two tie, and on both sides they
// do not.
func TestMembersAtWhichTheyTie(t *testing.T) {
	svc := newService(t)
	maintained := request(t, edit{"/alternatives/1/slab/thickness", "120 mm"}, edit{"/alternatives/1/maintenance", []any{map[string]any{"item": "surface-grinding", "every_years": 6}}})
	for name, c := range map[string]struct {
		body              []byte
		measure           string
		pointer, unit     string
		low, high         string
		crossings, lookAt int
	}{
		"the thickness":        {request(t), "total_carbon", "/alternatives/1/slab/thickness", "mm", "150", "300", 1, 0},
		"the haul of cement":   {request(t, edit{"/alternatives/1/transport", []any{map[string]any{"category": "cement", "to": "plant", "mode": "lorry-rigid", "distance": "10 km"}, map[string]any{"category": "fibre", "to": "plant", "mode": "lorry-rigid", "distance": "10 km"}, map[string]any{"category": "aggregate", "to": "plant", "mode": "lorry-rigid", "distance": "35 km"}, map[string]any{"category": "concrete", "to": "site", "mode": "truck-mixer", "distance": "18 km"}}}), "total_carbon", "/alternatives/1/transport/0/distance", "km", "1", "4000", 1, 0},
		"the discount rate":    {maintained, "net_present_value", "/economics/real_discount_rate", "%", "-5", "50", 1, 0},
		"nowhere in the range": {request(t), "total_carbon", "/alternatives/1/slab/thickness", "mm", "150", "160", 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			r := mustBreakEven(t, svc, c.body, object2("measure", c.measure, "variable", object2("pointer", c.pointer, "unit", c.unit), "range", object2("low", c.low, "high", c.high)))
			if len(r.Crossings) != c.crossings {
				t.Fatalf("%s %+v", r.Conclusion, r)
			}
			for _, x := range r.Crossings {
				if !x.Tie || x.Difference.Abs().GreaterThan(decimal.New(1, -4)) {
					t.Errorf("no tie: %+v", x)
				}
				put := compare(t, svc, changed(t, c.body, edit{c.pointer, x.Value.String() + " " + c.unit}))
				of := func(i int) decimal.Decimal {
					if c.measure == "total_carbon" {
						return put.Alternatives[i].Carbon.TotalKgCO2ePerM2.Decimal
					}
					return put.Alternatives[i].Cost.NetPresentValuePerM2.Decimal
				}
				if d := of(0).Sub(of(1)); !d.Equal(x.Difference.Decimal) {
					t.Errorf("the comparison with it differs by %s, not %s", d, x.Difference)
				}
			}
			if r.Low.Difference.Sign()*r.High.Difference.Sign() > 0 != (c.crossings%2 == 0) {
				t.Errorf("the ends say otherwise: %+v %+v", r.Low, r.High)
			}
		})
	}
}

// Slabs that a method sizes get thicker by steps: there they jump past each other and
// tie nowhere.
func TestJumpPastEachOther(t *testing.T) {
	svc := newService(t)
	body := file(t, "../testdata/scenarios/sized.json")
	r := compare(t, svc, body)
	first, second := r.Alternatives[0].Name, r.Alternatives[1].Name
	b := mustBreakEven(t, svc, body, object2("first", first, "second", second, "measure", "cradle_to_gate_carbon", "variable", object2("pointer", "/alternatives/1/slab/thickness/strength/residual_ratio", "unit", "%"), "range", object2("low", "0", "high", "40")))
	if len(b.Crossings) == 0 || b.Crossings[0].Tie {
		t.Errorf("%s %+v", b.Conclusion, b.Crossings)
	}
}

func TestFaultsOfABreakEven(t *testing.T) {
	svc := newService(t)
	for name, c := range map[string]struct {
		rest          map[string]any
		pointer, code string
	}{
		"unknown alternative": {object2("first", "planned"), "/first", "alternative-unknown"},
		"the same twice":      {object2("second", "plain"), "/second", "duplicate-name"},
		"unknown item":        {object2("variable", object2("item", "cement", "of", "price")), "/variable/item", "item-unknown"},
		"price of a recipe":   {object2("variable", object2("item", "joint-sawing", "of", "price")), "/variable/of", "price-missing"},
		"two at once":         {object2("variable", object2("item", "ggbs", "of", "price", "carbon_price", true)), "/variable", "one-of"},
		"nowhere":             {object2("variable", object2("pointer", "/alternatives/9/name", "unit", "km")), "/variable/pointer", "pointer-unknown"},
		"another unit":        {object2("variable", object2("pointer", "/alternatives/0/slab/thickness", "unit", "in")), "/variable/unit", "unit-incompatible"},
		"a range turned":      {object2("range", object2("low", "2", "high", "1")), "/range/high", "out-of-range"},
		"no decimal":          {object2("range", object2("low", "1e3", "high", "1")), "/range/low", "decimal-invalid"},
		"carbon with a price": {object2("variable", object2("carbon_price", true), "measure", "total_carbon"), "/measure", "not-used"},
	} {
		rest := object2("variable", object2("item", "ggbs", "of", "price"), "range", object2("low", "0", "high", "1"))
		for k, v := range c.rest {
			rest[k] = v
		}
		_, err := breakEven(t, svc, request(t), rest)
		found := false
		for _, f := range service.Faults(err) {
			found = found || string(f.Pointer) == c.pointer && f.Code == c.code
		}
		if !found {
			t.Errorf("%s: no fault %s at %s in %v", name, c.code, c.pointer, service.Faults(err))
		}
	}
	// What is wrong with the comparison is told where it stands.
	_, err := breakEven(t, svc, request(t, edit{"/alternatives/0/slab/thickness", "240 kg"}), object2("variable", object2("item", "ggbs", "of", "price"), "range", object2("low", "0", "high", "1")))
	var failed *service.Error
	if !errors.As(err, &failed) || len(failed.Faults) != 1 || failed.Faults[0].Pointer != "/comparison/alternatives/0/slab/thickness" {
		t.Errorf("%v", service.Faults(err))
	}
}

// An end of a range that the comparison cannot have is told at that end, once, however
// many alternatives take the member over; so is one that no inventory can have, and an
// item that neither alternative rests on.
func TestRangeOfABreakEven(t *testing.T) {
	svc := newService(t)
	haul, dosage := object2("pointer", "/alternatives/0/transport/0/distance", "unit", "km"), object2("pointer", "/alternatives/1/mix/add/0/amount", "unit", "% by volume")
	cement := object2("item", "cement-cem-i", "of", "price")
	for name, c := range map[string]struct {
		variable, within map[string]any
		want             string
	}{
		"a haul below zero":        {haul, object2("low", "-1", "high", "10"), "/range/low out-of-range"},
		"a dosage of all":          {dosage, object2("low", "0.1", "high", "100"), "/range/high out-of-range"},
		"thin as nothing":          {object2("pointer", "/alternatives/0/slab/thickness", "unit", "mm"), object2("low", "0", "high", "10"), "/range/low out-of-range"},
		"a price below zero":       {cement, object2("low", "-5", "high", "5"), "/range/low out-of-range"},
		"a factor below zero":      {object2("item", "cement-cem-i", "of", "factor"), object2("low", "-5", "high", "-1"), "/range/low out-of-range /range/high out-of-range"},
		"a carbon price below":     {object2("carbon_price", true), object2("low", "-5", "high", "5"), "/range/low out-of-range"},
		"an item that nobody uses": {object2("item", "ggbs", "of", "price"), object2("low", "0", "high", "1"), "/variable/item not-used"},
	} {
		_, err := breakEven(t, svc, request(t), object2("variable", c.variable, "range", c.within))
		var got []string
		for _, f := range service.Faults(err) {
			got = append(got, string(f.Pointer)+" "+f.Code)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s: %v", name, service.Faults(err))
		}
	}
}

// Without fibre is a dosage of zero, and next to the plant a haul of zero: the figures
// are those of a comparison that leaves the fibre out or moves it by no way.
func TestBreakEvenFromNothing(t *testing.T) {
	svc := newService(t)
	r := mustBreakEven(t, svc, request(t), object2("variable", object2("pointer", "/alternatives/1/mix/add/0/amount", "unit", "% by volume"), "range", object2("low", "0", "high", "1")))
	without := compare(t, svc, request(t, edit{"/alternatives/1/mix/add", []any{}}, edit{"/alternatives/2", object2("name", "third", "like", "plain")}))
	if !r.Low.Second.Equal(without.Alternatives[1].Cost.NetPresentValuePerM2.Decimal) {
		t.Errorf("without fibre %s, by a dosage of zero %s", without.Alternatives[1].Cost.NetPresentValuePerM2, r.Low.Second)
	}
	haul := object2("pointer", "/alternatives/0/transport/0/distance", "unit", "km")
	r = mustBreakEven(t, svc, request(t), object2("measure", "total_carbon", "variable", haul, "range", object2("low", "0", "high", "100")))
	// The total is a straight line in the distance.
	near := mustBreakEven(t, svc, request(t), object2("measure", "total_carbon", "variable", haul, "range", object2("low", "50", "high", "100")))
	if twice := near.Low.First.Add(near.Low.First.Decimal).Sub(near.High.First.Decimal); r.Low.First.Sub(twice).Abs().GreaterThan(decimal.New(3, -6)) {
		t.Errorf("%s at no distance, by the line it is %s", r.Low.First, twice)
	}
}

// Resealing in the years 5 and 25 against the year 15: with w = (1+d)^-10 the difference
// is w^½ times a (w - w₁)(w - w₂), so by algebra the two tie at the rates of 4.2 % and
// 5.5 %, which lie in one of the parts that a wide range is cut into.
func TestBothRatesAtWhichTheyTieAreFound(t *testing.T) {
	svc := newService(t)
	of := func(rate string) decimal.Decimal {
		return decimal.NewFromInt(1).Div(decimal.NewFromInt(1).Add(decimal.RequireFromString(rate)).Pow(decimal.NewFromInt(10)))
	}
	w1, w2 := of("0.042"), of("0.055")
	at := func(year int, share decimal.Decimal) map[string]any {
		return object2("item", "partial-patching", "years", []any{year}, "share", share.Mul(decimal.NewFromInt(20)).StringFixed(10)+" %")
	}
	body := request(t,
		edit{"/alternatives/0/residual", object2("method", "none")},
		edit{"/alternatives/0/maintenance", []any{at(5, w1.Mul(w2)), at(25, decimal.NewFromInt(1))}},
		edit{"/alternatives/1", object2("name", "fibre", "like", "plain", "maintenance", []any{at(15, w1.Add(w2))})},
		edit{"/alternatives/2", object2("name", "third", "like", "plain")})
	for _, within := range [][2]string{{"-50", "100"}, {"0", "20"}, {"4.5", "5"}} {
		r := mustBreakEven(t, svc, body, object2("variable", object2("pointer", "/economics/real_discount_rate", "unit", "%"), "range", object2("low", within[0], "high", within[1])))
		want := []string{"4.2", "5.5"}
		if within[0] == "4.5" {
			want = nil
		}
		if len(r.Crossings) != len(want) {
			t.Errorf("%v: %s", within, r.Conclusion)
			continue
		}
		for i, x := range r.Crossings {
			if x.Value.Sub(decimal.RequireFromString(want[i])).Abs().GreaterThan(decimal.New(1, -4)) || !x.Tie {
				t.Errorf("%v: %s, want %s", within, x.Value, want[i])
			}
		}
	}
}

// Where two slabs are alike to the last digit, neither is said to be lower: at a dosage
// of zero, and from the residual ratio on at which both have the same thickness.
func TestWhereTheyAreEqualNeitherIsLower(t *testing.T) {
	svc := newService(t)
	alike := request(t, edit{"/alternatives/1", object2("name", "fibre", "like", "plain", "mix", object2("add", []any{object2("item", "fibre-pp-macro", "amount", "0.5 % by volume")}))}, edit{"/alternatives/2", object2("name", "third", "like", "plain")})
	r := mustBreakEven(t, svc, alike, object2("variable", object2("pointer", "/alternatives/1/mix/add/0/amount", "unit", "% by volume"), "range", object2("low", "0", "high", "3")))
	if want := "plain is lower from 0 to 3 % by volume, but for where they are equal: at 0 % by volume"; r.Conclusion != want || len(r.Crossings) != 0 {
		t.Errorf("%s %+v", r.Conclusion, r.Crossings)
	}

	sized := changed(t, file(t, "../testdata/scenarios/sized.json"), edit{"/alternatives/2", object2("name", "other fibre", "like", "fibre", "slab", object2("thickness", object2("strength", object2("residual_ratio", "10 %"))))})
	r = mustBreakEven(t, svc, sized, object2("first", "fibre", "second", "other fibre", "variable", object2("pointer", "/alternatives/2/slab/thickness/strength/residual_ratio", "unit", "%"), "range", object2("low", "0", "high", "60")))
	if len(r.Crossings) != 0 || len(r.Ties) != 1 || r.Ties[0].To.String() != "60" {
		t.Fatalf("%s %+v", r.Conclusion, r.Ties)
	}
	// On both sides of where the tie begins, an evaluation says the same.
	for _, side := range []struct {
		step  string
		equal bool
	}{{"-0.000001", false}, {"0", true}} {
		ratio := r.Ties[0].From.Add(decimal.RequireFromString(side.step)).String() + " %"
		c := compare(t, svc, changed(t, sized, edit{"/alternatives/2/slab/thickness/strength/residual_ratio", ratio}))
		if equal := c.Alternatives[1].Cost.NetPresentValuePerM2.Equal(c.Alternatives[2].Cost.NetPresentValuePerM2.Decimal); equal != side.equal {
			t.Errorf("at %s: equal %v", ratio, equal)
		}
	}
}

// A price of carbon that is varied is on top of one that the cost already has, which the
// answer says; the member itself is varied in its place, and ties where it would alone.
func TestPriceOfCarbonOnTopOfAnother(t *testing.T) {
	svc := newService(t)
	within := object2("low", "0", "high", "2000")
	both := request(t, edit{"/economics/carbon_price", object2("amount", "50 EUR/t", "in_cost", true)})
	alone := mustBreakEven(t, svc, request(t), object2("variable", object2("carbon_price", true), "range", within))
	onTop := mustBreakEven(t, svc, both, object2("variable", object2("carbon_price", true), "range", within))
	instead := mustBreakEven(t, svc, both, object2("variable", object2("pointer", "/economics/carbon_price/amount", "unit", "EUR/t"), "range", within))
	for what, c := range map[string]struct {
		r     *service.BreakEvenResponse
		above string
		said  bool
	}{"alone": {alone, "0", false}, "on top": {onTop, "50", true}, "in its place": {instead, "0", false}} {
		if len(c.r.Crossings) != 1 {
			t.Fatalf("%s: %s", what, c.r.Conclusion)
		}
		// The two tie where the whole price is that of the first.
		whole := c.r.Crossings[0].Value.Add(decimal.RequireFromString(c.above))
		if whole.Sub(alone.Crossings[0].Value.Decimal).Abs().GreaterThan(decimal.New(1, -2)) {
			t.Errorf("%s: %s", what, c.r.Conclusion)
		}
		if said := strings.Contains(strings.Join(c.r.Notices, " "), "on top of that"); said != c.said {
			t.Errorf("%s: %q", what, c.r.Notices)
		}
	}
}
