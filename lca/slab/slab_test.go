package slab_test

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/lca/slab"
)

func dec(s string) decimal.Decimal { return decimal.RequireFromString(s) }

func some(s string) decimal.NullDecimal { return decimal.NewNullDecimal(dec(s)) }

// EN 15804 waste rule 1/(1-w) - 1 (value from memory): 1 % 0.010101, 2 %
// 0.020408, 5 % 0.052632.
func ExampleWasteFactor() {
	for _, w := range []string{"0.01", "0.02", "0.05"} {
		f, _ := slab.WasteFactor(dec(w))
		fmt.Println(f.RoundBank(6))
	}
	// Output:
	// 0.010101
	// 0.020408
	// 0.052632
}

// A lane of 3.65 m with panels of 4.5 m, dowels at 300 mm and tie bars at
// 760 mm (common practice, no source): 12 dowels a joint, 5 tie bars a panel.
func ExampleTakeOff() {
	t, _ := slab.TakeOff(slab.Geometry{Thickness: dec("0.24"), LaneWidth: some("3.65"), JointSpacing: some("4.5"), DowelSpacing: some("0.3"), TieBarSpacing: some("0.76")})
	fmt.Println(t.DowelsPerJoint, t.TieBarsPerPanel, t.Joint, t.Dowels)
	// Output: 12 5 0.496194824962 0.730593607306
}

func TestTakeOffRefusesWhatCannotBe(t *testing.T) {
	for _, c := range []struct {
		name    string
		g       slab.Geometry
		pointer string
	}{
		{"no thickness", slab.Geometry{}, "/thickness"},
		{"negative", slab.Geometry{Thickness: dec("-0.2")}, "/thickness"},
		{"metres for millimetres", slab.Geometry{Thickness: dec("240")}, "/thickness"},
		{"joints without a lane", slab.Geometry{Thickness: dec("0.2"), JointSpacing: some("4")}, "/lane_width"},
		{"dowels wider than the lane", slab.Geometry{Thickness: dec("0.2"), LaneWidth: some("3"), JointSpacing: some("4"), DowelSpacing: some("4")}, "/joints/dowel_spacing"},
		{"spacing of zero", slab.Geometry{Thickness: dec("0.2"), LaneWidth: some("3"), JointSpacing: some("0")}, "/joints/spacing"},
	} {
		_, faults := slab.TakeOff(c.g)
		if faults.Len() != 1 || string(faults.All()[0].Pointer) != c.pointer {
			t.Errorf("%s: %+v, want one fault at %s", c.name, faults.All(), c.pointer)
		}
	}
}

var (
	cement  = &slab.Item{Code: "cement", Category: "cement", Groups: []string{"cement", "binder"}, Unit: "t"}
	lorry   = &slab.Item{Code: "lorry", Category: "transport", Unit: "t.km", Process: true}
	rail    = &slab.Item{Code: "rail", Category: "transport", Unit: "t.km", Process: true}
	dump    = &slab.Item{Code: "dump", Category: "disposal", Unit: "t", Process: true}
	rules   = []slab.Rule{{Category: "cement", To: slab.ToPlant, Leg: slab.Leg{Mode: lorry, Distance: dec("100")}}, {Category: "concrete", To: slab.ToSite, Leg: slab.Leg{Mode: lorry, Distance: dec("10")}}}
	flowsOf = func(b *slab.Builder) []string {
		var list []string
		for _, f := range b.Flows {
			list = append(list, fmt.Sprintf("%s %s %s %s", f.Module, f.Item.Code, f.Amount, f.Use))
		}
		return list
	}
)

// The wasted share repeats A1 to A4 in A5 at 1/(1-w) - 1, and is disposed of.
func TestConcreteWithWaste(t *testing.T) {
	b := slab.NewBuilder(rules)
	b.AddConcrete(slab.Takeoff{Concrete: dec("0.2")}, []slab.Material{{Item: cement, Mass: dec("300")}}, nil, dec("0.2"), dump, dec("2400"), "")
	if !b.Faults.Empty() {
		t.Fatal(b.Faults.All())
	}
	want := []string{
		"A1 cement 0.06 concrete",
		"A2 lorry 6 cement to plant",
		"A4 lorry 4.8 concrete to site",
		"A5 cement 0.015 waste: concrete (A1)",
		"A5 lorry 1.5 waste: cement to plant (A2)",
		"A5 lorry 1.2 waste: concrete to site (A4)",
		"A5 dump 0.12 waste: disposal",
	}
	if diff := cmp.Diff(want, flowsOf(b)); diff != "" {
		t.Error(diff)
	}
}

// A rule that names the item goes before one that names its category; several
// matches are legs one after the other.
func TestHaulPrefersTheItemAndAddsLegs(t *testing.T) {
	list := append([]slab.Rule{
		{Item: "cement", To: slab.ToPlant, Leg: slab.Leg{Mode: rail, Distance: dec("400")}},
		{Item: "cement", To: slab.ToPlant, Leg: slab.Leg{Mode: lorry, Distance: dec("20")}},
	}, rules...)
	used := make([]bool, len(list))
	legs := slab.Haul(list, used, "cement", cement.Groups, slab.ToPlant)
	if len(legs) != 2 || legs[0].Mode != rail || legs[1].Mode != lorry {
		t.Errorf("%+v", legs)
	}
	if diff := cmp.Diff([]bool{true, true, false, false}, used); diff != "" {
		t.Error(diff)
	}
}

// An amount that no rule moves is a fault, not a zero.
func TestTransportIsNeverSilentlyLeftOut(t *testing.T) {
	b := slab.NewBuilder(nil)
	b.AddConcrete(slab.Takeoff{Concrete: dec("0.2")}, []slab.Material{{Item: cement, Mass: dec("300"), At: "/c"}}, nil, decimal.Zero, nil, dec("2400"), "/a")
	b.AddProduct(&slab.Item{Code: "dowel", Category: "reinforcement", Unit: "each"}, dec("1"), "dowels", false, "", "/d")
	var at []string
	for _, f := range b.Faults.All() {
		at = append(at, f.Code+" "+string(f.Pointer))
	}
	if diff := cmp.Diff([]string{"transport-missing /c", "transport-missing /a/transport", "transport-missing /d"}, at); diff != "" {
		t.Error(diff)
	}
	// Declared included, it is an assumption with its reason.
	b = slab.NewBuilder([]slab.Rule{{Category: "reinforcement", To: slab.ToSite, Leg: slab.Leg{Reason: "quoted at the site"}}})
	b.AddProduct(&slab.Item{Code: "dowel", Category: "reinforcement", Groups: []string{"reinforcement"}, Unit: "each"}, dec("1"), "dowels", false, "", "/d")
	if !b.Faults.Empty() || b.Assumptions.Len() != 1 {
		t.Errorf("faults %+v, assumptions %+v", b.Faults.All(), b.Assumptions.All())
	}
}

// A delivered price contains the haul: its carbon counts, its money does not
// count twice.
func TestDeliveredPriceContainsTheHaul(t *testing.T) {
	delivered := *cement
	delivered.Delivered = true
	b := slab.NewBuilder(rules)
	b.AddConcrete(slab.Takeoff{Concrete: dec("1")}, []slab.Material{{Item: &delivered, Mass: dec("300")}}, nil, decimal.Zero, nil, dec("2400"), "")
	for _, f := range b.Flows {
		if unpriced := f.Unpriced != ""; unpriced != (f.Module == "A2") {
			t.Errorf("%s %s: unpriced %q", f.Module, f.Item.Code, f.Unpriced)
		}
	}
}

// A recipe is its parts: the whole carries no figure of its own.
func TestRecipeExpands(t *testing.T) {
	power := &slab.Item{Code: "power", Category: "energy", Unit: "kWh", Process: true}
	saw := &slab.Item{Code: "saw", Category: "operation", Unit: "m", Process: true, Recipe: []slab.Part{{Item: power, Amount: dec("0.4")}}}
	b := slab.NewBuilder(nil)
	b.AddOperation(saw, "", slab.Takeoff{HasJoints: true, Joint: dec("0.5")}, dec("2400"), dec("0.5"), "B2", "maintenance", 10, "", "/m")
	if diff := cmp.Diff([]string{"B2 power 0.1 maintenance: saw"}, flowsOf(b)); diff != "" {
		t.Error(diff)
	}
}
