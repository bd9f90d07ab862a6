package report

import (
	"strings"

	"github.com/shopspring/decimal"
	"golang.org/x/text/currency"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/number"

	"slabledger/lca/num"
	"slabledger/service"
)

// Basis is what a figure of money or carbon is for.
type Basis string

// The bases that a person may choose. The API answers per square metre.
const (
	PerArea  Basis = "m2"   // a square metre, or a square yard
	WholeJob Basis = "job"  // the area of the functional unit
	PerLane  Basis = "lane" // a kilometre, or a mile, of one lane
)

// Shown is how figures are shown to people: for what, in which units, with which
// separators. It is of no account for data: what programs read is SI per square metre,
// with a point. The zero value shows SI per square metre, in English.
type Shown struct {
	Basis  Basis
	US     bool         // US customary units
	Locale language.Tag // one of Locales
}

// Locales are those whose separators are known; the first where a person asks for none
// of them. All write numbers in the digits 0 to 9.
var Locales = []language.Tag{language.English, language.German, language.MustParse("de-CH"), language.French, language.Spanish, language.Italian,
	language.Portuguese, language.Dutch, language.Danish, language.Norwegian, language.Swedish, language.Finnish, language.Polish, language.Czech, language.MustParse("en-IN")}

var localeMatcher = language.NewMatcher(Locales)

// LocaleOf chooses the locale that fits the header Accept-Language, or the name of one.
func LocaleOf(asked string) language.Tag {
	tags, _, _ := language.ParseAcceptLanguage(asked) // none where it cannot be read
	_, at, _ := localeMatcher.Match(tags...)
	return Locales[at]
}

// Exact factors of US customary units (NIST SP 811, appendix B.8; the international
// yard and pound of 1959).
var (
	m2PerSquareYard = decimal.New(83612736, -8)
	m3PerCubicYard  = decimal.New(764554857984, -12)
	mPerMile        = decimal.New(1609344, -3)
	kgPerPound      = decimal.New(45359237, -8)
	mmPerInch       = decimal.New(254, -1)
	mm2PerSqInch    = decimal.New(64516, -2)
	newtonPerLbf    = decimal.New(44482216152605, -13)
	kgPerTonne      = decimal.NewFromInt(1000)
	mPerKm          = decimal.NewFromInt(1000)
)

// factor is how many square metres of an alternative a figure is for, and whether that
// is known: an alternative without a lane has no figure for one.
func (s Shown) factor(of *service.Head, a *service.Result) (decimal.Decimal, bool) {
	switch s.Basis {
	case WholeJob:
		return of.FunctionalUnit.AreaM2.Decimal, true
	case PerLane:
		width, ok := a.LaneWidthM()
		if s.US {
			return width.Mul(mPerMile), ok
		}
		return width.Mul(mPerKm), ok
	}
	if s.US {
		return m2PerSquareYard, true
	}
	return decimal.NewFromInt(1), true
}

// per names what a figure is for, as it stands after a unit: "/m²".
func (s Shown) per(of *service.Head) string {
	switch s.Basis {
	case WholeJob:
		return " for " + s.Area(of.FunctionalUnit.AreaM2.Decimal)
	case PerLane:
		if s.US {
			return "/lane-mile"
		}
		return "/lane-km"
	}
	if s.US {
		return "/yd²"
	}
	return "/m²"
}

// MoneyUnit names the unit that Money shows: "EUR/m²".
func (s Shown) MoneyUnit(of *service.Head) string { return of.Inventory.Currency + s.per(of) }

// CarbonUnit names the unit that Carbon shows: "kg CO₂e/m²"; tonnes where it is for more
// than an area of one.
func (s Shown) CarbonUnit(of *service.Head) string {
	switch {
	case s.US:
		return "lb CO₂e" + s.per(of)
	case s.Basis == WholeJob || s.Basis == PerLane:
		return "t CO₂e" + s.per(of)
	}
	return "kg CO₂e" + s.per(of)
}

// MoneyOf is an amount of money per square metre on the basis chosen, unrounded; it is
// unknown for an alternative without a lane where one lane is asked for.
func (s Shown) MoneyOf(of *service.Head, a *service.Result, perM2 decimal.Decimal) (decimal.Decimal, bool) {
	factor, ok := s.factor(of, a)
	return perM2.Mul(factor), ok
}

// CarbonOf is a mass of CO2e, in kg per square metre, on the basis and in the unit chosen,
// unrounded.
func (s Shown) CarbonOf(of *service.Head, a *service.Result, kgPerM2 decimal.Decimal) (decimal.Decimal, bool) {
	factor, ok := s.factor(of, a)
	kg := kgPerM2.Mul(factor)
	switch {
	case s.US:
		return num.Quotient(kg, kgPerPound), ok
	case s.Basis == WholeJob || s.Basis == PerLane:
		return num.Quotient(kg, kgPerTonne), ok
	}
	return kg, ok
}

// Unknown stands where there is no figure.
const Unknown = "–"

// Money shows an amount of money per square metre, rounded to the minor unit of the
// currency (ISO 4217); for more than an area of one, to the unit.
func (s Shown) Money(of *service.Head, a *service.Result, perM2 decimal.Decimal) string {
	amount, ok := s.MoneyOf(of, a, perM2)
	if !ok {
		return Unknown
	}
	return s.Number(amount, s.moneyPlaces(of.Inventory.Currency))
}

// moneyPlaces is how many decimals Money shows.
func (s Shown) moneyPlaces(currency string) int32 {
	if s.Basis == WholeJob || s.Basis == PerLane {
		return 0
	}
	return Minor(currency)
}

// Carbon shows a mass of CO2e, in kg per square metre, to three significant digits.
func (s Shown) Carbon(of *service.Head, a *service.Result, kgPerM2 decimal.Decimal) string {
	amount, ok := s.CarbonOf(of, a, kgPerM2)
	if !ok {
		return Unknown
	}
	return s.Significant(amount)
}

// perVolume is what a figure per cubic metre of concrete is for the volume in the units
// chosen, whatever the basis, and how that is written after a unit.
func (s Shown) perVolume(perM3 decimal.Decimal) (decimal.Decimal, string) {
	if s.US {
		return perM3.Mul(m3PerCubicYard), "/yd³"
	}
	return perM3, "/m³"
}

// MoneyPerVolumeUnit names the unit that MoneyPerVolume shows: "EUR/m³".
func (s Shown) MoneyPerVolumeUnit(of *service.Head) string {
	_, per := s.perVolume(decimal.Zero)
	return of.Inventory.Currency + per
}

// MoneyPerVolume shows an amount of money per cubic metre of concrete, rounded to the
// minor unit of the currency (ISO 4217).
func (s Shown) MoneyPerVolume(of *service.Head, perM3 decimal.Decimal) string {
	amount, _ := s.perVolume(perM3)
	return s.Number(amount, Minor(of.Inventory.Currency))
}

// CarbonPerVolumeUnit names the unit of a mass of CO2e that MassPerVolume shows: "kg CO₂e/m³".
func (s Shown) CarbonPerVolumeUnit() string {
	_, per := s.perVolume(decimal.Zero)
	if s.US {
		return "lb CO₂e" + per
	}
	return "kg CO₂e" + per
}

// MassPerVolumeUnit names the unit of a mass that MassPerVolume shows: "kg/m³".
func (s Shown) MassPerVolumeUnit() string {
	_, per := s.perVolume(decimal.Zero)
	if s.US {
		return "lb" + per
	}
	return "kg" + per
}

// MassPerVolume shows a mass, of a constituent or of CO2e, in kg per cubic metre of
// concrete, to three significant digits.
func (s Shown) MassPerVolume(kgPerM3 decimal.Decimal) string {
	return s.Significant(s.MassPerVolumeOf(kgPerM3))
}

// MassPerVolumeOf is a mass in kg per cubic metre of concrete in the unit chosen.
func (s Shown) MassPerVolumeOf(kgPerM3 decimal.Decimal) decimal.Decimal {
	amount, _ := s.perVolume(kgPerM3)
	if s.US {
		return num.Quotient(amount, kgPerPound)
	}
	return amount
}

// StressUnit names the unit of strengths and stresses.
func (s Shown) StressUnit() string { return s.either("MPa", "psi") }

// StressOf is a strength or a stress of so many MPa in the unit chosen.
func (s Shown) StressOf(mpa decimal.Decimal) decimal.Decimal {
	if s.US {
		return num.Quotient(mpa.Mul(mm2PerSqInch), newtonPerLbf) // MPa are N/mm²
	}
	return mpa
}

// Stress shows a strength or a stress to three significant digits, with its unit.
func (s Shown) Stress(mpa decimal.Decimal) string {
	return s.Significant(s.StressOf(mpa)) + " " + s.StressUnit()
}

// Reaction shows a modulus of subgrade reaction to three significant digits, with its unit.
func (s Shown) Reaction(mpaPerM decimal.Decimal) string {
	if s.US { // psi for each inch, which is mmPerInch of the 1000 mm of a metre
		return s.Significant(s.StressOf(mpaPerM.Mul(mmPerInch).Shift(-3))) + " psi/in"
	}
	return s.Significant(mpaPerM) + " MPa/m"
}

// ForceUnit names the unit of loads.
func (s Shown) ForceUnit() string { return s.either("kN", "kip") }

// ForceOf is a load of so many kN in the unit chosen.
func (s Shown) ForceOf(kN decimal.Decimal) decimal.Decimal {
	if s.US {
		return num.Quotient(kN, newtonPerLbf) // 1000 N by 1000 lbf
	}
	return kN
}

// EnergyUnit names the unit of a toughness.
func (s Shown) EnergyUnit() string { return s.either("J", "in·lbf") }

// EnergyOf is a toughness of so many joules in the unit chosen.
func (s Shown) EnergyOf(j decimal.Decimal) decimal.Decimal {
	if s.US {
		return num.Quotient(j.Shift(3), newtonPerLbf.Mul(mmPerInch))
	}
	return j
}

// Area shows an area of so many square metres with its unit: whole square yards, or
// square metres in full.
func (s Shown) Area(m2 decimal.Decimal) string {
	if s.US {
		return s.Number(num.Quotient(m2, m2PerSquareYard), 0) + " yd²"
	}
	return s.Plain(m2) + " m²"
}

// either is a name in SI, or that in US units.
func (s Shown) either(si, us string) string {
	if s.US {
		return us
	}
	return si
}

// LengthUnit names the unit that Length shows.
func (s Shown) LengthUnit() string {
	if s.US {
		return "in"
	}
	return "mm"
}

// LengthOf is a length of so many millimetres in the unit chosen.
func (s Shown) LengthOf(mm decimal.Decimal) decimal.Decimal {
	if s.US {
		return num.Quotient(mm, mmPerInch)
	}
	return mm
}

// Length shows a length: inches to two decimals, millimetres in full.
func (s Shown) Length(mm decimal.Decimal) string {
	if s.US {
		return s.Number(s.LengthOf(mm), 2)
	}
	return s.Plain(mm)
}

// Minor is how many decimals a currency has (ISO 4217), two where it is unknown.
func Minor(code string) int32 {
	if unit, err := currency.ParseISO(code); err == nil {
		minor, _ := currency.Standard.Rounding(unit)
		return int32(minor) //nolint:gosec // ISO 4217: 0 to 4
	}
	return 2
}

// Significant shows a number to three significant digits, half to even.
func (s Shown) Significant(d decimal.Decimal) string { return s.separated(significant(d)) }

// Number shows a number with so many decimals, rounded half to even.
func (s Shown) Number(d decimal.Decimal, places int32) string {
	return s.separated(d.RoundBank(places).StringFixed(places))
}

// Plain shows a number with all its digits.
func (s Shown) Plain(d decimal.Decimal) string { return s.separated(d.String()) }

// Int shows a count.
func (s Shown) Int(n int) string { return s.separated(decimal.NewFromInt(int64(n)).String()) }

// separated writes a number in plain notation with the separators of the locale.
// Thousands are told apart from five digits on, as ISO 80000-1 (7.3.1) allows.
func (s Shown) separated(plain string) string {
	locale := s.Locale
	if locale == language.Und {
		locale = Locales[0]
	}
	p := message.NewPrinter(locale)
	sign := ""
	if strings.HasPrefix(plain, "-") {
		sign, plain = "−", plain[1:]
		if strings.Trim(plain, "0.") == "" {
			sign = ""
		}
	}
	whole, fraction, cut := strings.Cut(plain, ".")
	if n, err := num.Parse(whole); err == nil && len(whole) > 4 {
		whole = p.Sprint(number.Decimal(n.IntPart()))
	}
	if !cut {
		return sign + whole
	}
	return sign + whole + strings.Trim(p.Sprint(number.Decimal(0.5, number.Scale(1))), "05") + fraction
}
