package pavement

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
)

// NeededStrength is the least effective modulus of rupture at which a slab is thin
// enough.
type NeededStrength struct {
	// Reached: there is one. Else MPa is the strongest that the method covers, and
	// Solution says what is left to govern there.
	Reached    bool
	MPa        decimal.Decimal // that of the design where it is enough already; else on a grid of 0.001 MPa
	Solution   Solution        // with that strength
	Iterations int             // bisections
}

// Strengths are searched on the grid to which they are reported, 0.001 MPa.
const strengthPlaces = 3

// NeededStrength finds the least effective modulus of rupture, from that of the
// design up to the strongest that the method covers, at which enough holds of the
// least thickness in mm. The answer is right where enough holds of every thickness
// below one of which it holds: the least thickness never grows with strength (it
// falls while fatigue or serviceability governs, and stays where erosion does), so
// the search is a bisection, of at most 14 steps over the 10 MPa that methods
// cover. enough may be a step function of the thickness, such as one after
// rounding. Faults are those of Prepare and Solve.
func (d *Design) NeededStrength(enough func(thicknessMM decimal.Decimal) bool) (NeededStrength, fault.List) {
	n := NeededStrength{MPa: d.strength.MPa, Reached: true}
	own, faults := d.Solve()
	if n.Solution = own; !faults.Empty() || enough(own.ThicknessMM) {
		return n, faults
	}
	most := d.strength.MPa
	for _, r := range d.about.Ranges {
		if r.Member == "strength/effective" && r.Refused {
			most = decimal.Max(most, r.High.Truncate(strengthPlaces))
		}
	}
	at := func(mpa decimal.Decimal) bool {
		in := d.input
		in.Strength = Strength{MOR: mpa}
		var stronger *Design
		if stronger, faults = Prepare(in); faults.Empty() {
			n.Solution, faults = stronger.Solve()
		}
		return faults.Empty() && enough(n.Solution.ThicknessMM)
	}
	n.MPa = most
	if n.Reached = at(most); !n.Reached || !faults.Empty() {
		return n, faults
	}
	best := n.Solution
	fails, passes := d.strength.MPa.Shift(strengthPlaces).IntPart(), most.Shift(strengthPlaces).IntPart()
	for passes-fails > 1 && faults.Empty() {
		n.Iterations++
		middle := fails + (passes-fails)/2
		if at(decimal.New(middle, -strengthPlaces)) {
			passes, best = middle, n.Solution
		} else {
			fails = middle
		}
	}
	n.MPa, n.Solution = decimal.New(passes, -strengthPlaces), best
	return n, faults
}
