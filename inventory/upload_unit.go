package inventory

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
	"slabledger/lca/unit"
)

var declaredUnits = DeclaredUnits()

// declaredUnit is the declared unit that a text names, as it stands or by a name that
// means it alone (unit.Spoken); else it is empty and detail says what is accepted. A
// unit in which no item is declared is not converted, since a price and a factor per
// gallon would silently become others: detail says how to.
func declaredUnit(text string) (code, detail string) {
	if at := slices.Index(declaredUnits, text); at >= 0 {
		return declaredUnits[at], "" // not text, which may be part of a longer one
	}
	codes := unit.Spoken(text)
	if len(codes) == 1 && slices.Contains(declaredUnits, codes[0]) && text != "M" { // M is a thousand or a million as often as a metre
		return codes[0], ""
	}
	detail = "one of " + strings.Join(declaredUnits, ", ")
	if unit.AmbiguousTon(text) {
		return "", fmt.Sprintf("%s; %q is 1000 kg or 2000 lb: write t if it is 1000 kg; %s", detail, text, conversion("short_ton", "if it is 2000 lb, "))
	}
	for _, code := range codes {
		if advice := conversion(code, ""); advice != "" && !slices.Contains(declaredUnits, code) {
			return "", detail + "; " + advice
		}
	}
	return "", detail
}

// conversion says how what is stated per a unit is stated per the declared one of
// the same kind that is nearest in size; empty where there is none.
func conversion(code, when string) string {
	from, _ := unit.Lookup(code)
	var nearest string
	var amount, apart decimal.Decimal
	for _, declared := range declaredUnits {
		a, err := unit.Quantity{Amount: num.One, Unit: from}.In(declared)
		if err != nil {
			continue // of another kind
		}
		times := a
		if times.LessThan(num.One) {
			times = num.Quotient(num.One, a)
		}
		if nearest == "" || times.LessThan(apart) {
			nearest, amount, apart = declared, a, times
		}
	}
	if nearest == "" {
		return ""
	}
	return fmt.Sprintf("%sone %s is %s %s: divide the price and the factors by %[3]s and write %[4]s", when, code, num.Canonical(amount), nearest)
}
