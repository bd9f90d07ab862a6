package pavement

import (
	"math"
	"testing"

	"slabledger/lca/num"
)

// plain is Design 1A as a loop over float64 that knows nothing but its formulas:
// no axle kinds beyond two, no input checks, nothing made ready. It is the oracle
// of the solver, and what its speed is measured against.
type plain struct {
	k, strength float64
	kip, n      []float64
	tandem      []bool
}

func plainDesign1A(in Input) plain {
	p := plain{k: 130, strength: 650}
	for _, g := range in.Groups {
		p.kip = append(p.kip, num.Float(g.LoadKN)/4.4482216152605*1.2)
		p.n = append(p.n, num.Float(g.Repetitions))
		p.tandem = append(p.tandem, g.Axle == Tandem)
	}
	return p
}

func (p plain) damage(h float64) (fatigue, erosion float64) {
	l := math.Pow(4e6*h*h*h/(12*(1-0.15*0.15)*p.k), 0.25)
	for i, kip := range p.kip {
		var me, f1, pc float64
		if p.tandem[i] {
			me = 3029 - 2966.8*math.Log10(l) + 133.69*l - 0.0632*l*l
			f1 = math.Pow(48/kip, 0.06) * kip / 36
			pc = (1.258 + 97.491/l + 1484.1/(l*l) - 180/(l*l*l)) * kip / 36 * 0.896
		} else {
			me = -1600 + 2525*math.Log10(l) + 24.42*l + 0.204*l*l
			f1 = math.Pow(24/kip, 0.06) * kip / 18
			pc = (-0.3019 + 128.85/l + 1105.8/(l*l) + 3269.1/(l*l*l)) * kip / 18 * 0.896
		}
		ratio := 6 * me / (h * h) * f1 * (0.892 + h/85.71 - h*h/3000) * 0.894 / (1.235 * 0.85) / p.strength
		if ratio >= 0.55 {
			fatigue += p.n[i] / math.Pow(10, (0.9719-ratio)/0.0828)
		} else if ratio > 0.45 {
			fatigue += p.n[i] / math.Pow(4.2577/(ratio-0.4325), 3.268)
		}
		deflection := pc / p.k
		c1 := 1 - math.Pow(p.k/2000*4/h, 2)
		if power := c1 * 268.7 * math.Pow(p.k, 1.27) * deflection * deflection / h; power > 9 {
			erosion += 0.06 * p.n[i] / math.Pow(10, 14.524-6.777*math.Pow(power-9, 0.103))
		}
	}
	return fatigue, erosion
}

// least halves between 4 and 14 in, down to a micrometre.
func (p plain) least() (inches float64) {
	low, high := 4.0, 14.0
	for range 18 {
		middle := (low + high) / 2
		if fatigue, erosion := p.damage(middle); fatigue <= 1 && erosion <= 1 {
			high = middle
		} else {
			low = middle
		}
	}
	return high
}

func TestSolverAgreesWithAPlainLoop(t *testing.T) {
	for _, strength := range []float64{650, 700, 800} {
		input := design1A()
		p := plainDesign1A(input)
		p.strength = strength
		d, _ := num.FromFloat(strength*mpaPerPSI, 12)
		input.Strength.MOR = d
		near(t, "least thickness in mm", num.Float(solve(t, input).ThicknessMM), p.least()*25.4, 0.002)
		for _, h := range []float64{6, 8, 9.5, 12} {
			fatigue, erosion := p.damage(h)
			mm, _ := num.FromFloat(h*25.4, 6)
			r := check(t, input, mm)
			near(t, "fatigue", num.Float(r.Totals[0].Percent), 100*fatigue, 1e-5+1e-9*fatigue)
			near(t, "erosion", num.Float(r.Totals[1].Percent), 100*erosion, 1e-5+1e-9*erosion)
		}
	}
}

var (
	solution Solution
	result   Result
	total    float64
)

// A thickness solution of 20 axle groups, from the decimal input to the decimal
// result; its parts; and the plain loop.
func BenchmarkSolve(b *testing.B) {
	input := design1A()
	b.Run("20 groups", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			d, _ := Prepare(input)
			solution, _ = d.Solve()
		}
	})
	b.Run("plain loop", func(b *testing.B) {
		p := plainDesign1A(input)
		for b.Loop() {
			total = p.least()
		}
	})
	d := prepare(b, input)
	b.Run("solve alone", func(b *testing.B) {
		for b.Loop() {
			solution, _ = d.Solve()
		}
	})
	b.Run("table of damage", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			result, _ = d.Check(solution.LeastMM)
		}
	})
	b.Run("sensitivity", func(b *testing.B) {
		for b.Loop() {
			_, _ = d.Sensitivity()
		}
	})
}

// One damage sum of both criteria at one thickness.
func BenchmarkDamageSum(b *testing.B) {
	input := design1A()
	d := prepare(b, input)
	b.Run("model", func(b *testing.B) {
		for b.Loop() {
			total = d.model.damage(Fatigue, 240) + d.model.damage(Erosion, 240)
		}
	})
	b.Run("plain loop", func(b *testing.B) {
		p := plainDesign1A(input)
		for b.Loop() {
			fatigue, erosion := p.damage(240 / 25.4)
			total = fatigue + erosion
		}
	})
}
