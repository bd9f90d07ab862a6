package report

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// margin is a figure of the service with how far a recalculation may fall from it,
// which is derived and not measured:
//
//   - A line is rounded to 6 decimals here and there. A spreadsheet rounds a half away
//     from zero, the service to even: where the exact product ends in a half of the last
//     decimal, or is so near to one that binary numbers cannot tell (nearly), the line
//     may differ by 0.000001. Slack gathers these, exactly.
//   - Numbers of a spreadsheet are binary ones of 53 bits. An alternative has 5,000 flows
//     at most, so that its sums are off by 5,000 × 2^-53, less than 1e-12 of the sum of
//     what is added, sizes without their signs. That is dust.
type margin struct {
	value, size, slack decimal.Decimal
}

var (
	lastDecimal = decimal.New(1, -num.Places)
	half        = decimal.New(5, -1)
	dust        = decimal.New(1, -12)
	// nearly bounds the relative error of a product in binary: each of two factors of up
	// to 200 years gathers 2^-53 twice a year, together less than 1e-13.
	nearly = decimal.New(1, -13)
)

// known is a figure with no rounding in it.
func known(d decimal.Decimal) margin { return margin{value: d, size: d.Abs()} }

// bound is how far a recalculation may be off.
func (m margin) bound() decimal.Decimal { return m.slack.Add(m.size.Mul(dust)) }

func (m margin) plus(o margin) margin {
	return margin{m.value.Add(o.value), m.size.Add(o.size), m.slack.Add(o.slack)}
}

func (m margin) minus(o margin) margin {
	return margin{m.value.Sub(o.value), m.size.Add(o.size), m.slack.Add(o.slack)}
}

func (m margin) times(d decimal.Decimal) margin {
	return margin{m.value.Mul(d), m.size.Mul(d.Abs()), m.slack.Mul(d.Abs())}
}

// rounded is a figure that is rounded to a line: what moves may move the last decimal
// too, and so does a half.
func (m margin) rounded() margin {
	if !m.slack.IsZero() || nearHalf(m.value, m.size) {
		m.slack = m.slack.Add(lastDecimal)
	}
	m.value = num.Line(m.value)
	return m
}

// nearHalf tells a figure that cannot be told from one that ends in half of the last
// decimal.
func nearHalf(d, size decimal.Decimal) bool {
	if d.Exponent() >= -num.Places {
		return false
	}
	scaled := d.Abs().Shift(num.Places)
	return scaled.Sub(scaled.Floor()).Sub(half).Abs().LessThanOrEqual(size.Shift(num.Places).Mul(nearly))
}

// percentOf is the difference of m from a baseline, in per cent of it, rounded.
func (m margin) percentOf(base margin) margin {
	over := func(d decimal.Decimal) decimal.Decimal { return num.Quotient(d.Mul(num.Hundred), base.value.Abs()) }
	ratio := num.Quotient(m.value, base.value).Abs()
	value := over(m.value.Sub(base.value))
	if base.value.IsNegative() {
		value = value.Neg()
	}
	return margin{value, over(m.size.Add(base.size)), over(m.slack.Add(base.slack.Mul(ratio)))}.rounded()
}

// figure is one that the check sheet sets against its recalculation.
type figure struct {
	alternative int // from 0; below it of the comparison
	name, unit  string
	printed     string // as the service prints it
	margin      margin
	at          string // the cell that recalculates it
}

// compare has a figure checked.
func (b *workbook) compare(alternative int, name, unit, printed string, m margin, at string) {
	b.figures = append(b.figures, figure{alternative, name, unit, printed, m, at})
}
