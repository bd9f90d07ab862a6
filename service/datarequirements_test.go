package service_test

import (
	"bytes"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/service"
)

// changedDemo publishes the demo region with some of its items changed, as demo@2.
func changedDemo(t *testing.T, svc *service.Service, change func(code string, i *inventory.Item)) {
	t.Helper()
	v, err := svc.Version(t.Context(), "demo", 1)
	if err != nil {
		t.Fatal(err)
	}
	items := slices.Clone(v.Items)
	for n := range items {
		change(items[n].Code, &items[n])
	}
	var text bytes.Buffer
	if err := inventory.WriteCSV(&text, items); err != nil {
		t.Fatal(err)
	}
	if _, published, err := svc.Import(t.Context(), "demo", v.Meta, &text, "changed"); err != nil || !published {
		t.Fatal(published, err)
	}
}

// A declaration of five years that ended before the day that is asked about warns;
// in a strict request it is refused (EN 15804 and ISO 14025: declarations hold five
// years; the days are those of a published check).
func TestExpiredSources(t *testing.T) {
	svc := newService(t)
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		switch code {
		case "cement-cem-i":
			i.FactorData.ValidUntil = "2025-06-04"
		case "gravel-20":
			price := *i.Price
			price.ValidUntil = "2026-06-30"
			i.Price = &price
		}
	})
	warned := func(r *service.ComparisonResponse) (codes []string) {
		for _, w := range r.Alternatives[0].Warnings {
			if strings.HasSuffix(w.Code, "-expired") {
				codes = append(codes, w.Code+" "+strings.Fields(w.Message[strings.Index(w.Message, " of ")+4:])[0])
			}
		}
		return codes
	}
	for _, c := range []struct {
		asOf string
		want []string
	}{
		{"", []string{"factor-expired cement-cem-i"}}, // prices are of January 2026
		{"2025-06-04", nil},
		{"2025-06-05", []string{"factor-expired cement-cem-i"}},
		{"2026-07-01", []string{"factor-expired cement-cem-i", "price-expired gravel-20"}},
	} {
		edits := []edit{{"/inventory", "demo@2"}}
		if c.asOf != "" {
			edits = append(edits, edit{"/data_requirements", map[string]any{"as_of": c.asOf}})
		}
		if got := warned(compare(t, svc, request(t, edits...))); !slices.Equal(got, c.want) {
			t.Errorf("as of %q: %v, want %v", c.asOf, got, c.want)
		}
	}
	list := faults(t, svc, request(t, edit{"/inventory", "demo@2"}, edit{"/data_requirements", map[string]any{"as_of": "2026-07-01", "strict": true}}))
	wantFault(t, list, "/alternatives/0", "factor-expired")
	wantFault(t, list, "/alternatives/0", "price-expired")
	wantFault(t, faults(t, svc, request(t, edit{"/data_requirements", map[string]any{"as_of": "2026-02-30"}})), "/data_requirements/as_of", "date-invalid")
}

// A price for larger orders is said to be one where the area takes less: 350 kg/m3 at
// 240 mm are 84 kg of cement per m2, with 2 % of waste 85.714286, so 7300 m2 take
// 625,714.285714 kg. Just as much is enough.
func TestPricesOfLargerOrders(t *testing.T) {
	svc := newService(t)
	for n, c := range []struct {
		from string
		said bool
	}{{"625714", false}, {"625715", true}, {"1000000", true}} {
		changedDemo(t, svc, func(code string, i *inventory.Item) {
			if code == "cement-cem-i" {
				price := *i.Price
				price.MinQuantity = decimal.NewNullDecimal(decimal.RequireFromString(c.from))
				i.Price = &price
			}
		})
		ref := edit{"/inventory", "demo@" + strconv.Itoa(n+2)}
		r := compare(t, svc, request(t, ref))
		said := slices.ContainsFunc(r.Alternatives[0].Warnings, func(s service.Statement) bool { return s.Code == "price-below-quantity" })
		if said != c.said {
			t.Errorf("from %s kg: %v, want %v", c.from, said, c.said)
		}
		if used := r.Sources[slices.IndexFunc(r.Sources, func(s service.ItemUsed) bool { return strings.HasSuffix(s.Ref, "/cement-cem-i") })]; used.PriceMinQuantity == nil || used.PriceMinQuantity.String() != c.from {
			t.Errorf("the source says %v", used.PriceMinQuantity)
		}
		if c.said {
			wantFault(t, faults(t, svc, request(t, ref, edit{"/data_requirements", map[string]any{"strict": true}})), "/alternatives/0", "price-below-quantity")
		}
	}
}

// Factors that were summed with different potentials are not summed with each other;
// those of different bases are, with a word (DESNZ 2024: a lorry's factor is 0.10163
// tank to wheel and 0.12522 well to wheel, 23 % apart).
func TestMixedFactors(t *testing.T) {
	svc := newService(t)
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		switch code {
		case "cement-cem-i":
			i.FactorData.Characterisation = "ar6"
		case "gravel-20":
			i.FactorData.Characterisation = "ef-3.1"
		case "lorry-articulated":
			i.Boundary = inventory.TankToWheel
		}
	})
	list := faults(t, svc, request(t, edit{"/inventory", "demo@2"}))
	wantFault(t, list, "/inventory", "characterisation-mixed")
	for _, f := range list {
		if !strings.Contains(f.Detail, "cement-cem-i") || !strings.Contains(f.Detail, "gravel-20") {
			t.Errorf("does not name the items: %s", f.Detail)
		}
	}
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		if code == "lorry-articulated" {
			i.Boundary = inventory.TankToWheel
		}
	})
	wantStatement(t, compare(t, svc, request(t, edit{"/inventory", "demo@3"})).Alternatives[0].Warnings, "boundary-mixed")
	wantFault(t, faults(t, svc, request(t, edit{"/inventory", "demo@3"}, edit{"/data_requirements", map[string]any{"strict": true}})), "/alternatives/0", "boundary-mixed")
}

// The parts of the total by kind of source sum to the total, and the shares to 100.
func TestTotalByKindOfSource(t *testing.T) {
	svc := newService(t)
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		if i.FactorSource == nil {
			return
		}
		source := *i.FactorSource
		switch i.Category {
		case inventory.Cement:
			source.Kind = inventory.EPD
		case inventory.Transport:
			source.Kind = inventory.AgencyTable
		}
		i.FactorSource = &source
	})
	for _, a := range compare(t, svc, request(t, edit{"/inventory", "demo@2"})).Alternatives {
		kinds, sum, share := []string{}, decimal.Zero, decimal.Zero
		for _, s := range a.Carbon.BySourceKind {
			kinds = append(kinds, s.SourceKind)
			sum, share = sum.Add(s.GWPKgCO2ePerM2.Decimal), share.Add(s.SharePercent.Decimal)
		}
		if !slices.Equal(kinds, []string{"epd", "agency-table", "invented"}) || !sum.Equal(a.Carbon.TotalKgCO2ePerM2.Decimal) {
			t.Errorf("%v sum to %s, the total is %s", kinds, sum, a.Carbon.TotalKgCO2ePerM2)
		}
		if share.Sub(decimal.NewFromInt(100)).Abs().GreaterThan(decimal.New(1, -2)) {
			t.Errorf("the shares sum to %s", share)
		}
	}
}

// Slag as a co-product of iron (C. Chen et al., Resources, Conservation and Recycling
// 54, 2010): 300 kg of cement at 0.922 and 100 kg of slag come to 276.80 where slag
// bears nothing of the blast furnace, 291.26 by economic and 396.60 by mass
// allocation; 380 kg of cement alone to 350.36.
func TestAllocationOfSlag(t *testing.T) {
	svc := newService(t)
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		zero := func(v string) { i.Factors = map[string]decimal.Decimal{"A1-A3": decimal.RequireFromString(v)} }
		switch {
		case code == "cement-cem-i":
			zero("0.922")
		case code == "ggbs":
			zero("0.0020")
			i.FactorData.Allocation = inventory.AllocationNone
			i.FactorData.Alternatives = []inventory.AllocatedFactor{
				{Allocation: inventory.AllocationEconomic, Factor: decimal.RequireFromString("0.1466")}, {Allocation: inventory.AllocationMass, Factor: decimal.RequireFromString("1.2")}}
		case i.Category == inventory.Aggregate || i.Category == inventory.Water:
			zero("0")
		}
	})
	constituents := func(cement string, slag bool) []any {
		list := []any{map[string]any{"item": "cement-cem-i", "amount": cement}, map[string]any{"item": "water-mains", "amount": "160 kg/m3", "transport": "included", "reason": "the check counts no transport"}, map[string]any{"item": "sand-washed", "amount": "balance"}}
		if slag {
			list = append(list, map[string]any{"item": "ggbs", "amount": "100 kg/m3", "transport": "included", "reason": "the check counts no transport"})
		}
		return list
	}
	for _, c := range []struct {
		cement, allocation, want string
		slag                     bool
	}{
		{"300 kg/m3", "", "276.80", true}, {"300 kg/m3", "none", "276.80", true}, {"300 kg/m3", "economic", "291.26", true}, {"300 kg/m3", "mass", "396.60", true},
		{"380 kg/m3", "mass", "350.36", false},
	} {
		edits := []edit{{"/inventory", "demo@2"}, {"/alternatives/0/mix/constituents", constituents(c.cement, c.slag)}}
		if c.allocation != "" {
			edits = append(edits, edit{"/data_requirements", map[string]any{"allocation": c.allocation}})
		}
		a := compare(t, svc, request(t, edits...)).Alternatives[0]
		if got := a.Concrete.GWPKgCO2ePerM3.A1; !got.Equal(decimal.RequireFromString(c.want)) {
			t.Errorf("%s of cement, allocation %q: %s, want %s", c.cement, c.allocation, got, c.want)
		}
		if c.allocation == "mass" && c.slag {
			wantStatement(t, a.Assumptions, "allocation-switched")
		}
	}
	r := compare(t, svc, request(t, edit{"/inventory", "demo@2"}, edit{"/alternatives/0/mix/constituents", constituents("300 kg/m3", true)}, edit{"/data_requirements", map[string]any{"allocation": "cut-off"}}))
	wantStatement(t, r.Alternatives[0].Warnings, "allocation-undeclared")
}
