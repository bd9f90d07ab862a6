package mix

import (
	"slices"
	"strings"
	"unicode"

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
	rangeDensity = between("fresh_density", "kg/m3", "2200", "2400", "ordinary concrete (read)")
	rangeGravity = between("aggregate_specific_gravity", "1", "2.4", "2.9", "aggregate of ordinary weight (read)")
	// Of the volume: of the mass the same 7 to 15 % would end at 360 kg/m3 of
	// cement, where mixes for pavements begin.
	rangeShare     = between("binder_share_of_volume", "%", "7", "15", "ordinary concrete, by absolute volume, Portland Cement Association (value from memory)")
	rangeBinder    = between("binder", "kg/m3", "250", "450", "common practice, no source")
	rangeRatio     = between("water_binder_ratio", "1", "0.35", "0.60", "common practice, no source")
	rangeAir       = between("air", "%", "1", "8", "common practice, no source")
	gravityOfWater = decimal.New(1000, 0) // kg/m3
)

// limits are those of one exposure class of EN 206. A range without ends is no
// limit: the table has none.
type limits struct {
	class              string
	ratio, cement, air Range
}

// classes is EN 206, Table F.1 (informative): the greatest water/cement ratio, the
// least cement in kg/m3 and the least air in % (values from memory).
var classes = []limits{
	classOf("X0", "", "", ""),
	classOf("XC1", "0.65", "260", ""),
	classOf("XC2", "0.60", "280", ""),
	classOf("XC3", "0.55", "280", ""),
	classOf("XC4", "0.50", "300", ""),
	classOf("XS1", "0.50", "300", ""),
	classOf("XS2", "0.45", "320", ""),
	classOf("XS3", "0.45", "340", ""),
	classOf("XD1", "0.55", "300", ""),
	classOf("XD2", "0.55", "300", ""),
	classOf("XD3", "0.45", "320", ""),
	classOf("XF1", "0.55", "300", ""),
	classOf("XF2", "0.55", "300", "4.0"),
	classOf("XF3", "0.50", "320", "4.0"),
	classOf("XF4", "0.45", "340", "4.0"),
	classOf("XA1", "0.55", "300", ""),
	classOf("XA2", "0.50", "320", ""),
	classOf("XA3", "0.45", "360", ""),
}

func classOf(class, ratio, cement, air string) limits {
	id, source := strings.ToLower(class), "EN 206, Table F.1, informative, exposure class "+class+" (value from memory)"
	return limits{class,
		between(id+"_water_cement_ratio", "1", "", ratio, source),
		between(id+"_cement", "kg/m3", cement, "", source),
		between(id+"_air", "%", air, "", "EN 206, Table F.1, informative, exposure class "+class+", unless a freeze and thaw test shows as much (value from memory)"),
	}
}

// Classes lists the exposure classes that have limits.
func Classes() []string {
	names := make([]string, len(classes))
	for i, c := range classes {
		names[i] = c.class
	}
	return names
}

// Exposure reads exposure classes of EN 206 as people write them: in any case,
// with or without a blank inside, separated by blanks, commas, semicolons, slashes
// or plus signs. Each class comes once, in the order of Classes; unknown is what
// is none.
func Exposure(text string) (known, unknown []string) {
	words := strings.FieldsFunc(text, func(r rune) bool {
		return unicode.IsSpace(r) || strings.ContainsRune(",;/+&", r)
	})
	all, found := Classes(), map[string]bool{}
	for i := 0; i < len(words); i++ {
		class := strings.ToUpper(words[i])
		if i+1 < len(words) && !slices.Contains(all, class) && slices.Contains(all, class+words[i+1]) {
			i++
			class += words[i]
		}
		if !slices.Contains(all, class) {
			unknown = append(unknown, words[i])
		}
		found[class] = true
	}
	return slices.DeleteFunc(all, func(class string) bool { return !found[class] }), unknown
}

// LeastAir lists those of the classes given that have a least air content.
func LeastAir(given []string) []string {
	var list []string
	for _, c := range classes {
		if c.air.Low.Valid && slices.Contains(given, c.class) {
			list = append(list, c.class)
		}
	}
	return list
}

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
	list := []Range{rangeDensity, rangeGravity, rangeShare, rangeBinder, rangeRatio, rangeAir}
	for _, c := range classes {
		for _, r := range []Range{c.ratio, c.cement, c.air} {
			if r.Low.Valid || r.High.Valid {
				list = append(list, r)
			}
		}
	}
	return list
}

// Readings sets a mix beside the ranges that apply to it. exposure has classes as
// Exposure reads them; air tells whether the air content is known. Where the
// k-value concept is applied, k has the ratio and the cement that the limits of a
// class are for (EN 206, k-value concept; from memory); else it is nil, and they are for the cement
// alone.
func Readings(p Proportions, exposure []string, air bool, k *KValue) []Reading {
	var list []Reading
	add := func(r Range, item string, v decimal.Decimal) {
		v = num.Amount(v)
		list = append(list, Reading{Range: r, Item: item, Value: v,
			Within: (!r.Low.Valid || v.GreaterThanOrEqual(r.Low.Decimal)) && (!r.High.Valid || v.LessThanOrEqual(r.High.Decimal))})
	}
	add(rangeDensity, "", p.Density)
	binder, known := decimal.Zero, p.Binder.IsPositive() // m3 per m3
	for _, part := range p.Parts {
		if part.Role == Cement || part.Role == SCM {
			known = known && part.Volume.Valid
			binder = binder.Add(part.Volume.Decimal)
		}
		if part.Role == Aggregate && part.Volume.Valid && part.Volume.Decimal.IsPositive() {
			add(rangeGravity, part.Item, num.Quotient(part.Mass, part.Volume.Decimal.Mul(gravityOfWater)))
		}
	}
	if known {
		add(rangeShare, "", binder.Mul(num.Hundred))
	}
	add(rangeBinder, "", p.Binder)
	if p.WaterBinder.Valid {
		add(rangeRatio, "", p.WaterBinder.Decimal)
	}
	if air {
		add(rangeAir, "", p.Air.Mul(num.Hundred))
	}
	ratio, cement := p.WaterCement, p.Cement
	if k != nil {
		ratio, cement = decimal.NewNullDecimal(k.Ratio), k.Cement
	}
	for _, c := range classes {
		if !slices.Contains(exposure, c.class) {
			continue
		}
		if ratio.Valid && c.ratio.High.Valid {
			add(c.ratio, "", ratio.Decimal)
		}
		if c.cement.Low.Valid {
			add(c.cement, "", cement)
		}
		if air && c.air.Low.Valid {
			add(c.air, "", p.Air.Mul(num.Hundred))
		}
	}
	return list
}
