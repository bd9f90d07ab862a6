// Package unit holds the closed table of units and reads quantities written
// as "<decimal> <unit>": "240 mm", "9.5 in", "340 kg/m3".
//
// Conversion factors are those of NIST SP 811 (2008), Appendix B, built from
// the exact definitions: inch 0.0254 m, pound 0.45359237 kg, US gallon
// 231 in³, standard gravity 9.80665 m/s². A factor is kept as a quotient of two
// exact decimals, so that a conversion is one exact product and at most one
// division (34 digits, package num).
package unit

import (
	"errors"
	"fmt"
	"sort"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Kind is what a quantity measures. Units of different kinds never convert,
// even where their dimensions agree (a subgrade reaction is not a weight
// density).
type Kind string

// Kinds, each with the SI unit that Quantity.SI returns.
const (
	Length           Kind = "length"              // m
	Area             Kind = "area"                // m2
	Volume           Kind = "volume"              // m3
	Mass             Kind = "mass"                // kg
	Density          Kind = "mass per volume"     // kg/m3
	VolumePerVolume  Kind = "volume per volume"   // m3/m3
	Ratio            Kind = "ratio"               // 1
	Pressure         Kind = "pressure"            // Pa
	SubgradeReaction Kind = "subgrade reaction"   // N/m3 (Pa/m)
	Force            Kind = "force"               // N
	Energy           Kind = "energy"              // J
	EnergyPerVolume  Kind = "energy per volume"   // J/m3
	Duration         Kind = "duration"            // s
	TransportWork    Kind = "mass times distance" // kg.m
	CarbonPerVolume  Kind = "carbon per volume"   // kg CO2e/m3
	CarbonPerArea    Kind = "carbon per area"     // kg CO2e/m2
	Count            Kind = "count"               // 1
	CarbonationRate  Kind = "carbonation rate"    // mm per √year: the one kind that is not brought to seconds, since nobody reads it so
)

// System is the system of units that a unit belongs to.
type System string

// SI and US never mix inside one record (ASTM C94/C94M, 1.2); Neutral units,
// such as %, go with either.
const (
	SI      System = "SI"
	US      System = "US customary"
	Neutral System = ""
)

// Unit is one row of the closed table.
type Unit struct {
	Code   string
	Kind   Kind
	System System
	num    decimal.Decimal // SI value of one unit is num/den
	den    decimal.Decimal
}

// IsZero tells the zero Unit, which is no unit at all.
func (u Unit) IsZero() bool { return u.Code == "" }

// Quantity is an amount in the unit in which it was written.
type Quantity struct {
	Amount decimal.Decimal
	Unit   Unit
}

// SI returns the amount in the SI unit of its kind. One exact product and at
// most one division to 34 digits.
func (q Quantity) SI() decimal.Decimal {
	v := q.Amount.Mul(q.Unit.num)
	if q.Unit.den.Equal(num.One) {
		return v
	}
	v, err := num.Div(v, q.Unit.den)
	if err != nil { // the table has no zero; a zero Quantity has no unit
		return decimal.Zero
	}
	return v
}

// In returns the amount in another unit of the same kind: exact products and
// one division to 34 digits. The error is a *ParseError, ErrUnknown or
// ErrIncompatible.
func (q Quantity) In(code string) (decimal.Decimal, error) {
	to, ok := table[code]
	if !ok {
		return decimal.Zero, unknown(code, q.Unit.Kind)
	}
	if to.Kind != q.Unit.Kind {
		return decimal.Zero, &ParseError{ErrIncompatible, fmt.Sprintf("%q does not convert to %s; accepted: %s", q, code, accepted([]Kind{q.Unit.Kind}))}
	}
	if to.Code == q.Unit.Code {
		return q.Amount, nil
	}
	return num.Div(q.Amount.Mul(q.Unit.num).Mul(to.den), q.Unit.den.Mul(to.num))
}

// String writes the quantity as it is read.
func (q Quantity) String() string { return q.Amount.String() + " " + q.Unit.Code }

// Errors of Parse. Each is wrapped with what was found and what is accepted.
var (
	ErrMissing      = errors.New("unit-missing")      // a bare number
	ErrUnknown      = errors.New("unit-unknown")      // no such unit in the table
	ErrIncompatible = errors.New("unit-incompatible") // a unit of another kind
	ErrNumber       = errors.New("decimal-invalid")   // not a plain decimal
)

// ParseError says what is wrong with a quantity as text.
type ParseError struct {
	Reason error // one of the errors above
	Detail string
}

func (e *ParseError) Error() string { return e.Detail }
func (e *ParseError) Unwrap() error { return e.Reason }

// Code is the stable code for programs.
func (e *ParseError) Code() string { return e.Reason.Error() }

// MaxText is the longest quantity that Parse looks at, in bytes.
const MaxText = 64

// Parse reads "<decimal> <unit>", one space between, as a quantity of one of
// the kinds given. The error is a *ParseError that says what is wrong and how to
// write it, or names the units accepted.
func Parse(s string, kinds ...Kind) (Quantity, error) {
	if len(s) > MaxText {
		return Quantity{}, &ParseError{ErrNumber, fmt.Sprintf("the text is %d bytes long; a quantity has at most %d", len(s), MaxText)}
	}
	text, code, found := strings.Cut(s, " ")
	value, err := num.Parse(text)
	if err != nil {
		detail := slip(s, kinds)
		if detail == "" {
			detail = fmt.Sprintf("%q: %v; write it like %q", s, err, example(kinds))
		}
		return Quantity{}, &ParseError{ErrNumber, detail}
	}
	if !found || code == "" {
		return Quantity{}, &ParseError{ErrMissing, fmt.Sprintf("%q has no unit; accepted: %s", s, accepted(kinds))}
	}
	u, ok := table[code]
	if !ok {
		if detail := slip(s, kinds); detail != "" {
			return Quantity{}, &ParseError{ErrUnknown, detail}
		}
		return Quantity{}, unknown(code, kinds...)
	}
	for _, k := range kinds {
		if u.Kind == k {
			return Quantity{Amount: value, Unit: u}, nil
		}
	}
	return Quantity{}, &ParseError{ErrIncompatible, fmt.Sprintf("%q measures %s; accepted: %s", s, u.Kind, accepted(kinds))}
}

func unknown(code string, kinds ...Kind) *ParseError {
	return &ParseError{ErrUnknown, fmt.Sprintf("unknown unit %q; accepted: %s%s", code, accepted(kinds), hint(code, kinds))}
}

// Lookup finds a unit by its code; codes are case-sensitive.
func Lookup(code string) (Unit, bool) {
	u, ok := table[code]
	return u, ok
}

// Accepted lists the codes of a kind, in the order of the table.
func Accepted(k Kind) []string {
	var codes []string
	for _, r := range rows {
		if r.kind == k {
			codes = append(codes, r.code)
		}
	}
	return codes
}

// Kinds lists every kind of the table, in alphabetical order.
func Kinds() []Kind {
	seen := map[Kind]bool{}
	var kinds []Kind
	for _, r := range rows {
		if !seen[r.kind] {
			seen[r.kind] = true
			kinds = append(kinds, r.kind)
		}
	}
	sort.Slice(kinds, func(i, j int) bool { return kinds[i] < kinds[j] })
	return kinds
}

func accepted(kinds []Kind) string {
	var all []string
	for _, k := range kinds {
		all = append(all, Accepted(k)...)
	}
	return strings.Join(all, ", ")
}

func example(kinds []Kind) string {
	for _, k := range kinds {
		if codes := Accepted(k); len(codes) > 0 {
			return "12.5 " + codes[0]
		}
	}
	return "12.5"
}
