package service

import (
	"fmt"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/cost"
	"slabledger/lca/num"
)

// Methods of the residual value.
const (
	ResidualNone          = "none"
	ResidualRemainingLife = "remaining_life"
	ResidualStraightLine  = "straight_line"
	ResidualGiven         = "given"
)

// checkResidual reads the residual value before anything is computed.
func (e *evaluated) checkResidual() {
	r, at := e.Residual, e.at.At("residual")
	if r == nil {
		return
	}
	life := r.Method == ResidualRemainingLife || r.Method == ResidualStraightLine
	if life && r.LifeYears < 1 {
		e.faults.Add(at.At("life_years"), "required-member-missing", "the method %s needs the service life in whole years", r.Method)
	}
	if life && e.life > 0 && r.LifeYears != e.life {
		e.faults.Add(at.At("life_years"), "life-differs", "the residual value counts on a life of %d years, the slab has one of %d", r.LifeYears, e.life)
	}
	if !life && r.LifeYears != 0 {
		e.faults.Add(at.At("life_years"), "not-used", "the method %s does not use a life", r.Method)
	}
	if r.FinalValue != "" {
		if r.Method != ResidualStraightLine {
			e.faults.Add(at.At("final_value"), "not-used", "only the method straight_line uses a final value")
		}
		e.money(r.FinalValue, at.At("final_value"))
	}
	switch {
	case r.Method == ResidualGiven && r.Value == "":
		e.faults.Add(at.At("value"), "required-member-missing", "the method given needs the value at the end of the period, such as \"12.50 %s/m2\"", e.catalogue.ref.Currency)
	case r.Value != "":
		if r.Method != ResidualGiven {
			e.faults.Add(at.At("value"), "not-used", "only the method given uses a value")
		}
		e.money(r.Value, at.At("value"))
	}
}

// residual lists what is left at the end of the period, as credits.
func (e *evaluated) residual(agency cost.Result) ([]cost.Flow, error) {
	at := e.at.At("residual")
	perM2 := e.catalogue.ref.Currency + "/m2"
	credit := func(label string, amount, price decimal.Decimal) cost.Flow {
		return cost.Flow{Kind: cost.Residual, Label: label, Year: e.period, Amount: amount, Unit: "m2/m2", Price: price, PriceUnit: perM2, Source: e.asked(at)}
	}
	r, placed := e.Residual, e.lastBuilt()
	if r == nil {
		e.bill.Assumptions.Add(at, "residual-none", "no residual value is asked for, so none is credited")
		return nil, nil
	}
	switch r.Method {
	case ResidualRemainingLife:
		var credits []cost.Flow
		share, err := cost.RemainingLife(num.One, placed, r.LifeYears, e.period)
		if err != nil {
			return nil, err
		}
		if share.IsPositive() {
			credits = append(credits, credit(fmt.Sprintf("remaining life of the slab, %d of %d years", placed+r.LifeYears-e.period, r.LifeYears), num.Amount(share), builtFor(agency, placed)))
		}
		for _, l := range e.lives {
			share, err := cost.RemainingLife(num.One, l.year, l.lifeYears, e.period)
			if err != nil {
				return nil, err
			}
			if !share.IsPositive() {
				continue
			}
			value := decimal.Zero
			for _, line := range agency.Lines {
				if line.Year == l.year && (line.Item == l.use || strings.HasSuffix(line.Label, ": "+l.use)) {
					value = value.Add(line.Cost)
				}
			}
			credits = append(credits, credit(fmt.Sprintf("remaining life of %s, %d of %d years", l.use, l.year+l.lifeYears-e.period, l.lifeYears), num.Amount(share), value))
		}
		return credits, nil
	case ResidualStraightLine:
		final := decimal.Zero
		if r.FinalValue != "" {
			final = e.money(r.FinalValue, at.At("final_value"))
		}
		value, err := cost.StraightLine(builtFor(agency, placed), final, r.LifeYears, e.period-placed)
		if err != nil {
			return nil, err
		}
		return []cost.Flow{credit("straight line", num.One, num.Amount(value))}, nil
	case ResidualGiven:
		return []cost.Flow{credit("given", num.One, e.money(r.Value, at.At("value")))}, nil
	}
	return nil, nil // ResidualNone
}

// builtFor is what the slab cost in the year in which it was built last.
func builtFor(agency cost.Result, year int) decimal.Decimal {
	if year == 0 {
		return agency.Initial
	}
	var sum num.Total
	for _, l := range agency.Lines {
		if l.Year == year { // no treatment falls into the year of a new slab
			sum.Add(l.Cost)
		}
	}
	return sum.Value()
}
