package mix

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// RuleKValue names the k-value concept of EN 206 in results.
const RuleKValue = "en-206-k-value"

// Fraction is an exact quotient: one third is not 33.3333 %.
type Fraction struct{ Num, Den decimal.Decimal }

// FlyAshK and FlyAshLimit are k and the greatest counted share of CEM I, by
// mass, of fly ash (EN 206, read).
var (
	FlyAshK     = decimal.New(4, -1)
	FlyAshLimit = Fraction{num.One, decimal.New(3, 0)}
)

// Addition is an SCM that counts towards the equivalent cement: K times its
// mass, up to Limit times the mass of cement. Without a limit all of it counts.
type Addition struct {
	Item  string
	K     decimal.Decimal // >= 0
	Limit *Fraction
	At    fault.Path
}

// Counted is what one addition counts for, in kg/m3.
type Counted struct {
	Addition
	Mass       decimal.Decimal // in the mix
	Considered decimal.Decimal // the part within the limit
	Excess     decimal.Decimal // the part beyond it, which does not count
	Equivalent decimal.Decimal // K times Considered
}

// KValue is the water/cement ratio by the k-value concept.
type KValue struct {
	Counted []Counted
	Cement  decimal.Decimal // kg/m3: cement and the equivalents
	Ratio   decimal.Decimal // effective water over Cement
}

// ByKValue applies the k-value concept of EN 206: effective water over cement
// plus k times addition. It is another number than water/cement and
// water/binder, and goes under its own name.
func ByKValue(p Proportions, additions []Addition) (k KValue, faults fault.List) {
	k.Cement = p.Cement
	seen := map[string]bool{}
	for _, a := range additions {
		mass, found := decimal.Zero, false
		for _, part := range p.Parts {
			if part.Item == a.Item && part.Role == SCM {
				mass, found = part.Mass, true
			}
		}
		switch {
		case !found:
			faults.Add(a.At.At("item"), "not-an-addition", "the mix has no SCM %s; a k-value is for fly ash, slag or silica fume that is in it", a.Item)
			continue
		case seen[a.Item]:
			faults.Add(a.At.At("item"), "duplicate-item", "%s has two k-values", a.Item)
			continue
		}
		seen[a.Item] = true
		c := Counted{Addition: a, Mass: mass, Considered: mass}
		if a.Limit != nil {
			if most := num.AmountQuotient(p.Cement.Mul(a.Limit.Num), a.Limit.Den); most.LessThan(mass) {
				c.Considered = most
			}
		}
		c.Excess = mass.Sub(c.Considered)
		c.Equivalent = num.Amount(a.K.Mul(c.Considered))
		k.Cement = k.Cement.Add(c.Equivalent)
		k.Counted = append(k.Counted, c)
	}
	if !p.Cement.IsPositive() {
		faults.Add("", "cement-missing", "the k-value concept counts additions to cement, and the mix has none")
		return k, faults
	}
	k.Ratio = num.AmountQuotient(p.EffectiveWater, k.Cement)
	return k, faults
}
