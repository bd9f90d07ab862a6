package service_test

import (
	"bufio"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"

	"slabledger/inventory/storetest"
	"slabledger/lca/fault"
	"slabledger/service"
)

// checker is docs/verify.py, which shares no code with the engine, waiting for bundles.
type checker struct {
	in  io.WriteCloser
	out *bufio.Reader
}

func newChecker(t *testing.T) *checker {
	t.Helper()
	python, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("CI needs python3 for docs/verify.py")
		}
		t.Skip("needs python3 for docs/verify.py")
	}
	command := exec.CommandContext(t.Context(), python, "../docs/verify.py", "--lines")
	in, err := command.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = in.Close()
		_ = command.Wait()
	})
	return &checker{in, bufio.NewReader(out)}
}

// says is the answer to one bundle: "match", or "differs" with the pointer.
func (c *checker) says(t testing.TB, bundle []byte) string {
	t.Helper()
	if _, err := c.in.Write(append(trimmed(bundle), '\n')); err != nil {
		t.Fatal(err)
	}
	line, err := c.out.ReadString('\n')
	if err != nil {
		t.Fatal("the checker ended: ", err)
	}
	return strings.TrimSpace(line)
}

// trimmed is a bundle on one line.
func trimmed(bundle []byte) []byte {
	return []byte(strings.TrimSuffix(string(bundle), "\n"))
}

// comparisons makes random valid comparisons over the demo region.
type comparisons struct{ *rand.Rand }

func (r comparisons) maybe(percent int) bool { return r.IntN(100) < percent }

func (r comparisons) one(of ...string) string { return of[r.IntN(len(of))] }

// between is a decimal of one place, with a unit.
func (r comparisons) between(low, high int, unit string) string {
	return fmt.Sprintf("%d.%d %s", low+r.IntN(high-low), r.IntN(9)+1, unit)
}

func (r comparisons) share(low, high int) string { return r.between(low, high, "%") }

// comparison is a request for two to four alternatives.
func (r comparisons) comparison() object {
	period := 5 + r.IntN(60)
	c := object{"inventory": "demo@1", "baseline": "a",
		"functional_unit": object{"area": r.one("7300 m2", "1.25 ha", "9000 yd2", "1 m2", "81234.5 ft2"), "analysis_period_years": period}}
	priced := r.maybe(85)
	if priced {
		c["economics"] = r.economics()
	}
	us := r.maybe(20)
	first := object{"name": "a", "mix": r.mix(), "slab": r.slab(us), "transport": r.transport()}
	r.works(first, period, priced)
	alternatives := []any{first}
	for _, name := range []string{"b", "c, \"d\" é", "e~/f"}[:1+r.IntN(3)] {
		alternatives = append(alternatives, r.another(name, us, period, priced))
	}
	if r.maybe(20) {
		c["equivalence_override"] = object{"reason": "a test"}
	}
	c["alternatives"] = alternatives
	return c
}

func (r comparisons) economics() object {
	e := object{"real_discount_rate": r.one("0 %", "3 %", "1.75 %", "-0.3 %", "7 %", "12.345 %")}
	if r.maybe(40) {
		e["real_escalation"] = []any{object{"category": "cement", "rate": r.one("1 %", "-0.5 %")}, object{"category": "operation", "rate": r.one("2.25 %", "0 %")}, object{"category": "fuel", "rate": "3 %"}}
	}
	switch r.IntN(4) {
	case 0:
		e["carbon_price"] = object{"amount": "80 EUR/t", "real_growth": r.one("2 %", "-1 %")}
	case 1:
		e["carbon_price"] = object{"by_year": []any{object{"from_year": 0, "amount": "65.5 EUR/t"}, object{"from_year": 11, "amount": "120 EUR/t"}}}
	}
	return e
}

// newest lays over a comparison, at random, what the request gained last: plans that
// are shared or go by age, other rates, user cost and a price of carbon in the cost,
// service lives, uptake of CO2, and what a comparison as a whole may ask for.
func (r comparisons) newest(c object) object {
	alternatives := c["alternatives"].([]any)
	if r.maybe(50) {
		c["strategies"] = []any{object{"name": "by age", "maintenance": r.planByAge()}, object{"name": "none", "maintenance": []any{}},
			object{"name": "in years", "maintenance": []any{object{"item": "partial-patching", "every_years": 4 + r.IntN(9), "share": r.share(1, 9), "life_years": 6}}}}
		for i := range alternatives {
			if a := alternatives[i].(object); r.maybe(60) {
				delete(a, "maintenance")
				a["strategy"] = r.one("by age", "by age", "in years", "none")
			}
		}
	} else if a := alternatives[0].(object); r.maybe(40) {
		a["maintenance"] = r.planByAge()
	}
	if eco, priced := c["economics"].(object); priced {
		r.rates(eco)
		r.inCost(eco)
	}
	for i := range alternatives {
		if a := alternatives[i].(object); (i == 0 || a["carbonation"] != nil) && r.maybe(40) {
			a["carbonation"] = r.carbonation()
		}
	}
	if first := alternatives[0].(object)["mix"].(object); first["stages"] == nil && r.maybe(30) {
		alternatives[1].(object)["mix"] = object{"by_ratio": r.ratios()}
	}
	if r.maybe(40) {
		r.lives(c)
	}
	r.beside(c)
	if r.maybe(40) {
		c["overrides"] = r.overrides()
	}
	return c
}

// overrides gives prices and factors of up to four items, which a comparison may rest on
// or not.
func (r comparisons) overrides() (list []any) {
	for _, of := range [][2]string{{"cement-cem-i", "kg"}, {"fibre-pp-macro", "kg"}, {"diesel", "L"}, {"lorry-articulated", "t.km"}, {"concrete-recycling", "t"}, {"paving-slipform", "m2"}, {"fly-ash", "kg"}} {
		if len(list) == 4 || r.maybe(50) {
			continue
		}
		o := object{"item": of[0], "reason": "a test, \"quoted\" é"}
		if r.maybe(60) {
			o["price"] = r.one("0", "0.123456789", "3.50", "17") + " EUR/" + of[1]
		}
		if o["price"] == nil || r.maybe(50) {
			o["factor"] = r.one("0", "0.987654321", "2.10", "12") + " kg CO2e/" + of[1]
		}
		list = append(list, o)
	}
	if list == nil {
		list = []any{object{"item": "gravel-20", "factor": "7.1 kg CO2e/t", "reason": "a test"}}
	}
	return list
}

// beside asks for what a comparison answers beside its figures.
func (r comparisons) beside(c object) {
	if r.maybe(30) {
		for _, a := range c["alternatives"].([]any) {
			a.(object)["specified_concrete"] = object{"strength_class": r.one("C25/30", "C30/37"), "compressive_strength": r.one("30 MPa", "4000 psi"), "high_early_strength": r.maybe(50)}
		}
		table := []any{object{"strength_class": "C25/30", "limit": "250 kg CO2e/m3"}, object{"strength_class": "C30/37", "limit": r.one("284 kg CO2e/m3", "505 lb CO2e/yd3")}}
		ranges := []any{object{"to": "4200 psi", "limit": "302 kg CO2e/yd3"}, object{"from": "30 MPa", "to": "60 MPa", "limit": "400 kg CO2e/yd3"}}
		if r.maybe(50) {
			ranges = []any{object{"from": "20 MPa", "limit": "60 kg CO2e/m2"}}
		}
		c["limits"] = []any{object{"name": "by class", "clause": "1", "scope": "A1-A3", "by_strength": table, "high_early_factor": "1.3"},
			object{"name": "by strength", "clause": "2", "scope": "A1-A3", "by_strength": ranges},
			object{"name": "of the slab", "clause": "3", "scope": r.one("A1-A3", "A1-A5", "A1-C4", "declared"), "limit": r.one("70 kg CO2e/m2", "1 kg CO2e/yd2"), "valid_from": "2026-01-01"}}
		c["data_requirements"] = object{"as_of": r.one("2025-12-31", "2026-02-01")}
	}
	if r.maybe(30) {
		objectives := []any{object{"measure": "total_carbon"}, object{"measure": r.one("thickness", "cradle_to_gate_carbon")}, object{"measure": "carbon_of_modules", "modules": []any{"A4", "A1-A3"}}}
		if _, priced := c["economics"]; priced {
			objectives[0] = object{"measure": r.one("net_present_value", "initial_cost", "total_carbon")}
		}
		c["objectives"] = objectives
		c["weighting"] = object{"normalisation": r.one("min_max", "baseline"), "weights": []any{"0.5", "0.2", "0.3"}}
		if r.maybe(50) {
			c["objectives"], c["weighting"].(object)["weights"] = objectives[:2], []any{"0.65", "0.35"}
		}
	}
	if r.maybe(30) {
		c["cut_off"] = []any{object{"flow": "release agent", "module": "A3", "mass": "0.1 %", "energy": "0.25 %", "reason": "a test"},
			object{"flow": "fibres", "module": "A1", "mass": r.share(0, 1), "energy": "0.3 %", "item": "fibre-pp-micro", "reason": "a test"},
			object{"flow": "wear of the mixer", "module": "A3", "process": "mixing", "mass": "0.2 %", "energy": "0 %", "reason": "a test"}}
	}
	if r.maybe(5) {
		c["checks"] = object{}
	}
}

// ratios is a mix by ratios; the air may come from the mix that it takes the place of.
func (r comparisons) ratios() object {
	q := object{"binder": r.between(330, 420, "kg/m3"), "water_binder_ratio": r.one("0.45", "0.432"), "cement": r.one("cement-cem-i", "cement-cem-iii"), "water": "water-mains",
		"aggregates": list(object{"item": "gravel-20", "share": "60.5 %"}, object{"item": "sand-washed", "share": "39.5 %"})}
	switch r.IntN(3) {
	case 0:
		delete(q, "binder")
		q["mixing_water"] = r.between(150, 175, "kg/m3")
	case 1:
		delete(q, "water_binder_ratio")
		q["mixing_water"] = r.between(150, 175, "kg/m3")
	}
	if r.maybe(50) {
		q["aggregates"] = list(object{"item": "sand-washed", "share": "70 %"}, object{"item": "gravel-20", "bulk_volume": "0.61", "dry_rodded_density": "1600 kg/m3"}, object{"item": "sand-manufactured", "share": "30 %"})
	}
	if r.maybe(50) {
		q["replacement"] = list(object{"item": "fly-ash", "share": r.share(5, 30)})
	}
	if r.maybe(50) {
		q["admixtures"] = list(object{"item": "superplasticiser", "amount": r.between(0, 2, "% of binder")})
		q["fibres"] = list(object{"item": "fibre-pp-macro", "amount": "0.4 % by volume"})
	}
	return q
}

// planByAge is a plan in which treatments follow the age of the slab and each other.
func (r comparisons) planByAge() []any {
	overlay := object{"item": "paving-fixed-form", "module": r.one("B4", "B5"), "at_age_years": 5 + r.IntN(20), "share": r.share(20, 90)}
	if r.maybe(60) {
		overlay["life_years"] = 5 + r.IntN(20)
	}
	plan := []any{overlay}
	sealing := object{"item": "surface-grinding", "at_age_years": 2 + r.IntN(9), "user_cost": r.between(0, 4, "EUR/m2")}
	if r.maybe(60) {
		sealing["after"] = "paving-fixed-form"
	}
	if r.maybe(60) {
		sealing["life_years"] = 3 + r.IntN(9)
	}
	return append([]any{sealing}, plan...) // what follows another may stand before it
}

// rates are nominal, by a schedule, or real, with escalation of categories and items.
func (r comparisons) rates(eco object) {
	escalation := []any{object{"category": "cement", "rate": r.one("1 %", "-0.5 %", "2 %")}, object{"item": "plant-hire-grinder", "rate": r.one("0.75 %", "0 %")}, object{"item": "cement-cem-i", "rate": "1.5 %"}}
	switch r.IntN(3) {
	case 0:
		delete(eco, "real_discount_rate")
		delete(eco, "real_escalation")
		eco["nominal_discount_rate"], eco["inflation"] = r.one("5.06 %", "4 %", "2 %", "3.3 %"), r.one("2 %", "1.1 %", "0 %", "-0.5 %")
		if r.maybe(70) {
			eco["nominal_escalation"] = escalation
		}
		if p, ok := eco["carbon_price"].(object); ok && p["real_growth"] != nil {
			delete(p, "real_growth")
			p["nominal_growth"] = r.one("3 %", "2 %")
		}
	case 1:
		delete(eco, "real_discount_rate")
		eco["discount_rate_schedule"] = []any{object{"from_year": 0, "rate": r.one("3.5 %", "0 %", "4 %")}, object{"from_year": 7 + r.IntN(20), "rate": r.one("3 %", "-0.2 %", "0 %")}, object{"from_year": 40, "rate": "2.5 %"}}[:1+r.IntN(3)]
	default:
		eco["real_escalation"] = escalation
	}
}

// inCost counts user cost and the price of carbon in the cost, or says that they do not.
func (r comparisons) inCost(eco object) {
	if r.maybe(50) {
		eco["include_user_cost"] = r.maybe(60)
	}
	if p, ok := eco["carbon_price"].(object); ok && r.maybe(70) {
		p["in_cost"], p["price_year"], p["source"] = r.maybe(70), 2020+r.IntN(5), "a test"
	}
}

func (r comparisons) carbonation() object {
	c := object{"cements": []any{object{"item": "cement-cem-i", "clinker": "95 %", "reactive_cao": "65 %"}, object{"item": "cement-cem-ii", "clinker": r.share(65, 79), "reactive_cao": "65 %"},
		object{"item": "cement-cem-iii", "clinker": r.share(35, 64), "reactive_cao": r.share(60, 66)}}}
	if r.maybe(50) {
		c["k"], c["degree"] = r.one("1.6 mm/year^0.5", "0.37 mm/year^0.5", "60 mm/year^0.5"), r.share(50, 99)
		return c
	}
	c["strength_class"], c["exposure"] = r.one("C12/15", "C25/30", "C35/45", "C50/60"), r.one("exposed_to_rain", "sheltered_from_rain", "in_ground")
	if r.maybe(30) {
		c["degree"] = "80 %"
	}
	return c
}

// lives gives each slab a service life, on which its residual value counts too.
func (r comparisons) lives(c object) {
	c["functional_unit"].(object)["unequal_lives"] = r.one("common_period", "annual_equivalent")
	for i := range c["alternatives"].([]any) {
		a, life := c["alternatives"].([]any)[i].(object), 8+r.IntN(50)
		slab, ok := a["slab"].(object)
		if !ok {
			slab = object{}
			a["slab"] = slab
		}
		slab["service_life_years"] = life
		first := c["alternatives"].([]any)[0].(object)["residual"]
		if kept, ok := first.(object); ok && kept["life_years"] != nil {
			if i == 0 {
				kept["life_years"] = life
			} else {
				a["residual"] = object{"life_years": life}
			}
		}
	}
}

// another is an alternative that is like the first in all but some members.
func (r comparisons) another(name string, us bool, period int, priced bool) object {
	a := object{"name": name, "like": "a"}
	if r.maybe(70) {
		a["slab"] = object{"thickness": r.thickness(us)}
	}
	switch r.IntN(3) {
	case 0:
		a["mix"] = object{"add": []any{object{"item": "fibre-pp-micro", "amount": r.between(0, 2, "% by volume")}}}
	case 1:
		a["mix"] = r.mix()
	}
	if r.maybe(30) {
		a["transport"] = r.transport()
	}
	if r.maybe(40) {
		r.works(a, period, priced)
		delete(a, "residual") // whose members would be laid over those of another method
	}
	return a
}

// mix is a mix whose sand closes the volume, or whose volumes close by themselves.
func (r comparisons) mix() object {
	us := r.maybe(15)
	mass := func(low, high int) string {
		if us {
			return r.between(low*17/10, high*17/10, "lb/yd3")
		}
		return r.between(low, high, "kg/m3")
	}
	binder := []any{object{"item": r.one("cement-cem-i", "cement-cem-ii", "cement-cem-iii"), "amount": mass(250, 420)}}
	if r.maybe(40) {
		binder = append(binder, object{"item": r.one("fly-ash", "ggbs", "silica-fume"), "amount": mass(20, 90)})
	}
	parts := append(binder, object{"item": r.one("water-mains", "water-recycled"), "amount": mass(140, 185)})
	if r.maybe(85) {
		if r.maybe(50) {
			parts = append(parts, object{"item": "gravel-10", "amount": r.between(8, 20, "% by volume")})
		}
		parts = append(parts, object{"item": r.one("gravel-20", "aggregate-recycled-20"), "amount": mass(500, 800)}, object{"item": r.one("sand-washed", "sand-manufactured"), "amount": "balance"})
	} else { // 110 L of cement, 160 L of water, 700 L of aggregate and the air: within 2 %
		parts = []any{object{"item": "cement-cem-i", "amount": "347 kg/m3"}, object{"item": "water-mains", "amount": r.between(157, 163, "L/m3")},
			object{"item": "gravel-20", "amount": r.between(42, 43, "% by volume")}, object{"item": "sand-washed", "amount": r.between(27, 29, "% by volume")}}
	}
	if r.maybe(70) {
		parts = append(parts, object{"item": r.one("superplasticiser", "retarder"), "amount": r.between(0, 2, "% of binder")})
	}
	staged := "water-mains"
	for _, p := range parts {
		if item := p.(object)["item"].(string); strings.HasPrefix(item, "water") {
			staged = item
		}
	}
	fibre := r.maybe(50)
	if fibre {
		parts = append(parts, object{"item": "fibre-pp-macro", "amount": r.one("0.5 % by volume", "0.33 % by volume", "1.1 % by volume")})
	}
	m := object{"constituents": parts}
	if r.maybe(80) {
		m["air"] = r.between(0, 3, "%")
	}
	if r.maybe(30) {
		m["absorbed_water"] = map[bool]string{true: "18 lb/yd3", false: "11.3 kg/m3"}[us]
	}
	if r.maybe(25) {
		m["production"] = []any{object{"item": "electricity", "amount": r.one("3.2 kWh/m3", "9.7 MJ/m3", "2.2 kWh/yd3")}, object{"item": "diesel", "amount": r.one("0.4 L/m3", "350 mL/m3", "0.1 gal/yd3")}}
	}
	switch r.IntN(3) {
	case 0:
		m["stages"] = []any{object{"name": "main", "mixer": r.one("mixer-pan", "mixer-twin-shaft"), "minutes": 1 + r.IntN(5), "takes": "rest"}}
	case 1:
		takes := []any{object{"category": "binder", "share": r.share(10, 60)}, object{"item": staged, "water_binder_ratio": r.one("0.3", "0.25", "0.333")}}
		if fibre {
			takes = append(takes, object{"item": "fibre-pp-macro", "share": r.one("100 %", "37.5 %")})
		}
		m["stages"] = []any{object{"name": "slurry", "mixer": r.one("mixer-small", "mixer-high-shear"), "minutes": 1 + r.IntN(6), "takes": takes},
			object{"name": "main", "mixer": "mixer-pan", "minutes": 1 + r.IntN(4), "takes": "rest"}}
	}
	return m
}

func (r comparisons) thickness(us bool) string {
	if us {
		return r.between(6, 12, "in")
	}
	return r.between(150, 320, "mm")
}

// slab keeps to one system of units.
func (r comparisons) slab(us bool) object {
	s := object{"thickness": r.thickness(us)}
	length := func(si, customary string) string {
		if us {
			return customary
		}
		return si
	}
	if r.maybe(80) {
		s["lane_width"] = length(r.one("3.65 m", "3.5 m", "365 cm"), "12 ft")
		j := object{"spacing": length(r.one("4.5 m", "5 m", "3.7 m"), "15 ft")}
		if r.maybe(70) {
			j["dowel"], j["dowel_spacing"] = "dowel-32", length(r.one("300 mm", "0.3 m", "250 mm"), "12 in")
		}
		if r.maybe(70) {
			j["tie_bar"], j["tie_bar_spacing"] = "tie-bar-13", length(r.one("760 mm", "900 mm"), "30 in")
		}
		if r.maybe(70) {
			j["sealant"] = r.one("sealant-silicone", "sealant-hot-poured")
		}
		s["joints"] = j
	}
	var layers []any
	for range r.IntN(3) {
		l := object{"item": r.one("crushed-stone-base", "cement-bound-base", "crushed-concrete-base"), "thickness": length(r.between(80, 250, "mm"), r.between(3, 10, "in"))}
		if r.maybe(25) {
			l["transport"], l["reason"] = "included", "a test"
		}
		layers = append(layers, l)
	}
	if layers != nil {
		s["layers"] = layers
	}
	if r.maybe(70) {
		s["curing"] = r.one("curing-compound", "curing-sheet")
	}
	if r.maybe(70) {
		w := object{"concrete": r.one("0 %", "2 %", "3.3 %", "7.25 %")}
		if r.maybe(40) {
			w["disposal"] = r.one("concrete-recycling", "concrete-landfill")
		}
		s["waste"] = w
	}
	return s
}

func (r comparisons) transport() []any {
	by := func(rule object, mode string) object {
		rule["mode"], rule["distance"] = mode, r.one("120 km", "35.5 km", "18 mi", "0.7 km")
		return rule
	}
	list := []any{by(object{"category": "binder", "to": "plant"}, r.one("lorry-articulated", "rail-freight")), by(object{"category": "concrete", "to": "site"}, "truck-mixer")}
	if r.maybe(85) {
		list = append(list, by(object{"category": "aggregate", "to": "plant"}, r.one("lorry-rigid", "barge-inland")))
	} else {
		list = append(list, object{"category": "aggregate", "to": "plant", "transport": "included", "reason": "a test"})
	}
	for _, rule := range []object{{"category": "aggregate", "to": "plant"}, {"item": "cement-cem-i", "to": "plant"}, {"category": "fibre", "to": "plant"}, {"category": "admixture", "to": "plant"},
		{"category": "waste", "to": "disposal"}, {"category": "base", "to": "site"}, {"item": "dowel-32", "to": "site"}, {"category": "sealant", "to": "site"}, {"category": "concrete", "to": "site"}} {
		if r.maybe(25) {
			list = append(list, by(rule, r.one("lorry-rigid", "lorry-articulated")))
		}
	}
	return list
}

// works adds construction, maintenance, end of life and what is left.
func (r comparisons) works(a object, period int, priced bool) {
	money := func(o object) object {
		if priced && r.maybe(20) {
			o["user_cost"] = r.between(0, 9, "EUR/m2")
		}
		return o
	}
	if r.maybe(80) {
		a["construction"] = []any{money(object{"item": r.one("paving-slipform", "paving-fixed-form")}), object{"item": "texturing", "share": r.share(20, 99)}}
	}
	switch r.IntN(6) {
	case 0:
	case 1:
		a["maintenance"] = []any{}
	default:
		a["maintenance"] = []any{money(object{"item": "surface-grinding", "years": []any{1 + r.IntN(20), 21 + r.IntN(40)}, "life_years": 5 + r.IntN(30)}),
			object{"item": r.one("partial-patching", "full-depth-repair"), "every_years": 3 + r.IntN(15), "share": r.share(0, 9)},
			money(object{"item": "paving-fixed-form", "module": r.one("B3", "B4", "B5"), "years": []any{1 + r.IntN(60)}, "share": r.share(5, 50), "life_years": 1 + r.IntN(40)})}
	}
	if r.maybe(40) {
		a["end_of_life"] = []any{object{"item": "demolition", "module": "C1"}, object{"item": "concrete-landfill", "module": "C4", "share": r.share(1, 90)}, object{"item": "concrete-recycling", "module": "D", "share": "100 %"}}
	}
	if !priced {
		return
	}
	switch r.IntN(5) {
	case 0:
		a["residual"] = object{"method": "remaining_life", "life_years": 1 + r.IntN(90)}
	case 1:
		a["residual"] = object{"method": "straight_line", "life_years": 1 + r.IntN(90)}
	case 2:
		a["residual"] = object{"method": "straight_line", "life_years": 20 + r.IntN(90), "final_value": "3.7 EUR/m2"}
	case 3:
		a["residual"] = object{"method": "given", "value": "12.34 EUR/m2"}
	}
}

// The checker, which knows docs/theory.md and nothing of this code, agrees on a
// thousand random comparisons; and one changed digit is named alike by both.
func TestIndependentCheckerAgrees(t *testing.T) {
	cases := 100
	if os.Getenv("CI") == "true" && !storetest.Raced() {
		cases = 1000 // which takes minutes
	}
	svc, check, r := newService(t), newChecker(t), comparisons{rand.New(rand.NewPCG(1, 2026))}
	for _, name := range []string{"demo/comparison.json", "scenarios/published-mix.json", "scenarios/sized.json", "scenarios/lab-to-slab.json"} {
		if said := check.says(t, bundleOf(t, svc, file(t, "../testdata/"+name))); said != "match" {
			t.Errorf("%s: the checker says %q", name, said)
		}
	}
	byRatio := object{"by_ratio": object{"binder": "400 kg/m3", "water_binder_ratio": "0.46", "cement": "cement-cem-i", "water": "water-mains",
		"aggregates": list(object{"item": "gravel-20", "share": "60 %"}, object{"item": "sand-washed", "share": "40 %"}), "air": "2 %"}}
	if said := check.says(t, bundleOf(t, svc, request(t, edit{"/alternatives/2", object{"name": "by ratio", "like": "fibre", "mix": byRatio}}))); said != "match" {
		t.Errorf("by ratio: the checker says %q", said)
	}
	valid, refused, changes, overridden := 0, 0, 0, 0
	for seed := 0; valid < cases; seed++ {
		asked := r.comparison()
		if seed%2 == 1 {
			asked = r.newest(asked)
		}
		body, err := json.Marshal(asked, json.Deterministic(true))
		if err != nil {
			t.Fatal(err)
		}
		bundle, err := svc.BundleOf(t.Context(), body, nil)
		if err != nil {
			if refused++; refused > cases/5 {
				t.Fatalf("too many are refused: %v %v", err, service.Faults(err))
			}
			continue
		}
		valid++
		if asked["overrides"] != nil {
			overridden++
		}
		text, err := service.Encode(bundle)
		if err != nil {
			t.Fatal(err)
		}
		if said := check.says(t, text); said != "match" {
			t.Fatalf("case %d: the checker says %q of\n%s", seed, said, body)
		}
		if valid%10 == 0 {
			if v, err := service.VerifyAlone(t.Context(), text, anything); err != nil || !v.Match {
				t.Fatalf("case %d, from its own rows: %v %v %+v", seed, err, service.Faults(err), v)
			}
		}
		if valid%5 == 0 {
			changes += changedAlike(t, svc, check, r, text)
		}
	}
	t.Logf("%d comparisons agree, %d of them with overrides, %d were refused as invalid, %d changed digits were named alike", valid, overridden, refused, changes)
	if overridden < cases/10 {
		t.Errorf("only %d with overrides", overridden)
	}
	if changes < cases/10 {
		t.Errorf("only %d changes", changes)
	}
}

// Of what the request gained last, one digit that is changed is found by the checker,
// in the results, the economics and the answers of a comparison as a whole; the bundle
// has the rows of items that no figure rests on; and a member that the checker does not
// know is refused.
func TestCheckerFindsChangesInTheNewest(t *testing.T) {
	svc, check := newService(t), newChecker(t)
	limit := object{"name": "slab", "clause": "1", "scope": "declared", "limit": "70 kg CO2e/m2"}
	newest := request(t, lives("common_period", 40, [3]int{10, 40, 20},
		economics(object{"nominal_discount_rate": "5.06 %", "inflation": "2 %", "nominal_escalation": list(object{"item": "silica-fume", "rate": "3 %"}, object{"category": "operation", "rate": "2.5 %"}),
			"include_user_cost": true, "carbon_price": object{"amount": "80 EUR/t", "nominal_growth": "3 %", "in_cost": true}}),
		edit{"/alternatives/0/carbonation", cemI("k", "1.6 mm/year^0.5", "degree", "85 %")},
		edit{"/limits", list(limit)}, edit{"/objectives", list(object{"measure": "net_present_value"}, object{"measure": "total_carbon"})},
		edit{"/weighting", object{"normalisation": "min_max", "weights": list("0.4", "0.6")}},
		edit{"/cut_off", list(object{"flow": "a dust", "module": "A1", "mass": "0.1 %", "energy": "0.2 %", "item": "silica-fume", "reason": "a test"})})...)
	text := bundleOf(t, svc, newest)
	if said := check.says(t, text); said != "match" {
		t.Fatalf("the checker says %q", said)
	}
	if v, err := service.VerifyAlone(t.Context(), text, anything); err != nil || !v.Match {
		t.Fatalf("from its own rows: %v %v %+v", err, service.Faults(err), v)
	}
	var document any
	if err := json.Unmarshal(text, &document); err != nil {
		t.Fatal(err)
	}
	for _, at := range []string{"/economics/nominal_discount_rate", "/economics/real_discount_rate", "/economics/real_escalation/0/rate", "/economics/capital_recovery_factor",
		"/alternatives/0/life/capital_recovery_factor", "/alternatives/0/life/built_anew_in_years/1", "/alternatives/0/carbon/carbonation/depth_mm", "/alternatives/0/carbon/carbonation/uptake_kg_co2e_per_m2",
		"/alternatives/2/cost/both_ways/net_present_value_in_nominal_terms_per_m2", "/alternatives/1/cost/user_cost/equivalent_annual_with_user_cost_per_m2",
		"/alternatives/1/limits/0/margin_kg_co2e", "/alternatives/1/limits/0/margin_percent", "/comparison/objectives/dominance/1/values/0", "/comparison/objectives/weighting/ranking/0/score",
		"/comparison/objectives/weighting/scales/1/divided_by", "/comparison/cut_off/modules/0/mass_percent", "/comparison/cut_off/flows/0/impacts/0/kg_co2e_per_m3", "/comparison/unequal_lives/least_common_multiple_years",
		"/comparison/ranking/by_net_present_value_without_user_cost/0/rank"} {
		at = "/result" + at
		value, ok := oneDigit(memberOf(t, document, fault.Path(at)))
		if !ok {
			t.Errorf("%s has no digit", at)
			continue
		}
		if said := check.says(t, changed(t, text, edit{at, value})); said != "differs "+at {
			t.Errorf("%s changed to %v: the checker says %q", at, value, said)
		}
	}
	if said := check.says(t, changed(t, text, edit{"/result/alternatives/1/limits/0/state", "passed"})); said != "differs /result/alternatives/1/limits/0/state" {
		t.Errorf("another state of a limit: the checker says %q", said)
	}
	if said := check.says(t, changed(t, text, edit{"/request/economics/tax", "19 %"})); said != "unknown /request/economics/tax" {
		t.Errorf("a member that it does not know: the checker says %q", said)
	}
}

// What a bundle says of itself beside its result is named where it stands, and so is a
// member that stands twice.
func TestCheckerNamesWhatTheResultRepeats(t *testing.T) {
	svc, check := newService(t), newChecker(t)
	text := bundleOf(t, svc, file(t, "../testdata/demo/comparison.json"))
	for at, value := range map[string]string{"/inventory/ref": "demo@2", "/inventory/hash": strings.Repeat("0", 64), "/engine_version": "99.0.0"} {
		tampered := changed(t, text, edit{at, value})
		v, err := service.VerifyAlone(t.Context(), tampered, anything)
		if err != nil || v.FirstDifference == nil || v.FirstDifference.Pointer != at {
			t.Errorf("%s: %v %+v", at, err, v)
		}
		if said := check.says(t, tampered); said != "differs "+at {
			t.Errorf("%s: the checker says %q", at, said)
		}
	}
	twice := strings.Replace(string(text), `"bundle_version":1`, `"bundle_version":1,"bundle_version":1`, 1)
	if said := check.says(t, []byte(twice)); !strings.Contains(said, "the member 'bundle_version' stands twice") {
		t.Errorf("a member twice: the checker says %q", said)
	}
}

// changedAlike changes one digit of a figure of the result and returns 1 where both
// name it; figures that the checker takes as printed are left alone.
func changedAlike(t *testing.T, svc *service.Service, check *checker, r comparisons, text []byte) int {
	t.Helper()
	var document any
	if err := json.Unmarshal(text, &document); err != nil {
		t.Fatal(err)
	}
	all := leaves("/result/alternatives", memberOf(t, document, "/result/alternatives"))
	for range 50 {
		at := string(all[r.IntN(len(all))])
		name := at[strings.LastIndexByte(at, '/')+1:]
		if !strings.Contains(name, "_per_m") && !strings.HasPrefix(name, "amount") && name != "factor" && name != "price" && name != "for_area" && !strings.HasSuffix(name, "_factor") {
			continue
		}
		if strings.Contains(at, "/sources/") || strings.Contains(at, "/resolved/") {
			continue
		}
		value, ok := oneDigit(memberOf(t, document, fault.Path(at)))
		if !ok {
			continue
		}
		tampered := changed(t, text, edit{at, value})
		v, err := svc.Verify(t.Context(), tampered, anything)
		if err != nil || v.FirstDifference == nil || v.FirstDifference.Pointer != at {
			t.Errorf("%s changed to %v: %v %+v", at, value, err, v)
		}
		if said := check.says(t, tampered); said != "differs "+at {
			t.Errorf("%s changed to %v: the checker says %q", at, value, said)
		}
		return 1
	}
	return 0
}
