package service

import (
	"strconv"

	"github.com/shopspring/decimal"
)

// Terms of time: rates, what grows at them, and what is spread over years.

func (x *explainer) study() *study { return x.evaluations[0].study }

func (x *explainer) one() int { return x.constant(1, "1", "one") }

func (x *explainer) onePlus(rate int) int {
	return x.once("1 + "+strconv.Itoa(rate), func() int {
		return x.made("1 + "+x.terms[rate].Name, "1", "Cost", OpSum, RoundNone, x.one(), rate)
	})
}

func (x *explainer) growth(name string, rate int, years int) int {
	return x.once(name+strconv.Itoa(rate)+" "+strconv.Itoa(years), func() int {
		n := x.given("years", decimal.New(int64(years), 0), "years", TermSource{Definition: "whole years from now"})
		return x.made(name, "1", "Cost: (1 + rate)^n", OpPower, RoundNone, x.onePlus(rate), n)
	})
}

func (x *explainer) inflation() int {
	return x.asked("inflation", x.study().money.inflation.Decimal, "1/year", economicsAt.At("inflation"))
}

// inReal turns a nominal rate of the request into the real one.
func (x *explainer) inReal(name string, nominal int) int {
	return x.once("real "+strconv.Itoa(nominal), func() int {
		const formula = "Cost: (D - I)/(1 + I)"
		above := x.made(x.terms[nominal].Name+" above inflation", "1/year", formula, OpDifference, RoundNone, nominal, x.inflation())
		return x.made(name, "1/year", formula, OpQuotient, RoundNone, above, x.onePlus(x.inflation()))
	})
}

// nominalRate is the nominal rate of the request; there is one where it has inflation.
func (x *explainer) nominalRate() int {
	return x.asked("nominal discount rate", x.study().money.nominal.Decimal, "1/year", economicsAt.At("nominal_discount_rate"))
}

// rate is the real discount rate from the entry of the schedule on.
func (x *explainer) rate(entry int) int {
	m, eco := x.study().money, x.study().economics
	switch {
	case m.nominal.Valid:
		return x.inReal("real discount rate", x.nominalRate())
	case eco.DiscountRateSchedule != nil:
		return x.asked("real discount rate from year "+strconv.Itoa(m.schedule[entry].From), m.schedule[entry].Rate, "1/year", economicsAt.At("discount_rate_schedule", entry, "rate"))
	}
	return x.asked("real discount rate", m.schedule[0].Rate, "1/year", economicsAt.At("real_discount_rate"))
}

// entry is the entry of the schedule at which the step to a year discounts.
func (x *explainer) entry(year int) int {
	schedule, i := x.study().money.schedule, 0
	for i+1 < len(schedule) && schedule[i+1].From <= year {
		i++
	}
	return i
}

// growthTo is what 1 grows to at the discount rates of the years up to one.
func (x *explainer) growthTo(year int) int {
	if len(x.study().money.schedule) == 1 {
		return x.growth("growth at the discount rate", x.rate(0), year)
	}
	return x.once("scheduled growth "+strconv.Itoa(year), func() int {
		steps := []int{x.one()}
		for n := 1; n <= year; n++ {
			steps = append(steps, x.onePlus(x.rate(x.entry(n))))
		}
		return x.made("growth at the discount rates to year "+strconv.Itoa(year), "1", "Cost: (1 + r1)(1 + r2)…(1 + rn)", OpProduct, RoundNone, steps...)
	})
}

func (x *explainer) discount(year int) int {
	return x.made("discount factor of year "+strconv.Itoa(year), "1", "Cost: single present value (1 + d)^-n", OpQuotient, RoundNone, x.one(), x.growthTo(year))
}

// overYears are the sum of the discount factors of the years 1 to the end of a period,
// as a fraction; years is the term of their number.
func (x *explainer) overYears(period, years int) (over, under int) {
	schedule := x.study().money.schedule
	switch {
	case len(schedule) > 1:
		const formula = "Cost: annual = present value/Σ factors"
		sum := x.constant(0, "1", "nothing")
		for n := 1; n <= period; n++ {
			grown := x.made("what was paid until then has grown", "years", formula, OpProduct, RoundNone, sum, x.onePlus(x.rate(x.entry(n))))
			sum = x.made("1 a year, grown to year "+strconv.Itoa(n), "years", formula, OpSum, RoundNone, grown, x.one())
		}
		return sum, x.growthTo(period)
	case schedule[0].Rate.IsZero():
		return years, x.one()
	}
	g := x.growthTo(period)
	return x.made("(1 + d)^n - 1", "1", "Cost", OpDifference, RoundNone, g, x.one()), x.made("d (1 + d)^n", "1", "Cost", OpProduct, RoundNone, x.rate(0), g)
}

func (x *explainer) recoveryOver(period, years int) int {
	return x.once("recovery "+strconv.Itoa(period), func() int {
		over, under := x.overYears(period, years)
		return x.made("capital recovery factor", "1/year", "Cost: capital recovery", OpQuotient, RoundNone, under, over)
	})
}

// analysisPeriod is the period of the functional unit.
func (x *explainer) analysisPeriod() (period, years int) {
	n := x.study().period
	return n, x.asked("analysis period", decimal.New(int64(n), 0), "years", "/functional_unit/analysis_period_years")
}

// economics explains the rates and factors that all alternatives share.
func (x *explainer) economics(steps []string) (int, bool) {
	k := 0
	if len(steps) == 3 {
		k, _ = strconv.Atoi(steps[1])
		switch steps[0] + " " + steps[2] {
		case "discount_rate_schedule rate":
			return x.rate(k), true
		case "real_escalation rate":
			return x.escalationRate(k), true
		case "nominal_escalation rate":
			return x.nominalEscalation(k), true
		}
		return 0, false
	}
	period, years := x.analysisPeriod()
	switch steps[0] {
	case "real_discount_rate":
		return x.rate(0), true
	case "nominal_discount_rate":
		return x.nominalRate(), true
	case "inflation":
		return x.inflation(), true
	case "uniform_present_value_factor":
		over, under := x.overYears(period, years)
		return x.made("uniform present value factor", "years", "Cost: uniform present value", OpQuotient, RoundNone, over, under), true
	case "capital_recovery_factor":
		return x.recoveryOver(period, years), true
	}
	return 0, false
}

// nominalEscalation is an entry of the nominal escalation, as given.
func (x *explainer) nominalEscalation(i int) int {
	e := x.study().money.appliedNominal[i]
	return x.asked("nominal escalation of "+e.Item+e.Category, e.Rate.Decimal, "1/year", economicsAt.At("nominal_escalation", i, "rate"))
}

// escalationRate is an entry of the real escalation, given or from a nominal one.
func (x *explainer) escalationRate(i int) int {
	m := x.study().money
	e := m.applied[i]
	name := "real escalation of " + e.Item + e.Category
	if m.nominal.Valid {
		return x.inReal(name, x.nominalEscalation(i))
	}
	return x.asked(name, e.Rate.Decimal, "1/year", economicsAt.At("real_escalation", i, "rate"))
}

// carbonGrowth is the real growth of the price of carbon, given or from a nominal one.
func (x *explainer) carbonGrowth() int {
	at, asked := economicsAt.At("carbon_price"), x.study().economics.CarbonPrice
	const name = "real growth of the price of carbon"
	if asked.NominalGrowth == "" {
		return x.asked(name, x.study().carbonPrices.growth, "1/year", at.At("real_growth"))
	}
	r := reader{}
	nominal := x.asked("nominal growth of the price of carbon", r.yearlyRate(asked.NominalGrowth, at), "1/year", at.At("nominal_growth"))
	return x.inReal(name, nominal)
}

// byTheYear explains what alternatives of unequal lives are compared by.
func (x *explainer) byTheYear(name, of string) (int, bool) {
	a := x.of(name)
	switch of {
	case "equivalent_annual_per_m2":
		return a.costFigure([]string{of}, 0)
	case "total_carbon_kg_co2e_per_m2_year":
		total, _ := a.carbonFigure([]string{"total_kg_co2e_per_m2"}, 0)
		return a.made("carbon of a year", "kg CO2e/m2 a year", "Cost: carbon over the life", OpQuotient, RoundLine, total, a.period()), true
	}
	return 0, false
}

// period is the years over which an alternative is studied: those of all, or its life.
func (a *alternativeTerms) period() int {
	if a.e.study.lives == LivesAnnualEquivalent {
		return a.asked("service life", decimal.New(int64(a.e.period), 0), "years", a.e.at.At("slab", "service_life_years"))
	}
	_, years := a.analysisPeriod()
	return years
}

func (a *alternativeTerms) recovery() int { return a.recoveryOver(a.e.period, a.period()) }
