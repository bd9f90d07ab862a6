package pavement

import (
	"math"

	"slabledger/lca/num"
)

// load is a group of the spectrum made ready.
type load struct {
	axle        int // index in Axles
	kN          float64
	repetitions float64
	stress      float64 // stress over that of the reference load of its axle
	power       float64 // erosion power over that of the reference load of its axle
}

// mechanistic is the analysis that eb109p and austroads share: a reference
// stress and erosion power for each axle kind by thickness, scaled to each
// load, two lives, and two sums by Miner's rule.
type mechanistic struct {
	loads    []load
	strength float64 // MPa, as it divides the stress in the fatigue law
	used     [4]bool // axle kinds in the spectrum
	c2       float64 // weight of erosion damage
	slab     reference
}

// reference is what a method gives for the reference load of an axle kind on a
// slab of h mm.
type reference interface {
	// stress is the equivalent stress in MPa.
	stress(axle int, h float64) float64
	// power is C1 P of the erosion law.
	power(axle int, h float64) float64
	// referenceLoad is in kN.
	referenceLoad(axle int) float64
}

func (m *mechanistic) weigh(loads []load) {
	m.loads = loads
	for _, l := range loads {
		m.used[max(l.axle, 0)] = true
	}
}

// fatigueLife is the number of repetitions to failure at a ratio of stress to
// strength. Source: EB109P, figure 5, as equations by Packard and Tayabji (1985)
// (coefficients from memory):
//
//	log N = (0.9719 - SR)/0.0828          SR ≥ 0.55
//	N = (4.2577/(SR - 0.4325))^3.268      0.45 < SR < 0.55
//	N unlimited                           SR ≤ 0.45
//
// At 0.55 the second branch ends 0.035 % below the first. There it is held at
// the value of the first, which matters for SR from 0.54999 to 0.55, so that
// less stress never means a shorter life.
func fatigueLife(ratio float64) float64 {
	switch {
	case ratio <= 0.45:
		return math.Inf(1)
	case ratio < 0.55:
		return max(math.Pow(4.2577/(ratio-0.4325), 3.268), lifeAtSeam)
	default:
		return math.Pow(10, (0.9719-ratio)/0.0828)
	}
}

var lifeAtSeam = math.Pow(10, (0.9719-0.55)/0.0828)

// erosionLife is the number of repetitions to failure, before the weight C2, at
// an erosion power C1 P. Source: Packard and Tayabji (1985) (read, the exponent
// too):
//
//	log N = 14.524 - 6.777 (C1 P - 9)^0.103   C1 P > 9, else unlimited
func erosionLife(power float64) float64 {
	if power <= 9 {
		return math.Inf(1)
	}
	return math.Pow(10, 14.524-float64(6.777*math.Pow(power-9, 0.103)))
}

// erosionWeight is C2, the weight of erosion damage. Source: Packard and Tayabji
// (1985), 0.06 without concrete shoulder (read), 0.94 with (value from memory).
func erosionWeight(shoulder bool) float64 {
	if shoulder {
		return 0.94
	}
	return 0.06
}

// erosionFactorScale turns C1 P into the erosion factor that tables print:
// EF = log10 (41.35 C1 P) (read).
const erosionFactorScale = 41.35

// damage is Σ n/N for fatigue and Σ C2 n/N for erosion.
func (m *mechanistic) damage(c Criterion, h float64) float64 {
	var at [4]float64
	for axle, used := range m.used {
		switch {
		case !used:
		case c == Fatigue:
			at[axle] = m.slab.stress(axle, h) / m.strength
		default:
			at[axle] = m.slab.power(axle, h)
		}
	}
	sum := 0.0
	for i := range m.loads {
		l := &m.loads[i]
		if c == Fatigue {
			sum += l.repetitions / fatigueLife(at[l.axle]*l.stress)
		} else {
			sum += float64(m.c2*l.repetitions) / erosionLife(at[l.axle]*l.power)
		}
	}
	return sum
}

func (m *mechanistic) indices(dst []float64, h float64) []float64 {
	for axle, used := range m.used {
		if used {
			dst = append(dst, m.slab.stress(axle, h), m.slab.power(axle, h))
		}
	}
	return dst
}

func (m *mechanistic) result(r *Result, h float64) {
	for axle, used := range m.used {
		if used {
			r.References = append(r.References, Reference{
				Axle:          Axles()[axle],
				LoadKN:        printed(m.slab.referenceLoad(axle)),
				StressMPa:     printed(m.slab.stress(axle, h)),
				ErosionFactor: printed(math.Log10(erosionFactorScale * m.slab.power(axle, h))),
			})
		}
	}
	r.Groups = make([]GroupDamage, len(m.loads))
	fatigue, erosion := num.Total{}, num.Total{}
	for i, l := range m.loads {
		stress := m.slab.stress(l.axle, h) * l.stress
		power := m.slab.power(l.axle, h) * l.power
		ratio := stress / m.strength
		toFatigue, toErosion := fatigueLife(ratio), erosionLife(power)/m.c2 // C2 n/N
		g := GroupDamage{
			StressMPa: printed(stress), StressRatio: printed(ratio),
			FatigueAllowable: allowable(toFatigue), FatiguePercent: printed(100 * l.repetitions / toFatigue),
			ErosionPower:     printed(power),
			ErosionAllowable: allowable(toErosion), ErosionPercent: printed(100 * l.repetitions / toErosion),
		}
		fatigue.Add(g.FatiguePercent)
		erosion.Add(g.ErosionPercent)
		r.Groups[i] = g
	}
	r.Totals = []Total{{Criterion: Fatigue, Percent: fatigue.Value()}, {Criterion: Erosion, Percent: erosion.Value()}}
}
