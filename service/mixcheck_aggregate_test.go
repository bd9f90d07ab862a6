package service_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/num"
	"slabledger/service"
)

// published is a mix of the published factors with recycled aggregate (3.21835 kg
// CO2e/t) in place of natural (7.79306) and a lorry of 0.12522 kg CO2e/t.km (UK
// government conversion factors 2025, DESNZ, OGL v3; read in a copy).
func published(naturalKM, recycledKM, more string) string {
	return `{"inventory":"published","mix":{"constituents":[{"item":"cement-cem-i-2023","amount":"350 kg/m3"},{"item":"water-supply","amount":"170 kg/m3"},{"item":"aggregate-primary","amount":"balance"}]},
		"aggregate_substitution":{"natural":{"item":"aggregate-primary","distance":"` + naturalKM + ` km"},"recycled":{"item":"aggregate-recycled","distance":"` + recycledKM + ` km"},"mode":"lorry-average"` + more + `}}`
}

// tenKilos of CEM I at 0.889 kg CO2e/kg (Energies 2023, 16(7), 3229, CC BY; read).
const tenKilos = `,"extra_cement":{"item":"cement-cem-i-2023","per_tonne":"10 kg"}`

func kilometres(a *service.Amount) string {
	if a == nil {
		return "none"
	}
	return printed(a.Decimal, 2)
}

// (7.79306 - 3.21835)/0.12522 = 36.53 km further, whatever both are hauled; with 10
// kg of cement for each tonne there is no such distance, unless the natural
// aggregate comes from far (worked).
func TestHaulOfRecycledAggregate(t *testing.T) {
	svc := newService(t)
	for _, c := range []struct {
		naturalKM, recycledKM, more string
		saving, extra, whole, says  string
	}{
		{"0", "0", "", "4.574710", "36.53", "36.53", ""},
		{"20", "20", "", "4.574710", "36.53", "56.53", ""},
		{"20", "50", "", "0.818110", "6.53", "56.53", ""},
		{"20", "60", "", "-0.434090", "none", "56.53", "no distance: at these hauls a tonne of recycled aggregate comes to 0.43409 kg CO2e more than one of natural; it saves only when it comes from nearer than distance_km"},
		{"20", "20", tenKilos, "-4.315290", "none", "none", "no distance: at these hauls a tonne of recycled aggregate comes to 4.31529 kg CO2e more than one of natural, and without any haul still to more"},
		{"100", "0", tenKilos, "8.206710", "65.54", "65.54", ""},
	} {
		r := checkMix(t, svc, published(c.naturalKM, c.recycledKM, c.more)).Substitution
		b := r.BreakEvenCarbon
		if natural, recycled := r.Natural.GWPKgCO2ePerT.Production, r.Recycled.GWPKgCO2ePerT.Production; natural.String() != "7.79306" || recycled.String() != "3.21835" {
			t.Errorf("production of %s and %s kg CO2e/t", natural, recycled)
		}
		got := []string{printed(r.SavingGWP.Decimal, 6), kilometres(b.ExtraKM), kilometres(b.DistanceKM), b.Reason}
		if diff := cmp.Diff([]string{c.saving, c.extra, c.whole, c.says}, got); diff != "" {
			t.Errorf("%s and %s km%s: %s", c.naturalKM, c.recycledKM, c.more, diff)
		}
		if r.SavingCost != nil || r.BreakEvenCost != nil || r.Absorption != nil {
			t.Errorf("without prices and absorption: %+v", r)
		}
	}
}

// Hauled to the break-even distance the two come to the same: to within the rounding
// of one line, in carbon and in money.
func TestBothAggregatesAreEqualAtTheBreakEvenHaul(t *testing.T) {
	svc := newService(t)
	demo := func(naturalKM, recycledKM string) *service.SubstitutionResult {
		return checkMix(t, svc, inlined(byRatio, `"aggregate_substitution":{"natural":{"item":"gravel-20","distance":"`+naturalKM+` km"},"recycled":{"item":"aggregate-recycled-20","distance":"`+recycledKM+` km"},"mode":"lorry-rigid","extra_cement":{"item":"ggbs","per_tonne":"7.3 kg"}}`)).Substitution
	}
	line := decimal.New(1, -num.Places)
	looked := 0
	rapid.Check(t, func(t *rapid.T) {
		kilometre := func(label string) string {
			return decimal.New(rapid.Int64Range(0, 200_000).Draw(t, label), -3).String()
		}
		natural := kilometre("natural")
		first := demo(natural, kilometre("recycled"))
		if d := first.BreakEvenCarbon.DistanceKM; d != nil {
			if off := demo(natural, d.String()).SavingGWP.Abs(); off.GreaterThan(line) {
				t.Fatalf("%s km: the emissions differ by %s", d, off)
			}
			looked++
		}
		if d := first.BreakEvenCost.DistanceKM; d != nil {
			if off := demo(natural, d.String()).SavingCost.Abs(); off.GreaterThan(line) {
				t.Fatalf("%s km: the costs differ by %s", d, off)
			}
			looked++
		}
	})
	if looked < 100 {
		t.Errorf("only %d distances were looked at", looked)
	}
}

// Cost stands beside carbon, the extra cement is hauled as the request hauls cement,
// and every figure is the sum of its lines. Worked: natural 3.1 + 35·0.152 = 8.42;
// recycled 2.9 + 12·0.152 = 4.724, with 8·0.345 + 0.008·120·0.089 = 2.84544 for the
// cement; the rest likewise.
func TestRecycledAggregateInCostAndWater(t *testing.T) {
	const asked = `"mix":{"constituents":[{"item":"cement-cem-iii","amount":"340 kg/m3"},{"item":"water-mains","amount":"165 kg/m3"},{"item":"gravel-20","amount":"1080 kg/m3"},{"item":"sand-washed","amount":"balance"}],"air":"2 %"},
		"aggregate_substitution":{"natural":{"item":"gravel-20","distance":"35 km","absorption":"0.7 %"},"recycled":{"item":"aggregate-recycled-20","distance":"12 km","absorption":"5.2 %"},"mode":"lorry-rigid","extra_cement":{"item":"cement-cem-iii","per_tonne":"8 kg"},"share":"30 %"}`
	r := checkMix(t, newService(t), inlined(asked, hauls)).Substitution
	parts := func(p service.SupplyParts) string {
		return fmt.Sprint(p.Production, " ", p.Transport, " ", p.ExtraCement, " ", p.Total)
	}
	for _, c := range []struct{ name, got, want string }{
		{"natural, carbon", parts(r.Natural.GWPKgCO2ePerT), "3.1 5.32 0 8.42"},
		{"recycled, carbon", parts(r.Recycled.GWPKgCO2ePerT), "2.9 1.824 2.84544 7.56944"},
		{"natural, cost", parts(r.Natural.CostPerT), "15.8 5.53 0 21.33"},
		{"recycled, cost", parts(r.Recycled.CostPerT), "9.6 1.896 1.03552 12.53152"},
		{"saving", r.SavingGWP.String() + " " + r.SavingCost.String(), "0.85056 8.79848"},
		{"haul", kilometres(r.BreakEvenCarbon.ExtraKM) + " " + kilometres(r.BreakEvenCost.ExtraKM), "5.60 55.69"}, // 0.85056/0.152, 8.79848/0.158
		{"replaced", r.Absorption.NaturalKgPerM3.String() + " " + printed(r.Absorption.RecycledKgPerM3.Decimal, 3), "324 295.879"},
		// 324·0.007/1.007 and 295.879·0.052/1.052 kg
		{"water", printed(r.Absorption.NaturalAbsorbedKgPerM3.Decimal, 3) + " " + printed(r.Absorption.RecycledAbsorbedKgPerM3.Decimal, 3) + " " + printed(r.Absorption.ExtraAbsorbedKgPerM3.Decimal, 3), "2.252 14.625 12.373"},
	} {
		if c.got != c.want {
			t.Errorf("%s: %s, want %s", c.name, c.got, c.want)
		}
	}
	lines := 0
	for _, a := range []service.AggregateAtPlant{r.Natural, r.Recycled} {
		var gwp, cost decimal.Decimal
		for _, l := range a.Lines {
			if !l.GWPKgCO2ePerT.Equal(num.Line(l.Amount.Mul(l.Factor.Decimal))) || !l.CostPerT.Equal(num.Line(l.Amount.Mul(l.Price.Decimal))) {
				t.Errorf("%+v", l)
			}
			gwp, cost = gwp.Add(l.GWPKgCO2ePerT.Decimal), cost.Add(l.CostPerT.Decimal)
			lines++
		}
		if !gwp.Equal(a.GWPKgCO2ePerT.Total.Decimal) || !cost.Equal(a.CostPerT.Total.Decimal) {
			t.Errorf("%s: lines sum to %s and %s, %+v", a.Item, gwp, cost, a)
		}
	}
	if lines != 6 {
		t.Errorf("%d lines", lines)
	}
	// Without hauls in the request that of the cement is not known, which it says.
	without := checkMix(t, newService(t), inlined(asked))
	if got := without.Substitution.Recycled.GWPKgCO2ePerT.ExtraCement.String(); got != "2.76" || !warned(without.Warnings, "transport-not-declared") {
		t.Errorf("cement of %s kg, %+v", got, without.Warnings)
	}
}

// A price that contains the haul, and a haul that emits nothing, have no distance; a
// price that is missing leaves the cost open and the carbon known.
func TestRecycledAggregateWithoutADistance(t *testing.T) {
	svc := newService(t)
	const head = "code,category,name,unit,density_kg_per_m3,price,price_currency,price_date,price_basis,price_tax,price_source_kind,price_source_title,gwp_a1_a3,gwp_process,factor_source_kind,factor_source_title\n"
	row := func(code, category, unit, density, price, basis, product, process string) string {
		priced := ",,,,,,"
		if price != "" {
			priced = price + ",EUR,2026-01-15," + basis + ",excluded,invented,test"
		}
		return strings.Join([]string{code, category, code, unit, density, priced, product, process, "invented,test\n"}, ",")
	}
	publish(t, svc, "tip", head+row("cement", "cement", "kg", "3150", "0.1", "ex-works", "0.9", "")+row("water", "water", "kg", "1000", "0.001", "ex-works", "0", "")+
		row("gravel", "aggregate", "t", "2650", "16", "ex-works", "8", "")+row("crushed", "aggregate", "t", "2400", "9", "delivered", "3", "")+row("gift", "aggregate", "t", "", "", "", "3", "")+
		row("lorry", "transport", "t.km", "", "0.1", "delivered", "", "0.125")+row("sledge", "transport", "t.km", "", "0.1", "delivered", "", "0"))
	of := func(recycled, mode string) *service.MixCheckResponse {
		return checkMix(t, svc, `{"inventory":"tip","mix":{"constituents":[{"item":"cement","amount":"300 kg/m3"},{"item":"water","amount":"150 kg/m3"},{"item":"gravel","amount":"balance"}]},
			"aggregate_substitution":{"natural":{"item":"gravel","distance":"10 km"},"recycled":{"item":"`+recycled+`","distance":"10 km"},"mode":"`+mode+`"}}`)
	}
	r := of("crushed", "lorry").Substitution
	if got := kilometres(r.BreakEvenCarbon.ExtraKM) + ", " + r.BreakEvenCost.Reason; got != "40.00, no distance: the transport of crushed is in its delivered price, so no haul uses the saving up" {
		t.Error(got)
	}
	if r = of("crushed", "sledge").Substitution; r.BreakEvenCarbon.Reason != "no distance: the haul emits nothing, so no haul uses the saving up" {
		t.Errorf("%+v", r.BreakEvenCarbon)
	}
	open := of("gift", "lorry")
	if r = open.Substitution; r.SavingCost != nil || r.BreakEvenCost != nil || r.Recycled.CostPerT.Production != nil || r.SavingGWP.String() != "5" || !warned(open.Warnings, "price-missing") {
		t.Errorf("%+v %+v", r, open.Warnings)
	}
}

func TestFaultsOfAnAggregateSubstitution(t *testing.T) {
	svc := newService(t)
	const swap = `"aggregate_substitution":{"natural":{"item":"gravel-20","distance":"35 km","absorption":"0.7 %"},"recycled":{"item":"aggregate-recycled-20","distance":"12 km","absorption":"5.2 %"},"mode":"lorry-rigid","extra_cement":{"item":"cement-cem-i","per_tonne":"8 kg"},"share":"30 %"}`
	const at = "/aggregate_substitution"
	for _, c := range []struct{ old, now, want string }{
		{`"gravel-20"`, `"gravel-21"`, at + "/natural/item item-unknown"},
		{`"gravel-20"`, `"cement-cem-i"`, at + "/natural/item category-mismatch"},
		{`"gravel-20"`, `"diesel"`, at + "/natural/item category-mismatch"},
		{`"gravel-20"`, `"gravel-10"`, at + "/natural/item item-unknown"}, // which the mix has not
		{`"aggregate-recycled-20"`, `"gravel-20"`, at + "/recycled/item duplicate-item"},
		{`"35 km"`, `"-1 km"`, at + "/natural/distance out-of-range"},
		{`"35 km"`, `"35 kg"`, at + "/natural/distance unit-incompatible"},
		{`"lorry-rigid"`, `"mixer-pan"`, at + "/mode unit-incompatible"},
		{`"extra_cement":{"item":"cement-cem-i"`, `"extra_cement":{"item":"sand-washed"`, at + "/extra_cement/item category-mismatch"},
		{`"8 kg"`, `"0 kg"`, at + "/extra_cement/per_tonne out-of-range"},
		{`"8 kg"`, `"8 %"`, at + "/extra_cement/per_tonne unit-incompatible"},
		{`,"absorption":"5.2 %"`, ``, at + "/recycled/absorption required-member-missing"},
		{`,"absorption":"0.7 %"`, ``, at + "/natural/absorption required-member-missing"},
		{`"5.2 %"`, `"120 %"`, at + "/recycled/absorption out-of-range"},
		{`"30 %"`, `"0 %"`, at + "/share out-of-range"},
	} {
		if !strings.Contains(swap, c.old) {
			t.Fatalf("no %s", c.old)
		}
		if got := mixFaults(t, svc, inlined(byRatio, strings.Replace(swap, c.old, c.now, 1))); len(got) != 1 || got[0] != c.want {
			t.Errorf("%s: %v, want %s", c.now, got, c.want)
		}
	}
	// A rule that hauls the extra cement alone is of use, and what it assumes is said.
	r := checkMix(t, svc, inlined(byRatio, strings.Replace(swap, `"cement-cem-i"`, `"cement-cem-iii"`, 1),
		`"transport":[{"item":"cement-cem-iii","to":"plant","transport":"included","reason":"quoted delivered"},`+strings.TrimPrefix(hauls, `"transport":[`)))
	if warned(r.Warnings, "transport-rule-unused") || !slices.ContainsFunc(r.Assumptions, func(s service.Statement) bool { return strings.Contains(s.Message, "quoted delivered") }) {
		t.Errorf("%+v %+v", r.Warnings, r.Assumptions)
	}
	publish(t, svc, "loose", "code,category,name,unit,density_kg_per_m3,gwp_a1_a3,gwp_process,factor_source_kind,factor_source_title\n"+
		"cement,cement,Cement,kg,3150,0.9,,invented,test\nwater,water,Water,kg,1000,0,,invented,test\nsand,aggregate,Sand,kg,2600,0.004,,invented,test\nrubble,aggregate,Rubble,m3,,3,,invented,test\nlorry,transport,Lorry,t.km,,,0.1,invented,test\n")
	if got := mixFaults(t, svc, `{"inventory":"loose","mix":{"constituents":[{"item":"cement","amount":"300 kg/m3"},{"item":"water","amount":"150 kg/m3"},{"item":"sand","amount":"balance"}]},
		"aggregate_substitution":{"natural":{"item":"sand","distance":"1 km","absorption":"1 %"},"recycled":{"item":"rubble","distance":"1 km","absorption":"5 %"},"mode":"lorry"}}`); len(got) != 1 || got[0] != at+"/recycled/item density-missing" {
		t.Errorf("rubble of no density: %v", got)
	}
	if got := mixFaults(t, svc, `{"inventory":"loose","mix":{"constituents":[{"item":"cement","amount":"300 kg/m3"},{"item":"water","amount":"150 kg/m3"},{"item":"sand","amount":"balance"}]},
		"aggregate_substitution":{"natural":{"item":"sand","distance":"1 km"},"recycled":{"item":"rubble","distance":"1 km"},"mode":"lorry"}}`); len(got) != 1 || got[0] != at+"/recycled/item unit-mass-missing" {
		t.Errorf("rubble per m3 of no mass: %v", got)
	}
	bare := strings.NewReplacer(`,"absorption":"5.2 %"`, ``, `,"absorption":"0.7 %"`, ``).Replace(swap)
	if got := mixFaults(t, svc, inlined(byRatio, bare)); len(got) != 1 || got[0] != at+"/share not-used" {
		t.Errorf("a share of no water: %v", got)
	}
	if text, err := service.Encode(checkMix(t, svc, inlined(byRatio))); err != nil || strings.Contains(string(text), "aggregate_substitution") {
		t.Errorf("not asked for: %v %s", err, text)
	}
}
