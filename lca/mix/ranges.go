package mix

import (
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Range is what is usual or required of a quantity. An invalid end is open.
type Range struct {
	ID     string
	Unit   string
	Low    decimal.NullDecimal
	High   decimal.NullDecimal
	Source string
}

// Reading is a quantity of a mix beside its range. Item is set where the
// quantity belongs to one constituent.
type Reading struct {
	Range
	Item   string
	Value  decimal.Decimal
	Within bool
}

var (
	rangeDensity    = between("fresh_density", "kg/m3", "2200", "2400", "ordinary concrete (read)")
	rangeGravity    = between("aggregate_specific_gravity", "1", "2.4", "2.9", "aggregate of ordinary weight (read)")
	rangeCement     = between("cement_share_of_mass", "%", "7", "15", "ordinary concrete (read)")
	rangeBinder     = between("binder", "kg/m3", "250", "450", "common practice, no source")
	rangeRatio      = between("water_binder_ratio", "1", "0.35", "0.60", "common practice, no source")
	rangeAir        = between("air", "%", "1", "8", "common practice, no source")
	rangeXF4Ratio   = between("xf4_water_cement_ratio", "1", "", "0.45", "EN 206, exposure class XF4 (value from memory)")
	rangeXF4Cement  = between("xf4_cement", "kg/m3", "340", "", "EN 206, exposure class XF4 (value from memory)")
	gravityOfWater  = decimal.New(1000, 0) // kg/m3
	exposureFrosted = "XF4"
)

func between(id, unit, low, high, source string) Range {
	end := func(s string) decimal.NullDecimal {
		if s == "" {
			return decimal.NullDecimal{}
		}
		d, err := num.Parse(s)
		if err != nil {
			panic("mix: range " + id + ": " + err.Error())
		}
		return decimal.NewNullDecimal(d)
	}
	return Range{ID: id, Unit: unit, Low: end(low), High: end(high), Source: source}
}

// Ranges lists every range in the order of readings.
func Ranges() []Range {
	return []Range{rangeDensity, rangeGravity, rangeCement, rangeBinder, rangeRatio, rangeAir, rangeXF4Ratio, rangeXF4Cement}
}

// Readings sets a mix beside the ranges that apply to it. exposure is a list of
// exposure classes of EN 206, by spaces or commas; air tells whether the air
// content is known.
func Readings(p Proportions, exposure string, air bool) []Reading {
	var list []Reading
	add := func(r Range, item string, v decimal.Decimal) {
		v = num.Amount(v)
		list = append(list, Reading{Range: r, Item: item, Value: v,
			Within: (!r.Low.Valid || v.GreaterThanOrEqual(r.Low.Decimal)) && (!r.High.Valid || v.LessThanOrEqual(r.High.Decimal))})
	}
	add(rangeDensity, "", p.Density)
	for _, part := range p.Parts {
		if part.Role == Aggregate && part.Volume.Valid && part.Volume.Decimal.IsPositive() {
			add(rangeGravity, part.Item, num.Quotient(part.Mass, part.Volume.Decimal.Mul(gravityOfWater)))
		}
	}
	if p.Cement.IsPositive() {
		add(rangeCement, "", num.Quotient(p.Cement.Mul(num.Hundred), p.Density))
	}
	add(rangeBinder, "", p.Binder)
	if p.WaterBinder.Valid {
		add(rangeRatio, "", p.WaterBinder.Decimal)
	}
	if air {
		add(rangeAir, "", p.Air.Mul(num.Hundred))
	}
	for _, class := range strings.FieldsFunc(exposure, func(r rune) bool { return r == ' ' || r == ',' }) {
		if class == exposureFrosted {
			if p.WaterCement.Valid {
				add(rangeXF4Ratio, "", p.WaterCement.Decimal)
			}
			add(rangeXF4Cement, "", p.Cement)
		}
	}
	return list
}
