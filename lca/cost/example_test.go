package cost_test

import (
	"fmt"

	"github.com/shopspring/decimal"

	"slabledger/lca/cost"
	"slabledger/lca/num"
)

// show prints a value to the digits that a source prints.
func show(value decimal.Decimal, err error, places int32) {
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(value.StringFixedBank(places))
}

// ASTM E917, SPV at 3 %: .744094 after 10 years, .306557 after 40 (worked from
// the formula).
func ExampleSinglePresentValue() {
	ten, err := cost.SinglePresentValue(dec("0.03"), 10)
	show(ten, err, 6)
	forty, err := cost.SinglePresentValue(dec("0.03"), 40)
	show(forty, err, 6)
	fmt.Println(forty)
	_, err = cost.SinglePresentValue(dec("-1"), 10)
	fmt.Println(err)
	// Output:
	// 0.744094
	// 0.306557
	// 0.3065568407738066325025576381567822
	// a rate must be greater than -100 %
}

// NIST Handbook 135, UPV at 3 %: 8.53, 11.94, 14.88, 17.41 and 19.60 for 10 to
// 30 years (values from memory).
func ExampleUniformPresentValue() {
	for _, n := range []int{10, 15, 20, 25, 30} {
		factor, err := cost.UniformPresentValue(dec("0.03"), n)
		show(factor, err, 2)
	}
	// Output:
	// 8.53
	// 11.94
	// 14.88
	// 17.41
	// 19.60
}

// The total of the worked table of FHWA-SA-98-079, 1,918,176.06 in exact
// arithmetic, spread over its 35 years at 4 %.
func ExampleCapitalRecovery() {
	factor, err := cost.CapitalRecovery(dec("0.04"), 35)
	show(factor.Mul(dec("1918176.06")), err, 2)
	// Output: 102770.74
}

// UPV* (ASTM E917): 16.382723 for d = 3 %, e = 1 %, 20 years (worked from the
// formula); exactly n where d = e.
func ExampleEscalatedUniformPresentValue() {
	factor, err := cost.EscalatedUniformPresentValue(dec("0.03"), dec("0.01"), 20)
	show(factor, err, 6)
	equal, err := cost.EscalatedUniformPresentValue(dec("0.05"), dec("0.05"), 10)
	fmt.Println(equal, err)
	// Output:
	// 16.382723
	// 10 <nil>
}

// SPV* for d = 3 %, e = 1 %, 20 years: .675590 (worked from the formula).
func ExampleEscalatedSinglePresentValue() {
	factor, err := cost.EscalatedSinglePresentValue(dec("0.03"), dec("0.01"), 20)
	show(factor, err, 6)
	// Output: 0.675590
}

// GSA P100: D = (1+d)(1+I) - 1. 3 % real with 2 % inflation is 5.06 %, not 5 %.
func ExampleNominal() {
	fmt.Println(cost.Nominal(dec("0.03"), dec("0.02")))
	// Output: 0.0506 <nil>
}

// 5 % nominal with 2 % inflation is 2.941176 % real. OMB Circular A-94,
// Appendix C, January 2000, has 6.3 % nominal beside 4.2 % real for 30 years:
// the inflation implied is 2.0154 %, not the plain difference.
func ExampleReal() {
	rate, err := cost.Real(dec("0.05"), dec("0.02"))
	show(rate.Mul(num.Hundred), err, 6)
	implied, err := cost.Real(dec("0.063"), dec("0.042"))
	show(implied.Mul(num.Hundred), err, 4)
	// Output:
	// 2.941176
	// 2.0154
}

// A rehabilitation of 330,000 in year 30 with a life of 15 years has 10 of them
// left after 35 (FHWA practice; worked).
func ExampleRemainingLife() {
	fmt.Println(cost.RemainingLife(dec("330000"), 30, 15, 35))
	// Output: 220000 <nil>
}

// 1,200,000 with a life of 50 years and no value at its end (FHWA practice;
// worked).
func ExampleStraightLine() {
	fmt.Println(cost.StraightLine(dec("1200000"), dec("0"), 50, 35))
	// Output: 360000 <nil>
}

// The worked table of FHWA-SA-98-079, Life-Cycle Cost Analysis in Pavement
// Design, at 4 % over 35 years (values from memory). Its total prints
// 1,918,181: the first rehabilitation stands there as 183,243.
func ExamplePresent() {
	lump := func(kind cost.Kind, label string, year int, amount string) cost.Flow {
		return cost.Flow{Kind: kind, Label: label, Year: year, Amount: dec(amount), Price: num.One}
	}
	result, err := cost.Present([]cost.Flow{
		lump(cost.Initial, "construction", 0, "1100000"),
		lump(cost.User, "work zone", 0, "300000"),
		lump(cost.Maintenance, "rehabilitation 1", 15, "330000"),
		lump(cost.User, "work zone 1", 15, "269167"),
		lump(cost.Maintenance, "rehabilitation 2", 30, "330000"),
		lump(cost.User, "work zone 2", 30, "361997"),
		lump(cost.Residual, "salvage", 35, "110000"),
	}, dec("0.04"), 35)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, line := range result.Lines {
		fmt.Printf("%-16s %2d %s %10s\n", line.Label, line.Year, line.DiscountFactor.StringFixed(4), line.PresentValue.StringFixed(2))
	}
	fmt.Println("agency           ", result.NetPresentValue.StringFixed(2), "or", result.EquivalentAnnual.StringFixed(2), "a year")
	fmt.Println("agency and users ", result.NetPresentValue.Add(result.User).StringFixed(2))
	// Output:
	// construction      0 1.0000 1100000.00
	// work zone         0 1.0000  300000.00
	// rehabilitation 1 15 0.5553  183237.29
	// work zone 1      15 0.5553  149458.88
	// rehabilitation 2 30 0.3083  101745.16
	// work zone 2      30 0.3083  111610.43
	// salvage          35 0.2534   27875.70
	// agency            1357106.74 or 72710.15 a year
	// agency and users  1918176.06
}
