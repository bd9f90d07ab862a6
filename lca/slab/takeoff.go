// Package slab takes off the quantities of a jointed concrete slab and lists
// everything that flows into it over its life: the bill of quantities.
//
// All quantities are per square metre of slab. The slab is one lane of the
// given width, cut into panels by transverse joints, tied to its neighbour or
// to its shoulder along one edge: there is one longitudinal joint a lane.
package slab

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Geometry of the slab. Lengths in metres; invalid (absent) joint members mean
// that there are none.
type Geometry struct {
	Thickness     decimal.Decimal     // > 0
	LaneWidth     decimal.NullDecimal // > 0
	JointSpacing  decimal.NullDecimal // > 0
	DowelSpacing  decimal.NullDecimal // > 0
	TieBarSpacing decimal.NullDecimal // > 0
	At            fault.Path          // of the slab
}

// Takeoff is what one square metre of slab needs.
type Takeoff struct {
	Concrete          decimal.Decimal // m3/m2, which is the thickness in m
	HasJoints         bool
	TransverseJoint   decimal.Decimal // m/m2 = 1/spacing
	LongitudinalJoint decimal.Decimal // m/m2 = 1/lane width
	Joint             decimal.Decimal // m/m2, both
	Panels            decimal.Decimal // each/m2 = 1/(spacing × lane width)
	DowelsPerJoint    int64           // whole bars in one transverse joint of one lane
	TieBarsPerPanel   int64           // whole bars along one panel
	Dowels            decimal.Decimal // each/m2
	TieBars           decimal.Decimal // each/m2
}

// TakeOff derives the quantities from the geometry. Bars are counted whole, as
// they are placed: the first stands half a spacing from the end, so a joint of
// 3.65 m at 300 mm holds 12 dowels (common practice, no source).
func TakeOff(g Geometry) (t Takeoff, faults fault.List) {
	positive := func(v decimal.NullDecimal, at fault.Path, what string) bool {
		if v.Valid && (v.Decimal.LessThan(minLength) || v.Decimal.GreaterThan(maxLength)) {
			faults.Add(at, "out-of-range", "%s is %s m; accepted: %s to %s m", what, v.Decimal, minLength, maxLength)
			return false
		}
		return v.Valid
	}
	if !g.Thickness.IsPositive() {
		faults.Add(g.At.At("thickness"), "out-of-range", "a slab has a thickness of more than zero")
	} else if g.Thickness.GreaterThan(maxThickness) {
		faults.Add(g.At.At("thickness"), "out-of-range", "a slab of %s m is beyond any pavement; accepted: up to %s m", g.Thickness, maxThickness)
	}
	joints := g.At.At("joints")
	width := positive(g.LaneWidth, g.At.At("lane_width"), "the lane width")
	spacing := positive(g.JointSpacing, joints.At("spacing"), "the joint spacing")
	dowels := positive(g.DowelSpacing, joints.At("dowel_spacing"), "the dowel spacing")
	ties := positive(g.TieBarSpacing, joints.At("tie_bar_spacing"), "the tie bar spacing")
	if spacing && !g.LaneWidth.Valid {
		faults.Add(g.At.At("lane_width"), "required-member-missing", "joints need the lane width, such as \"3.65 m\"")
	}
	if !faults.Empty() {
		return t, faults
	}
	t.Concrete = g.Thickness
	if !spacing || !width {
		return t, faults
	}
	t.HasJoints = true
	panel := g.JointSpacing.Decimal.Mul(g.LaneWidth.Decimal)
	t.TransverseJoint = num.AmountQuotient(num.One, g.JointSpacing.Decimal)
	t.LongitudinalJoint = num.AmountQuotient(num.One, g.LaneWidth.Decimal)
	t.Joint = t.TransverseJoint.Add(t.LongitudinalJoint)
	t.Panels = num.AmountQuotient(num.One, panel)
	if dowels {
		t.DowelsPerJoint = wholeBars(g.LaneWidth.Decimal, g.DowelSpacing.Decimal)
		t.Dowels = num.AmountQuotient(decimal.New(t.DowelsPerJoint, 0), panel)
		if t.DowelsPerJoint < 1 {
			faults.Add(joints.At("dowel_spacing"), "out-of-range", "the dowel spacing is wider than the lane, so no dowel stands in the joint")
		}
	}
	if ties {
		t.TieBarsPerPanel = wholeBars(g.JointSpacing.Decimal, g.TieBarSpacing.Decimal)
		t.TieBars = num.AmountQuotient(decimal.New(t.TieBarsPerPanel, 0), panel)
		if t.TieBarsPerPanel < 1 {
			faults.Add(joints.At("tie_bar_spacing"), "out-of-range", "the tie bar spacing is wider than the panel, so no tie bar stands in it")
		}
	}
	return t, faults
}

// Bounds against slips of unit, far beyond any pavement (common practice, no
// source), in m.
var (
	maxThickness = decimal.New(2, 0)
	minLength    = decimal.New(1, -2) // of a lane, a panel or a spacing of bars
	maxLength    = decimal.New(100, 0)
)

func wholeBars(length, spacing decimal.Decimal) int64 {
	return num.Quotient(length, spacing).Floor().IntPart()
}

// WasteFactor is the share of extra concrete that a wasted fraction w means:
// 1/(1-w) - 1, which is w/(1-w) in one division (EN 15804 practice: value from
// memory). 0 <= w < 1.
func WasteFactor(w decimal.Decimal) (decimal.Decimal, error) {
	return num.Div(w, num.One.Sub(w))
}
