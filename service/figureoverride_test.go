package service_test

import (
	"bytes"
	"context"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	gocmp "github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
)

// whatIf are prices and factors of a material, of a part of a recipe, of a haulage and
// of an operation; the fibre has a factor of its own transport beside the main one.
func whatIf() []any {
	return list(
		object{"item": "fibre-pp-macro", "price": "3.5 EUR/kg", "factor": "1.9 kg CO2e/kg", "reason": "quotation of March"},
		object{"item": "cement-cem-i", "price": "0.2 EUR/kg", "reason": "a rise"},
		object{"item": "diesel", "price": "1.9 EUR/L", "factor": "3.4 kg CO2e/L", "reason": "a tax"},
		object{"item": "truck-mixer", "factor": "0.05 kg CO2e/t.km", "reason": "electric mixers"},
		object{"item": "joint-resealing", "price": "9 EUR/m", "reason": "a tender"})
}

// publishedWhatIf publishes what whatIf says as demo@2, with nothing said of how its
// figures scatter.
func publishedWhatIf(t *testing.T, svc *service.Service) {
	t.Helper()
	source := inventory.Source{Kind: inventory.Assumption, Title: "what if"}
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		for _, o := range whatIf() {
			o := o.(object)
			if o["item"] != code {
				continue
			}
			if text, ok := o["price"].(string); ok {
				i.Price = &inventory.Price{Amount: decimal.RequireFromString(strings.Fields(text)[0]), Currency: "EUR", Date: "2026-01-15", Basis: i.Price.Basis, Tax: i.Price.Tax, Source: source}
			}
			if text, ok := o["factor"].(string); ok {
				i.Factors = maps.Clone(i.Factors)
				i.Factors[i.MainFactor()] = decimal.RequireFromString(strings.Fields(text)[0])
				i.FactorSource, i.FactorData = &source, inventory.FactorData{}
				if code == "fibre-pp-macro" {
					i.FactorSource = &inventory.Source{Kind: inventory.Invented, Title: "of its transport"}
				}
			}
		}
	})
}

// figuresOnly is an answer without what names its inventory, its request or its sources.
func figuresOnly(t *testing.T, answer any) any {
	t.Helper()
	text, err := service.Encode(answer)
	if err != nil {
		t.Fatal(err)
	}
	var document any
	if err := json.Unmarshal(bytes.ReplaceAll(text, []byte("demo@2"), []byte("demo@1")), &document); err != nil {
		t.Fatal(err)
	}
	return without(document, "inventory", "request_hash", "sources", "assumptions", "notices", "by_source_kind", "outcomes_hash", "fixed", "chain")
}

func without(value any, names ...string) any {
	switch v := value.(type) {
	case object:
		for name := range v {
			if v[name] = without(v[name], names...); slices.Contains(names, name) {
				delete(v, name)
			}
		}
	case []any:
		for i := range v {
			v[i] = without(v[i], names...)
		}
	}
	return value
}

// What a request overrides comes to the figures, of every operation, that it comes to
// where a version with these prices and factors is published.
func TestOverridesAreWhatTheirPublicationWouldBe(t *testing.T) {
	svc := newService(t)
	publishedWhatIf(t, svc)
	comparison := func(edits ...edit) (asked, published any) {
		edits = append([]edit{{"/functional_unit/service", remove}}, edits...)
		for _, to := range []struct {
			into *any
			more edit
		}{{&asked, edit{"/overrides", whatIf()}}, {&published, edit{"/inventory", "demo@2"}}} {
			if err := json.Unmarshal(request(t, append(slices.Clone(edits), to.more)...), to.into); err != nil {
				t.Fatal(err)
			}
		}
		return asked, published
	}
	// A search and a grid have the members of a comparison but for its alternatives.
	choosing := func(rest object) (asked, published any) {
		body := object{"inventory": "demo@1", "functional_unit": object{"area": "7300 m2", "analysis_period_years": 40}, "economics": object{"real_discount_rate": "3 %"}, "alternative": family()}
		maps.Copy(body, rest)
		first, second := maps.Clone(body), maps.Clone(body)
		first["overrides"], second["inventory"] = whatIf(), "demo@2"
		return first, second
	}
	around := func(rest object) (asked, published any) {
		a, p := comparison()
		first, second := maps.Clone(rest), maps.Clone(rest)
		first["comparison"], second["comparison"] = a, p
		return first, second
	}
	pair := func(rest object) (asked, published any) {
		rest["first"], rest["second"] = "plain", "fibre"
		return around(rest)
	}
	type operation = func(context.Context, []byte, ...fault.Fault) (any, error)
	of := func(asked, published any, run operation) []any { return []any{asked, published, run} }
	two := func(make func() (any, any), run operation) []any {
		asked, published := make()
		return of(asked, published, run)
	}
	cases := map[string][]any{
		"comparison": two(func() (any, any) { return comparison() }, func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) { return svc.Compare(ctx, b, f...) }),
		"comparison with checks": two(func() (any, any) {
			return comparison(edit{"/checks", object{}}, edit{"/cut_off", list(object{"flow": "cement dust", "module": "A1", "mass": "0.1 %", "energy": "0.2 %", "item": "fibre-pp-macro", "reason": "a test"})})
		},
			func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) {
				r, err := svc.Compare(ctx, b, f...)
				if err == nil {
					r.Comparison.Checks = slices.DeleteFunc(r.Comparison.Checks, func(c service.Check) bool { return c.Check != service.CheckSensitivity })
				}
				return r, err
			}),
		"grid": two(func() (any, any) {
			return choosing(object{"axes": list(axis("fibre", variant("2", nil), variant("5", object{"mix": object{"by_ratio": object{"fibres": list(object{"item": "fibre-pp-macro", "amount": "5 kg/m3"})}}})))})
		}, func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) { return svc.Grid(ctx, b, f...) }),
		"search": two(func() (any, any) {
			return choosing(object{"minimise": "total_carbon", "cap": object{"measure": "net_present_value", "at_most": "90 EUR/m2"},
				"axes": list(steps("thickness", "/slab/thickness", "200 mm", "260 mm", "10 mm"), steps("fibre", "/mix/by_ratio/fibres/0/amount", "1 kg/m3", "5 kg/m3", "1 kg/m3"))})
		}, func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) { return svc.Search(ctx, b, f...) }),
		"break-even in what is overridden": two(func() (any, any) {
			return pair(object{"measure": "net_present_value", "variable": object{"item": "fibre-pp-macro", "of": "price"}, "range": object{"low": "0", "high": "30"}})
		}, func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) { return svc.BreakEven(ctx, b, f...) }),
		"break-even in another": two(func() (any, any) {
			return pair(object{"measure": "total_carbon", "variable": object{"pointer": "/alternatives/1/slab/thickness", "unit": "mm"}, "range": object{"low": "150", "high": "300"}})
		}, func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) { return svc.BreakEven(ctx, b, f...) }),
		"sensitivity": two(func() (any, any) { return pair(object{"measure": "net_present_value", "percent": "10 %"}) },
			func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) {
				return svc.Sensitivity(ctx, b, f...)
			}),
		"uncertainty": two(func() (any, any) { return around(object{"samples": 1000}) },
			func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) {
				return svc.Uncertainty(ctx, b, f...)
			}),
		"methods": two(func() (any, any) { return around(object{"real_discount_rates": list("3 %", "5 %")}) },
			func(ctx context.Context, b []byte, f ...fault.Fault) (any, error) { return svc.Methods(ctx, b, f...) }),
	}
	for name, c := range cases {
		var answers [2]any
		for i := range answers {
			body, err := json.Marshal(c[i])
			if err != nil {
				t.Fatal(err)
			}
			answer, err := c[2].(operation)(t.Context(), body)
			if err != nil {
				t.Fatal(name, i, err, service.Faults(err))
			}
			answers[i] = figuresOnly(t, answer)
		}
		if diff := gocmp.Diff(answers[1], answers[0]); diff != "" {
			t.Errorf("%s: published -, overridden +\n%s", name, diff)
		}
	}
}

// A version is shared by all requests, so an override of one is seen by no other.
func TestOverrideStaysInItsRequest(t *testing.T) {
	svc := newService(t)
	encoded := func(body []byte) string {
		text, err := service.Encode(compare(t, svc, body))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	before := encoded(request(t))
	asked := request(t, edit{"/overrides", whatIf()})
	if first := encoded(asked); first == before || first != encoded(asked) {
		t.Error("overrides change nothing, or not the same twice")
	}
	if encoded(request(t)) != before {
		t.Error("a request without overrides has another result after one with them")
	}
}

// sourceOf is an item among the sources of a result.
func sourceOf(t *testing.T, r *service.ComparisonResponse, code string) service.ItemUsed {
	t.Helper()
	i := slices.IndexFunc(r.Sources, func(s service.ItemUsed) bool { return strings.HasSuffix(s.Ref, "/"+code) })
	if i < 0 {
		t.Fatal("no source ", code)
	}
	return r.Sources[i]
}

// An overridden figure is an assumption of the alternatives that rest on it. Its source
// is the request; what the inventory says of its own figure is not said of it; and what
// it stands in place of is shown.
func TestOverrideIsSaid(t *testing.T) {
	svc := newService(t)
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		if code == "fibre-pp-macro" {
			price := *i.Price
			price.ValidUntil, price.MinQuantity = "2025-01-01", decimal.NewNullDecimal(dec("1000000000"))
			i.Price, i.FactorData.ValidUntil, i.FactorData.Characterisation, i.FactorData.Pedigree = &price, "2025-01-01", "ar5", inventory.Pedigree{1, 2, 3, 4, 5}
		}
	})
	newest := edit{"/inventory", "demo@2"}
	warned := func(r *service.ComparisonResponse) (codes []string) {
		for _, w := range r.Alternatives[1].Warnings {
			if strings.Contains(w.Message, "fibre-pp-macro") {
				codes = append(codes, w.Code)
			}
		}
		return codes
	}
	if got := warned(compare(t, svc, request(t, newest))); !slices.Equal(got, []string{"factor-expired", "price-expired", "price-below-quantity"}) {
		t.Fatalf("the inventory's own figures warn of %v", got)
	}
	r := compare(t, svc, request(t, newest, edit{"/overrides", whatIf()}))
	if got := warned(r); got != nil {
		t.Errorf("the figures of the request warn of %v", got)
	}
	fibre := r.Alternatives[1]
	wantStatement(t, fibre.Assumptions, "price-overridden", "fibre-pp-macro", "3.5 EUR/kg", "4.2 EUR/kg of demo@2", "quotation of March")
	wantStatement(t, fibre.Assumptions, "factor-overridden", "1.9 kg CO2e/kg", "2.35 kg CO2e/kg of demo@2")
	for i, want := range []bool{false, true} {
		if said := slices.ContainsFunc(r.Alternatives[i].Assumptions, func(s service.Statement) bool { return s.Pointer == "/overrides/0" }); said != want {
			t.Errorf("alternative %d says that it rests on the fibre: %t", i, said)
		}
	}
	s := sourceOf(t, r, "fibre-pp-macro")
	source := &inventory.Source{Kind: inventory.Assumption, Title: "quotation of March", Reference: "request/overrides/0"}
	if diff := gocmp.Diff([]*inventory.Source{source, source}, []*inventory.Source{s.PriceSource, s.FactorSource}); diff != "" {
		t.Error(diff)
	}
	if s.PriceDate+s.PriceValidUntil+s.PriceSpread+s.FactorValidUntil+s.FactorSpread+s.Characterisation != "" || s.PriceMinQuantity != nil || s.Pedigree != nil || s.PriceBasis != "delivered" || s.PriceTax != "excluded" {
		t.Errorf("what was said of the inventory's figures: %+v", s)
	}
	o := s.Overrides
	if o == nil || o.Layer != "demo@2" || o.Price.String() != "4.2" || o.Factor.String() != "2.35" || o.Pointer != "/overrides/0" || o.Reason != "quotation of March" || o.FactorSource == nil || o.FactorSource.Kind != inventory.Invented {
		t.Errorf("it stands in place of %+v", o)
	}
	if sourceOf(t, r, "gravel-20").Overrides != nil {
		t.Error("what is not overridden stands in place of something")
	}
	// The factor of the fibre's own transport is still that of the inventory.
	shares := func(r *service.ComparisonResponse) map[string]string {
		by := map[string]string{}
		for _, k := range r.Alternatives[1].Carbon.BySourceKind {
			by[k.SourceKind] = k.GWPKgCO2ePerM2.String()
		}
		return by
	}
	only := compare(t, svc, request(t, newest, edit{"/overrides", list(object{"item": "fibre-pp-macro", "factor": "1.9 kg CO2e/kg", "reason": "a test"})}))
	sum := decimal.Zero
	for _, l := range only.Alternatives[1].Carbon.Lines {
		if l.Item == "fibre-pp-macro" && l.Factor.Equal(dec("1.9")) {
			sum = sum.Add(l.GWPKgCO2ePerM2.Decimal)
		}
	}
	if got := shares(only)["assumption"]; sum.IsZero() || got != sum.String() {
		t.Errorf("%s kg CO2e of assumptions, the lines with the factor come to %s", got, sum)
	}
}

// Every fault of an override is told in one answer, with the faults of the rest; each
// names what is accepted.
func TestFaultsOfOverrides(t *testing.T) {
	svc := newService(t)
	o := func(item, price, factor string) object {
		given := object{"item": item, "reason": "a test"}
		if price != "" {
			given["price"] = price
		}
		if factor != "" {
			given["factor"] = factor
		}
		return given
	}
	found := faults(t, svc, request(t, edit{"/alternatives/0/slab/thickness", "240 miles"}, edit{"/overrides", list(
		o("fibre-pp-makro", "3 EUR/kg", ""),
		o("cement-cem-i", "", ""),
		o("gravel-20", "15 USD/t", "7 kg CO2e/kg"),
		o("diesel", "2 EUR/kg", "-1 kg CO2e/L"),
		o("sand-washed", "-3 EUR/t", "x kg CO2e/t"),
		o("gravel-20", "15 EUR/t", ""),
		o("joint-sawing", "3 EUR/m", "1 kg CO2e/m"))}))
	for _, want := range [][]string{
		{"/overrides/0/item", "item-unknown", "did you mean fibre-pp-macro"},
		{"/overrides/1", "one-of", "a price, a factor, or both"},
		{"/overrides/2/price", "currency-mismatch", "EUR"},
		{"/overrides/2/factor", "unit-incompatible", "2.1 kg CO2e/t"},
		{"/overrides/3/price", "unit-unknown", "EUR/L"},
		{"/overrides/3/factor", "out-of-range", "negative"},
		{"/overrides/4/price", "out-of-range", "negative"},
		{"/overrides/4/factor", "decimal-invalid"},
		{"/overrides/5/item", "duplicate-name", "/overrides/2"},
		{"/overrides/6/price", "price-missing", "diesel, plant-hire-saw"},
		{"/overrides/6/factor", "factor-missing", "diesel, plant-hire-saw"},
		{"/alternatives/0/slab/thickness", "unit-unknown"},
	} {
		wantFault(t, found, want[0], want[1], want[2:]...)
	}
	if len(found) != 12 {
		t.Errorf("%d faults: %+v", len(found), found)
	}
	// Inside another request they stand below the comparison.
	_, err := breakEven(t, svc, request(t, edit{"/overrides", list(o("diesel", "2 EUR/kg", ""))}), object2("variable", object2("item", "cement-cem-i", "of", "price"), "range", object2("low", "0", "high", "1")))
	wantFault(t, service.Faults(err), "/comparison/overrides/0/price", "unit-unknown", "EUR/L")
	// What is overridden is varied by its item, not by the text of the override.
	_, err = breakEven(t, svc, request(t, edit{"/overrides", whatIf()}), object2("variable", object2("pointer", "/overrides/0/price", "unit", "EUR/kg"), "range", object2("low", "0", "high", "1")))
	wantFault(t, service.Faults(err), "/variable/pointer", "pointer-unknown", "by its item")
}

// An override that nothing rests on is told: of an item that no alternative uses, of a
// price where nothing has a cost. The bundle has the row all the same.
func TestOverrideOfNoUse(t *testing.T) {
	svc := newService(t)
	unused := func(r *service.ComparisonResponse, alternative int) (found []string) {
		for _, w := range r.Alternatives[alternative].Warnings {
			if w.Code == "override-unused" {
				found = append(found, w.Pointer)
			}
		}
		return found
	}
	more := edit{"/overrides", append(whatIf(), object{"item": "fly-ash", "price": "1 EUR/kg", "factor": "1 kg CO2e/kg", "reason": "a test"})}
	r := compare(t, svc, request(t, more))
	for i := range r.Alternatives {
		if got := unused(r, i); !slices.Equal(got, []string{"/overrides/5/price", "/overrides/5/factor"}) {
			t.Errorf("alternative %d: %v", i, got)
		}
	}
	r = compare(t, svc, request(t, more, edit{"/economics", remove}))
	if got := unused(r, 0); !slices.Equal(got, []string{"/overrides/0/price", "/overrides/1/price", "/overrides/2/price", "/overrides/4/price", "/overrides/5/price", "/overrides/5/factor"}) {
		t.Errorf("without a cost: %v", got)
	}
	if v, err := service.VerifyAlone(t.Context(), bundleOf(t, svc, request(t, more)), anything); err != nil || !v.Match {
		t.Errorf("%v %+v", err, v)
	}
}

// A price or a factor that the inventory lacks may be given. A price is then one without
// transport, which rules of the request move, unless the item states its own transport.
func TestOverrideFillsAGap(t *testing.T) {
	svc := newService(t)
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		switch code {
		case "superplasticiser":
			i.Factors, i.FactorSource, i.FactorData = nil, nil, inventory.FactorData{}
		case "cement-cem-i", "fibre-pp-macro":
			i.Price = nil
		}
	})
	transport := append(compare(t, svc, request(t)).Alternatives[0].Resolved.Transport, service.TransportRule{Category: "admixture", To: "plant", Mode: "lorry-rigid", Distance: "80 km"})
	edits := []edit{{"/inventory", "demo@2"}, {"/alternatives/0/transport", transport}}
	found := faults(t, svc, request(t, edits...))
	wantFault(t, found, "/alternatives/0/mix/constituents/4/item", "factor-missing")
	wantFault(t, found, "/alternatives/0/mix/constituents/0/item", "price-missing")
	wantFault(t, found, "/alternatives/1/mix/add/0/item", "price-missing")
	body := request(t, append(edits, edit{"/overrides", list(object{"item": "superplasticiser", "factor": "1.5 kg CO2e/kg", "reason": "a guess"},
		object{"item": "cement-cem-i", "price": "0.2 EUR/kg", "reason": "a guess"}, object{"item": "fibre-pp-macro", "price": "4 EUR/kg", "reason": "a guess"})})...)
	r := compare(t, svc, body)
	wantStatement(t, r.Alternatives[0].Assumptions, "price-overridden", "0.2 EUR/kg", "where demo@2 has none", "ex-works")
	wantStatement(t, r.Alternatives[0].Assumptions, "factor-overridden", "1.5 kg CO2e/kg", "where demo@2 has none")
	for code, basis := range map[string]string{"cement-cem-i": "ex-works", "fibre-pp-macro": "delivered"} {
		if s := sourceOf(t, r, code); s.PriceBasis != basis || s.PriceTax != "" || s.Overrides.Price != nil || s.Overrides.Factor == nil {
			t.Errorf("%+v %+v", s, s.Overrides)
		}
	}
	if o := sourceOf(t, r, "superplasticiser").Overrides; o.Factor != nil || o.Price == nil {
		t.Errorf("%+v", o)
	}
	if slices.ContainsFunc(r.Alternatives[0].Warnings, func(w service.Statement) bool { return w.Code == "tax-mixed" }) {
		t.Error("a price of no stated tax is told to be mixed with others")
	}
	if said := newChecker(t).says(t, bundleOf(t, svc, body)); said != "match" {
		t.Errorf("the checker says %q", said)
	}
	// It can be varied like a price of the inventory.
	be := mustBreakEven(t, svc, body, object2("variable", object2("item", "fibre-pp-macro", "of", "price"), "range", object2("low", "0", "high", "5")))
	if be.Variable.Nominal.String() != "4" {
		t.Errorf("varied from %s", be.Variable.Nominal)
	}
}

// The factor of a request stands whatever the allocation.
func TestOverrideGoesBeforeAnAllocation(t *testing.T) {
	svc := newService(t)
	slagDemo(t, svc)
	r := compare(t, svc, changed(t, slagComparison(t), edit{"/data_requirements", object{"allocation": "mass"}}, edit{"/overrides", list(object{"item": "ggbs", "factor": "0.5 kg CO2e/kg", "reason": "a test"})}))
	for _, l := range r.Alternatives[1].Carbon.Lines {
		if l.Item == "ggbs" && l.Module == "A1" && !l.Factor.Equal(dec("0.5")) {
			t.Errorf("the factor of slag is %s", l.Factor)
		}
	}
	for _, s := range slices.Concat(r.Alternatives[1].Assumptions, r.Alternatives[1].Warnings) {
		if strings.HasPrefix(s.Code, "allocation-") && strings.Contains(s.Message, "ggbs") {
			t.Errorf("%+v", s)
		}
	}
}

// A spread of the inventory is that of its own figure, so an overridden one is held;
// a spread or a percentage of the request is of the figure that the request gives.
func TestOverriddenFigureDoesNotScatterByItself(t *testing.T) {
	svc := newService(t)
	body := request(t, edit{"/overrides", whatIf()})
	of := func(r *service.UncertaintyResponse) (held, basis, nominal string) {
		for _, f := range r.Fixed {
			if f.Name == "price of fibre-pp-macro" {
				held = f.Reason
			}
		}
		for _, in := range r.Inputs {
			if in.Name == "price of fibre-pp-macro" {
				basis, nominal = in.Basis, in.Nominal.String()
			}
		}
		return held, basis, nominal
	}
	r := uncertaintyOf(t, svc, body, object2("samples", 1000))
	if held, basis, _ := of(r); !strings.Contains(held, "the request overrides it") || basis != "" {
		t.Errorf("held: %q, basis %q", held, basis)
	}
	if !slices.ContainsFunc(r.Notices, func(n string) bool { return strings.Contains(n, "the price of fibre-pp-macro is 3.5 EUR/kg") }) {
		t.Errorf("no notice of the override: %v", r.Notices)
	}
	if _, basis, nominal := of(uncertaintyOf(t, svc, body, object2("samples", 1000, "percent", "10 %"))); basis != "request percent" || nominal != "3.5" {
		t.Errorf("by a percentage: basis %q, nominal %s", basis, nominal)
	}
	if _, basis, nominal := of(uncertaintyOf(t, svc, body, object2("samples", 1000, "spreads", list(spread("item", "fibre-pp-macro", "of", "price", "distribution", "triangular", "low", "0.8", "high", "1.2"))))); basis != "request" || nominal != "3.5" {
		t.Errorf("by a spread: basis %q, nominal %s", basis, nominal)
	}
}

// An explanation says that a figure comes from the request, and where it stands there.
func TestExplanationOfAnOverriddenFigure(t *testing.T) {
	svc := newService(t)
	body := request(t, edit{"/overrides", whatIf()})
	r := compare(t, svc, body)
	price := slices.IndexFunc(r.Alternatives[1].Cost.Lines, func(l service.CostLine) bool { return l.Item == "fibre-pp-macro" })
	factor := slices.IndexFunc(r.Alternatives[1].Carbon.Lines, func(l service.CarbonLine) bool { return l.Item == "fibre-pp-macro" && l.Module == "A1" })
	own := slices.IndexFunc(r.Alternatives[1].Carbon.Lines, func(l service.CarbonLine) bool { return l.Item == "fibre-pp-macro" && l.Module == "A2" })
	leaf := func(pointer, name string) service.TermSource {
		var c any
		if err := json.Unmarshal(body, &c); err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(object{"comparison": c, "pointer": pointer})
		if err != nil {
			t.Fatal(err)
		}
		e, err := svc.Explain(t.Context(), text)
		if err != nil {
			t.Fatal(err, service.Faults(err))
		}
		for _, term := range e.Figure.Terms {
			if term.Name == name {
				return *term.Source
			}
		}
		t.Fatalf("no %s in %s", name, pointer)
		return service.TermSource{}
	}
	at := func(of string, i int, member string) string {
		return string(fault.Path("/alternatives/1").At(of, "lines", i, member))
	}
	if got := leaf(at("cost", price, "cost_per_m2"), "price of fibre-pp-macro"); got.Pointer != "/overrides/0/price" || got.Written != "3.5 EUR/kg" || got.Item != "" {
		t.Errorf("%+v", got)
	}
	if got := leaf(at("carbon", factor, "gwp_kg_co2e_per_m2"), "factor of fibre-pp-macro"); got.Pointer != "/overrides/0/factor" || got.Written != "1.9 kg CO2e/kg" {
		t.Errorf("%+v", got)
	}
	if got := leaf(at("carbon", own, "gwp_kg_co2e_per_m2"), "factor of fibre-pp-macro"); got.Item != "demo@1/fibre-pp-macro" || got.Document == nil || got.Document.Kind != inventory.Invented {
		t.Errorf("the factor of its own transport: %+v", got)
	}
}

// A study keeps its overrides on another version: what moves there in a figure that it
// overrides moves nothing.
func TestRerunKeepsTheOverrides(t *testing.T) {
	svc := newService(t)
	study, err := svc.CreateStudy(t.Context(), nil, service.NewStudy{Name: "What if", Request: request(t, edit{"/overrides", whatIf()})})
	if err != nil {
		t.Fatal(err, service.Faults(err))
	}
	to := republish(t, svc, func(items []inventory.Item) []inventory.Item {
		for i := range items {
			switch items[i].Code {
			case "fibre-pp-macro", "cement-cem-i":
				items[i].Price.Amount = items[i].Price.Amount.Mul(dec("1.1"))
			case "gravel-20":
				items[i].Price.Amount = items[i].Price.Amount.Mul(dec("1.5"))
			}
		}
		return items
	})
	r := rerun(t, svc, study.ID, to)
	if !r.Reproduced {
		t.Error("the saved result is not that of today")
	}
	if got := slices.Collect(maps.Keys(parts(r, service.MeasureNPV))); !slices.Equal(got, []string{"gravel-20 price"}) {
		t.Errorf("what moves: %v", got)
	}
	if s := sourceOf(t, r.Result, "fibre-pp-macro"); s.Overrides == nil || s.Overrides.Price.String() != "4.62" || s.Overrides.Layer != to {
		t.Errorf("it stands in place of %+v", s.Overrides)
	}
}

// A bundle has the rows of the inventory, not those of the request: it is computed
// again from them and its request, here, from its own rows, and by the checker; each
// finds a digit of an override that was changed.
func TestBundleWithOverrides(t *testing.T) {
	svc, check := newService(t), newChecker(t)
	text := bundleOf(t, svc, request(t, edit{"/overrides", whatIf()}))
	var document object
	if err := json.Unmarshal(text, &document); err != nil {
		t.Fatal(err)
	}
	rows := document["inventory"].(object)["rows"].([]any)
	if i := slices.IndexFunc(rows, func(row any) bool { return row.(object)["code"] == "fibre-pp-macro" }); i < 0 || rows[i].(object)["price"].(object)["amount"] != "4.2" {
		t.Errorf("row %d is not that of the inventory", i)
	}
	for name, verify := range map[string]func([]byte) (*service.Verification, error){
		"stored": func(b []byte) (*service.Verification, error) { return svc.Verify(t.Context(), b, anything) },
		"rows":   func(b []byte) (*service.Verification, error) { return service.VerifyAlone(t.Context(), b, anything) },
	} {
		if v, err := verify(text); err != nil || !v.Match {
			t.Errorf("%s: %v %+v", name, err, v)
		}
		if v, err := verify(changed(t, text, edit{"/request/overrides/1/price", "0.3 EUR/kg"})); err != nil || v.Match || v.FirstDifference == nil {
			t.Errorf("%s, another price in the request: %v %+v", name, err, v)
		}
	}
	if said := check.says(t, text); said != "match" {
		t.Errorf("the checker says %q", said)
	}
	if said := check.says(t, changed(t, text, edit{"/request/overrides/1/price", "0.3 EUR/kg"})); !strings.HasPrefix(said, "differs /result/alternatives/0/") {
		t.Errorf("another price in the request: the checker says %q", said)
	}
	if said := check.says(t, changed(t, text, edit{"/request/overrides/1/until", "2027"})); said != "unknown /request/overrides/1/until" {
		t.Errorf("a member that it does not know: the checker says %q", said)
	}
	for i, s := range document["result"].(object)["sources"].([]any) {
		if s := s.(object); s["overrides"] != nil {
			for _, member := range []string{"price", "factor"} {
				at := string(fault.Path("/result/sources").At(i, "overrides", member))
				value, _ := oneDigit(s["overrides"].(object)[member])
				if said := check.says(t, changed(t, text, edit{at, value})); said != "differs "+at {
					t.Errorf("%s: the checker says %q", at, said)
				}
			}
		}
	}
}
