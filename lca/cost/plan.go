package cost

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Replacements is how often what lasts so many years is replaced within a
// period,
//
//	⌈period / life⌉ - 1
//
// (EN 15978, 9.3.3; from memory): what ends with the period is not replaced.
// Both are in years, above zero, and need not be whole; the period is at most
// MaxYears, else ErrLife and ErrYears.
func Replacements(lifeYears, periodYears decimal.Decimal) (int, error) {
	if !lifeYears.IsPositive() {
		return 0, ErrLife
	}
	if !periodYears.IsPositive() || periodYears.GreaterThan(decimal.New(MaxYears, 0)) {
		return 0, ErrYears
	}
	lives, err := num.Div(periodYears, lifeYears)
	if err != nil {
		return 0, err
	}
	return int(lives.Ceil().IntPart()) - 1, nil
}

// Due lists the years of a treatment that is first done when what it works on
// is first years old, and then again each time that it has lasted again years
// itself: start + first, then every again, all before end. With again at 0 it is
// done once. first and again are whole years, not negative, first at least 1.
func Due(start, first, again, end int) []int {
	if first < 1 || again < 0 {
		return nil
	}
	var years []int
	for year := start + first; year < end; year += again {
		years = append(years, year)
		if again == 0 {
			break
		}
	}
	return years
}

// CommonPeriod is the least number of years in which each of some lives fits a
// whole number of times, their least common multiple; ErrLife where one is less
// than a year, and ErrYears where it is more than most. Without lives it is 1.
func CommonPeriod(livesYears []int, most int) (int, error) {
	common := 1
	for _, life := range livesYears {
		if life < 1 {
			return 0, ErrLife
		}
		if life > most {
			return 0, ErrYears
		}
		a, b := common, life
		for b != 0 {
			a, b = b, a%b
		}
		if common = common / a * life; common > most {
			return 0, ErrYears
		}
	}
	return common, nil
}
