package service_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/service"
)

// The steps of a waterfall are all of the difference, the largest first, and each is
// its quantity and its rate.
func TestWaterfallSumsExactly(t *testing.T) {
	svc, random := newService(t), comparisons{rand.New(rand.NewPCG(3, 2026))}
	bodies := [][]byte{file(t, "../testdata/demo/comparison.json"), file(t, "../testdata/scenarios/sized.json")}
	names := [][2]string{{"fibre", "plain"}, {"fibre", "plain"}}
	// What is counted in the net present value is in its difference.
	for _, economics := range []string{`"include_user_cost":true`, `"carbon_price":{"amount":"80 EUR/t CO2e","in_cost":true,"price_year":2026,"source":"invented"}`,
		`"include_user_cost":true,"carbon_price":{"amount":"80 EUR/t CO2e","real_growth":"2 %","in_cost":true,"price_year":2026,"source":"invented"}`,
		`"include_user_cost":false,"carbon_price":{"amount":"80 EUR/t CO2e"}`} {
		body := strings.Replace(string(bodies[0]), `"economics": {`, `"economics": {`+economics+`, `, 1)
		body = strings.ReplaceAll(body, `"item": "joint-resealing",`, `"item": "joint-resealing", "user_cost": "0.35 EUR/m2",`)
		bodies, names = append(bodies, []byte(body)), append(names, names[0])
	}
	for range 30 {
		body, err := json.Marshal(random.comparison(), json.Deterministic(true))
		if err != nil {
			t.Fatal(err)
		}
		bodies, names = append(bodies, body), append(names, [2]string{"b", "a"})
	}
	looked, counted := 0, map[string]int{}
	for i, body := range bodies {
		result, err := svc.Compare(t.Context(), body)
		if err != nil {
			continue // not every random one is valid
		}
		totals := map[string]service.Result{}
		for _, r := range result.Alternatives {
			totals[r.Name] = r
		}
		of, against := totals[names[i][0]], totals[names[i][1]]
		measures := map[string][2]decimal.Decimal{
			service.MeasureTotalCarbon:  {of.Carbon.TotalKgCO2ePerM2.Decimal, against.Carbon.TotalKgCO2ePerM2.Decimal},
			service.MeasureCradleToGate: {of.Carbon.CradleToGateKgCO2ePerM2.Decimal, against.Carbon.CradleToGateKgCO2ePerM2.Decimal},
		}
		if of.Cost != nil {
			measures[service.MeasureNPV] = [2]decimal.Decimal{of.Cost.NetPresentValuePerM2.Decimal, against.Cost.NetPresentValuePerM2.Decimal}
			measures[service.MeasureInitial] = [2]decimal.Decimal{of.Cost.InitialPerM2.Decimal, against.Cost.InitialPerM2.Decimal}
			measures[service.MeasureMaintenance] = [2]decimal.Decimal{of.Cost.MaintenancePresentValuePerM2.Decimal, against.Cost.MaintenancePresentValuePerM2.Decimal}
			measures[service.MeasureResidual] = [2]decimal.Decimal{of.Cost.ResidualValuePerM2.Decimal, against.Cost.ResidualValuePerM2.Decimal}
			if of.Cost.UserPresentValuePerM2 != nil && against.Cost.UserPresentValuePerM2 != nil {
				measures[service.MeasureUser] = [2]decimal.Decimal{of.Cost.UserPresentValuePerM2.Decimal, against.Cost.UserPresentValuePerM2.Decimal}
				counted["user cost"]++
			}
			if of.Cost.CarbonPrice != nil {
				measures[service.MeasureCarbonPrice] = [2]decimal.Decimal{of.Cost.CarbonPrice.PresentValuePerM2.Decimal, against.Cost.CarbonPrice.PresentValuePerM2.Decimal}
				counted["price of carbon"]++
			}
		}
		for measure, want := range measures {
			answer, err := svc.Explain(t.Context(), fmt.Appendf(nil, `{"comparison":%s,"difference":{"of":%q,"against":%q,"measure":%q}}`, body, of.Name, against.Name, measure))
			if err != nil {
				t.Fatal(err, service.Faults(err))
			}
			w := answer.Difference
			if !w.TotalOf.Equal(want[0]) || !w.TotalAgainst.Equal(want[1]) || !w.Difference.Equal(want[0].Sub(want[1])) {
				t.Errorf("%s: %s - %s = %s, the result has %s - %s", measure, w.TotalOf, w.TotalAgainst, w.Difference, want[0], want[1])
			}
			sum := decimal.Zero
			for k, s := range w.Steps {
				sum = sum.Add(s.Difference.Decimal)
				if k > 0 && s.Difference.Abs().GreaterThan(w.Steps[k-1].Difference.Abs()) {
					t.Errorf("%s: step %d is larger than the one before", measure, k)
				}
				if s.QuantityEffect != nil && !s.QuantityEffect.Add(s.RateEffect.Decimal).Equal(s.Difference.Decimal) {
					t.Errorf("%s: %s: %s + %s is not %s", measure, s.Item, s.QuantityEffect, s.RateEffect, s.Difference)
				}
				// One item has one price and one factor, so all is quantity but the rounding of
				// its line on either side, and of the effect itself.
				if len(s.Uses) == 1 && s.RateEffect != nil && s.Kind != "residual" && s.RateEffect.Abs().GreaterThan(decimal.New(15, -7)) {
					t.Errorf("%s: the rate of %s moved by %s", measure, s.Item, s.RateEffect)
				}
				looked++
			}
			if !sum.Equal(w.Difference.Decimal) {
				t.Errorf("%s: the steps sum to %s, the difference is %s", measure, sum, w.Difference)
			}
			if n := len(w.Steps); n > 0 && !w.Steps[n-1].Running.Equal(w.TotalOf.Decimal) {
				t.Errorf("%s: the way ends at %s, not at %s", measure, w.Steps[n-1].Running, w.TotalOf)
			}
		}
	}
	if counted["user cost"] < 2 || counted["price of carbon"] < 3 {
		t.Errorf("what is counted: %v", counted)
	}
	if looked < 1000 {
		t.Errorf("only %d steps", looked)
	}
}

// What cannot be asked is told at its member.
func TestExplainRefuses(t *testing.T) {
	svc := newService(t)
	demo := file(t, "../testdata/demo/comparison.json")
	for name, c := range map[string]struct{ members, pointer, code string }{
		"neither":           {``, "", "one-of"},
		"both":              {`,"pointer":"/x","difference":{"of":"plain","against":"fibre","measure":"total_carbon"}`, "", "one-of"},
		"no such figure":    {`,"pointer":"/alternatives/7/carbon/total_kg_co2e_per_m2"`, "/pointer", "pointer-unknown"},
		"a leading zero":    {`,"pointer":"/alternatives/00/carbon/total_kg_co2e_per_m2"`, "/pointer", "pointer-unknown"},
		"a sign":            {`,"pointer":"/alternatives/+0/carbon/total_kg_co2e_per_m2"`, "/pointer", "pointer-unknown"},
		"a text":            {`,"pointer":"/alternatives/0/name"`, "/pointer", "pointer-unknown"},
		"a list":            {`,"pointer":"/alternatives"`, "/pointer", "pointer-unknown"},
		"null":              {`,"pointer":"/alternatives/0/carbon/modules/D"`, "/pointer", "pointer-unknown"},
		"no slash":          {`,"pointer":"alternatives/0"`, "/pointer", "pointer-unknown"},
		"a rank":            {`,"pointer":"/comparison/ranking/by_total_carbon/0/rank"`, "/pointer", "not-explainable"},
		"given":             {`,"pointer":"/functional_unit/area_m2"`, "/pointer", "not-explainable"},
		"unknown of":        {`,"difference":{"of":"x","against":"fibre","measure":"total_carbon"}`, "/difference/of", "alternative-unknown"},
		"of itself":         {`,"difference":{"of":"fibre","against":"fibre","measure":"total_carbon"}`, "/difference/against", "duplicate-name"},
		"a comparison's":    {``, "/comparison/baseline", "alternative-unknown"},
		"cost without rate": {`,"difference":{"of":"plain","against":"fibre","measure":"initial_cost"}`, "/difference/measure", "required-member-missing"},
	} {
		body := demo
		switch name {
		case "a comparison's":
			body, c.members = request(t, edit{"/baseline", "x"}), `,"pointer":"/alternatives/0/thickness_mm"`
		case "cost without rate":
			body = request(t, edit{"/economics", remove}, edit{"/alternatives/0/residual", remove})
		}
		_, err := svc.Explain(t.Context(), fmt.Appendf(nil, `{"comparison":%s%s}`, body, c.members))
		if found := service.Faults(err); len(found) != 1 || string(found[0].Pointer) != c.pointer || found[0].Code != c.code {
			t.Errorf("%s: %v %v", name, err, found)
		}
	}
}
