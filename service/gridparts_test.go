package service

// Only what is inside the package can hold the two ways of evaluating a grid against each
// other.

import (
	"bytes"
	"os"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/inventory"
	"slabledger/lca/fault"
)

// demoCatalogue is the inventory of the demo, as testdata has it but for what is edited.
func demoCatalogue(t testing.TB, edits ...func(*inventory.Item)) *catalogue {
	t.Helper()
	_, meta, err := inventory.ReadMeta(demoFile(t, "demo/inventory.json"))
	if err != nil {
		t.Fatal(err)
	}
	items, err := inventory.ReadCSV(bytes.NewReader(demoFile(t, "demo/items.csv")), meta)
	if err != nil {
		t.Fatal(err)
	}
	for i := range items {
		for _, edit := range edits {
			edit(&items[i])
		}
	}
	return newCatalogue(&inventory.Version{Slug: "demo", Number: 1, Meta: meta, Items: items}, nil)
}

func demoFile(t testing.TB, name string) []byte {
	t.Helper()
	text, err := os.ReadFile("../testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// sizedGrid is a grid over the plain slab of the sized scenario.
func sizedGrid(t testing.TB) GridRequest {
	t.Helper()
	var req ComparisonRequest
	if err := json.Unmarshal(demoFile(t, "scenarios/sized.json"), &req); err != nil {
		t.Fatal(err)
	}
	return GridRequest{Inventory: req.Inventory, FunctionalUnit: req.FunctionalUnit, Economics: req.Economics, Alternative: req.Alternatives[0]}
}

// questions are axes of every part of an alternative, some with faults, and some whose
// figures do not add up by the parts. Which variants a grid has is drawn.
var questions = map[string][]string{
	"thickness": {`{}`, `{"slab":{"thickness":"240 mm"}}`, `{"slab":{"thickness":"95 mm"}}`, `{"slab":{"thickness":"9.5 in"}}`, `{"slab":{"thickness":"3 m"}}`,
		`{"slab":{"thickness":{"edge":{"dowels":false}}}}`, `{"slab":{"thickness":{"strength":{"modulus_of_rupture":"9 MPa"}}}}`, `{"slab":{"thickness":{"soil":{"k":"60"}}}}`},
	"mix": {`{}`, `{"mix":{"add":[{"item":"fibre-pp-macro","amount":"0.5 % by volume"}]}}`, `{"mix":{"air":"3 %"},"slab":{"waste":{"concrete":"4 %"}}}`, `{"mix":{"air":"40 %"}}`,
		`{"mix":{"stages":[{"name":"slurry","mixer":"mixer-small","minutes":4,"takes":[{"category":"binder","share":"20 %"},{"item":"water-mains","water_binder_ratio":"0.30"}]},{"name":"main","mixer":"mixer-pan","minutes":3,"takes":"rest"}]}}`,
		`{"mix":{"constituents":[{"item":"cement-cem-ii","amount":"360 kg/m3"},{"item":"water-mains","amount":"150 kg/m3"},{"item":"gravel-20","amount":"1120 kg/m3"},{"item":"sand-washed","amount":"balance"}]}}`},
	"haul": {`{}`, `{"transport":[{"category":"binder","to":"plant","mode":"rail-freight","distance":"300 km"},{"category":"aggregate","to":"plant","mode":"lorry-rigid","distance":"35 km"},{"category":"concrete","to":"site","mode":"truck-mixer","distance":"8 km"},{"category":"fibre","to":"plant","mode":"lorry-rigid","distance":"500 km"},{"category":"waste","to":"disposal","mode":"lorry-rigid","distance":"20 km"}]}`,
		`{"transport":[{"category":"cement","to":"plant","mode":"lorry-rigid","distance":"35 km"}]}`},
	"joints": {`{}`, `{"slab":{"joints":{"spacing":"12 m"}}}`, `{"slab":{"lane_width":"12 ft"}}`, `{"slab":{"joints":{"spacing":"5 m","dowel":""}}}`, `{"slab":{"layers":[{"item":"cement-bound-base","thickness":"120 mm"}]}}`},
	"works": {`{}`, `{"construction":[{"item":"paving-fixed-form"},{"item":"texturing","share":"50 %"}]}`, `{"end_of_life":[{"item":"demolition","module":"C1"},{"item":"concrete-recycling","module":"C3","share":"70 %"},{"item":"concrete-landfill","module":"C4","share":"30 %"}]}`,
		`{"end_of_life":[{"item":"concrete-recycling","module":"D"}]}`, `{"construction":[{"item":"base-laying","user_cost":"1.25 EUR/m2"}]}`},
	"upkeep": {`{}`, `{"maintenance":[]}`, `{"maintenance":[{"item":"joint-resealing","every_years":50}]}`, `{"strategy":"repairs"}`, `{"strategy":"unheard of"}`,
		`{"maintenance":[{"item":"demolition","years":[12,30],"share":"7 %","module":"B4","life_years":25},{"item":"joint-resealing","every_years":8}]}`},
	"value": {`{}`, `{"residual":{"method":"remaining_life","life_years":50}}`, `{"residual":{"method":"straight_line","life_years":60,"final_value":"2 EUR/m2"}}`, `{"residual":{"method":"given","value":"3.21 EUR/m2"}}`, `{"residual":{"method":"given"}}`},
	"other": {`{}`, `{"service":{"design_life_years":30,"exposure_class":"XF4"}}`, `{"service":{"design_life_years":45}}`, `{"specified_concrete":{"compressive_strength":"30 MPa"}}`, `{"specified_concrete":{"compressive_strength":"30"}}`,
		`{"carbonation":{"k":"1.6 mm/year^0.5","degree":"85 %","cements":[{"item":"cement-cem-i","clinker":"95 %","reactive_cao":"65 %"}]}}`},
}

// A grid whose combinations are computed from their parts has the rows that it has where
// each combination is evaluated by itself. The parts are not used where those find a fault.
func TestRowsOfAGridFromItsPartsAreThoseOfEachByItself(t *testing.T) {
	c := demoCatalogue(t, func(it *inventory.Item) {
		switch it.Code {
		case "fibre-pp-macro", "cement-bound-base":
			it.Price.ValidUntil = "2030-01-01"
		case "paving-fixed-form":
			it.FactorData.ValidUntil = "2030-01-01"
		case "cement-cem-ii":
			it.Price.MinQuantity = decimal.NewNullDecimal(decimal.New(600_000, 0)) // kg, between the slabs
		case "texturing":
			it.Price.Tax = inventory.TaxIncluded
		}
	})
	plain := sizedGrid(t)
	used := 0
	rapid.Check(t, func(rt *rapid.T) {
		req := plain
		names := rapid.Permutation(sortedNames(questions)).Draw(rt, "axes")[:rapid.IntRange(1, 3).Draw(rt, "count")]
		req.Axes = nil
		for _, name := range names {
			axis := GridAxis{Name: name}
			for _, text := range rapid.Permutation(questions[name]).Draw(rt, name)[:rapid.IntRange(1, 3).Draw(rt, name+" count")] {
				axis.Variants = append(axis.Variants, namedByText(t, text))
			}
			req.Axes = append(req.Axes, axis)
		}
		req.Strategies = []Strategy{{Name: "repairs", Maintenance: []Event{{Item: "full-depth-repair", Years: []int{20}, Share: "5 %"}, {Item: "partial-patching", EveryYears: 15, Share: "2 %", LifeYears: 20}}}}
		switch rapid.IntRange(0, 3).Draw(rt, "money") {
		case 0:
			req.Economics = nil
		case 1:
			own := *req.Economics
			own.RealEscalation = []Escalation{{Category: "operation", Rate: "1 %"}, {Category: "fuel", Rate: "1.5 %"}}
			req.Economics = &own
		case 2:
			req.DataRequirements = &DataRequirements{AsOf: "2040-01-01", Strict: rapid.IntRange(0, 9).Draw(rt, "strict") == 0}
		}
		rows := func(byParts bool) (text []byte, found []fault.Fault, ok bool) {
			g := grid{req: req}
			g.check()
			s := readStudy(c, req.FunctionalUnit, req.Economics, req.Overrides, &g.faults)
			s.readRequirements(req.DataRequirements, &g.faults)
			s.readStrategies(req.Strategies, &g.faults)
			s.brief, s.sizes = true, ofAnyThickness()
			if !g.faults.Empty() {
				rt.Fatal(g.faults.All())
			}
			var list []*evaluated
			if byParts {
				if list, ok = g.byParts(rt.Context(), s); !ok {
					return nil, nil, false
				}
			} else {
				if err := g.combine(rt.Context()); err != nil {
					rt.Fatal(err)
				}
				var err error
				if list, err = s.evaluate(rt.Context(), g.all, g.locate, maxGridFlows, &g.faults); err != nil {
					return nil, Faults(err), true
				}
			}
			text, err := Encode(g.rows(s, list))
			if err != nil {
				rt.Fatal(err)
			}
			return text, nil, true
		}
		whole, faults, _ := rows(false)
		parts, _, ok := rows(true)
		switch {
		case ok && faults != nil:
			rt.Fatalf("the parts do not find %v", faults)
		case ok:
			used++
			if !bytes.Equal(whole, parts) {
				rt.Fatal(cmp.Diff(string(whole), string(parts)))
			}
		}
	})
	if used == 0 {
		t.Error("no grid was computed from its parts")
	}
	t.Logf("%d grids were computed from their parts", used)
}

// namedByText gives a variant its own text as its name.
func namedByText(t testing.TB, text string) jsontext.Value {
	t.Helper()
	var v map[string]jsontext.Value
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatal(err)
	}
	name, err := json.Marshal(text)
	if err != nil {
		t.Fatal(err)
	}
	v["name"] = name
	out, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return out
}
