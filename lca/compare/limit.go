package compare

import (
	"errors"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// LimitRow is one row of a table of limits by strength: a class by its name, or the
// compressive strengths From to To, both included, in Pa. An open end is not valid.
type LimitRow struct {
	Class    string
	From, To decimal.NullDecimal
	Limit    decimal.Decimal
}

// Errors of LimitOf.
var (
	ErrLimitUndefined = errors.New("no row of the table has this strength")
	ErrLimitAmbiguous = errors.New("more than one row of the table has this strength")
)

// LimitOf finds the row for a strength class, or for a compressive strength in Pa. A
// strength between two rows has none: the nearest row is not its limit.
func LimitOf(rows []LimitRow, class string, strength decimal.NullDecimal) (row int, err error) {
	row, err = -1, ErrLimitUndefined
	for i, r := range rows {
		if !r.has(class, strength) {
			continue
		}
		if row >= 0 {
			return row, ErrLimitAmbiguous
		}
		row, err = i, nil
	}
	return row, err
}

func (r LimitRow) has(class string, strength decimal.NullDecimal) bool {
	if r.Class != "" {
		return r.Class == class
	}
	return strength.Valid && (r.From.Valid || r.To.Valid) &&
		(!r.From.Valid || r.From.Decimal.LessThanOrEqual(strength.Decimal)) &&
		(!r.To.Valid || strength.Decimal.LessThanOrEqual(r.To.Decimal))
}

// Margin is what is left to a limit, below zero where it is exceeded, in the unit of
// both and in per cent of the limit, each rounded once. The per cent are invalid where
// the limit is zero.
func Margin(value, limit decimal.Decimal) (absolute decimal.Decimal, percent decimal.NullDecimal) {
	left := limit.Sub(value)
	if q, err := num.Div(left.Mul(num.Hundred), limit); err == nil {
		percent = decimal.NewNullDecimal(num.Line(q))
	}
	return num.Line(left), percent
}
