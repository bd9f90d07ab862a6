package pavement

import (
	"math"

	"slabledger/lca/num"
)

// spectrum93 turns an axle-load spectrum into equivalent 18-kip single axles by
// the equivalence of the AASHO Road Test for rigid pavements, AASHTO guide (1993),
// appendix MM (value from memory). Wx axles of Lx kip do as much as W18:
//
//	log (Wx/W18) = 4.62 log (18+1) - 4.62 log (Lx+L2) + 3.28 log L2 + Gt/βx - Gt/β18
//	Gt = log ((4.5 - pt)/(4.5 - 1.5))
//	βx = 1 + 3.63 (Lx+L2)^5.20/((D+1)^8.46 L2^3.52)
//
// L2 is 1 for a single axle, whatever its tyres, 2 for a tandem, 3 for a tridem.
// The factors depend on the thickness D, and are taken anew at each D that is
// looked at.
type spectrum93 struct {
	gt    float64
	loads []load93
}

type load93 struct {
	repetitions float64
	fixed       float64 // the terms without D
	bend        float64 // 3.63 (Lx+L2)^5.20/L2^3.52
}

// SourceOfEquivalence is where the factors of equivalent axles come from.
const SourceOfEquivalence = "AASHO Road Test equivalence of axle loads on rigid pavements, AASHTO guide (1993), appendix MM; value from memory"

func newSpectrum93(loads []load, terminal float64) *spectrum93 {
	s := &spectrum93{gt: math.Log10((4.5 - terminal) / 3), loads: make([]load93, len(loads))}
	for i, l := range loads {
		kip, l2 := l.kN/kNPerKip, float64(max(l.axle, singleDual)) // 1, 2, 3
		s.loads[i] = load93{
			repetitions: l.repetitions,
			fixed:       float64(4.62*math.Log10(19)) - float64(4.62*math.Log10(kip+l2)) + float64(3.28*math.Log10(l2)),
			bend:        3.63 * math.Pow(kip+l2, 5.20) / math.Pow(l2, 3.52),
		}
	}
	return s
}

// of18 is what bend is to the single axle of 18 kip.
var of18 = 3.63 * math.Pow(19, 5.20)

// standing is what one thickness of d in gives to every factor.
func (s *spectrum93) standing(d float64) (power, base float64) {
	power = math.Pow(d+1, 8.46)
	return power, s.gt / (1 + of18/power)
}

// factor is W18/Wx of a load, by what standing gives.
func (s *spectrum93) factor(l *load93, power, base float64) float64 {
	return math.Pow(10, base-l.fixed-s.gt/(1+l.bend/power))
}

// total is W18 of the spectrum on a slab of h mm.
func (s *spectrum93) total(h float64) float64 {
	power, base := s.standing(h / mmPerInch)
	sum := 0.0
	for i := range s.loads {
		l := &s.loads[i]
		sum += float64(l.repetitions * s.factor(l, power, base))
	}
	return sum
}

// result appends the lines of the table and their sum.
func (s *spectrum93) result(r *Result, h float64) {
	power, base := s.standing(h / mmPerInch)
	total := num.Total{}
	for i := range s.loads {
		l := &s.loads[i]
		factor := s.factor(l, power, base)
		e := Equivalent{Factor: printed(factor), Axles: printed(l.repetitions * factor)}
		total.Add(e.Axles)
		r.Equivalents = append(r.Equivalents, e)
	}
	r.EquivalentAxles = total.Value()
}
