package service

import (
	"strconv"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
)

// carbonated is a cement in a slab from when that is new to when it ends, in years.
type carbonated struct {
	start, end int
	part       int // of the proportions
}

// uptakes lists the lines of uptake in their order: slab by slab, cement by cement.
func (a *alternativeTerms) uptakes() []carbonated {
	var list []carbonated
	for _, life := range a.e.builds() {
		for i := range a.e.proportions.Parts {
			if a.e.bindsCO2(i) {
				list = append(list, carbonated{life[0], life[1], i})
			}
		}
	}
	return list
}

func (a *alternativeTerms) carbonationAt() fault.Path { return a.e.at.At("carbonation") }

const carbonationFormula = "Carbon: carbonation"

// speed is k in mm per √year.
func (a *alternativeTerms) speed() int {
	k := a.e.uptake.rate.K
	if a.e.Carbonation.K == "" {
		return a.once(a.key("k"), func() int {
			return a.given("carbonation factor k", k, "mm/year^0.5", TermSource{Definition: a.e.uptake.source})
		})
	}
	return a.asked("carbonation factor k", k, "mm/year^0.5", a.carbonationAt().At("k"))
}

func (a *alternativeTerms) degree() int {
	degree := a.e.uptake.rate.Degree
	if a.e.Carbonation.Degree == "" {
		return a.once(a.key("degree"), func() int {
			return a.given("degree of carbonation", degree, "1", TermSource{Definition: a.e.uptake.source})
		})
	}
	return a.asked("degree of carbonation", degree, "1", a.carbonationAt().At("degree"))
}

// depth is how deep a slab has carbonated after some years, in m.
func (a *alternativeTerms) depth(start, end int) int {
	return a.once(a.key("depth "+strconv.Itoa(end-start)), func() int {
		age := a.period()
		if lives := a.e.builds(); len(lives) > 1 {
			age = a.years("service life", a.e.life, a.e.at.At("slab", "service_life_years"))
			if end == a.e.period {
				_, period := a.analysisPeriod()
				age = a.made("age at the end", "years", carbonationFormula, OpDifference, RoundNone, period, a.built(start))
			}
		}
		root := a.made("√t", "year^0.5", carbonationFormula, OpRoot, RoundNone, age)
		inMetres := a.once("metres in a mm", func() int {
			return a.given("metres in a mm", decimal.New(1, -3), "m/mm", TermSource{Definition: "metres in a mm"})
		})
		free := a.made("k √t", "m", carbonationFormula, OpProduct, RoundNone, a.speed(), root, inMetres)
		rounding := RoundAmount
		if a.terms[free].Value.GreaterThanOrEqual(a.e.takeoff.Concrete) {
			rounding = RoundNone // the thickness, as it is
		}
		return a.made("depth of carbonation", "m", carbonationFormula+", at most the slab", OpLeast, rounding, free, a.thickness())
	})
}

// most is the largest uptake of a cement, in kg CO2 per kg.
func (a *alternativeTerms) most(part int) int {
	return a.once(a.key("largest uptake "+strconv.Itoa(part)), func() int {
		item := a.e.proportions.Parts[part].Item
		for i, c := range a.e.Carbonation.Cements {
			if c.Item != item {
				continue
			}
			at, r := a.carbonationAt().At("cements", i), reader{}
			cao := a.asked("reactive CaO of the clinker of "+item, r.fraction(c.ReactiveCaO, at), "1", at.At("reactive_cao"))
			clinker := a.asked("clinker of "+item, r.fraction(c.Clinker, at), "1", at.At("clinker"))
			over := a.made("CaO times 44", "1", carbonationFormula, OpProduct, RoundNone, cao, clinker, a.constant(44, "g/mol", "molar mass of CO2"))
			return a.made("largest uptake of "+item, "kg CO2e/kg", carbonationFormula, OpQuotient, RoundAmount, over, a.constant(56, "g/mol", "molar mass of CaO"))
		}
		return 0
	})
}

func (a *alternativeTerms) nothing() int { return a.constant(0, "1", "nothing") }

func (a *alternativeTerms) uptakeLine(n int, member string) (int, bool) {
	u := a.uptakes()[n]
	amount := a.made("cement that has bound CO2", "kg/m2", carbonationFormula, OpProduct, RoundAmount, a.depth(u.start, u.end), a.mass(u.part), a.degree())
	factor := a.made("emission of carbonated cement", "kg CO2e/kg", carbonationFormula+": an uptake is a negative emission", OpDifference, RoundNone, a.nothing(), a.most(u.part))
	switch member {
	case "amount":
		return amount, true
	case "factor":
		return factor, true
	case "gwp_kg_co2e_per_m2":
		return a.made("uptake of "+a.e.proportions.Parts[u.part].Item, kgPerM2, "Rounding: amount × factor", OpProduct, RoundLine, amount, factor), true
	}
	return 0, false
}

func (a *alternativeTerms) uptake(n int) int {
	id, _ := a.uptakeLine(n, "gwp_kg_co2e_per_m2")
	return id
}

func (a *alternativeTerms) carbonationFigure(name string) (int, bool) {
	switch name {
	case "k_mm_per_sqrt_year":
		return a.speed(), true
	case "degree":
		return a.degree(), true
	case "depth_mm":
		first := a.e.builds()[0]
		return a.made("depth of carbonation", "mm", carbonationFormula, OpProduct, RoundNone, a.depth(first[0], first[1]), a.constant(1000, "mm/m", "mm in a metre")), true
	case "largest_uptake_kg_co2e_per_m2":
		var ids []int
		for _, u := range a.uptakes() {
			ids = append(ids, a.made("largest uptake of the slab", kgPerM2, carbonationFormula+" through and through", OpProduct, RoundLine, a.thickness(), a.mass(u.part), a.most(u.part)))
		}
		return a.made("largest uptake", kgPerM2, "Carbon: the sum of its lines", OpSum, RoundNone, ids...), true
	case "uptake_kg_co2e_per_m2":
		ids := []int{a.nothing()}
		for n := range a.uptakes() {
			ids = append(ids, a.uptake(n))
		}
		return a.made("uptake", kgPerM2, carbonationFormula+": less its lines", OpDifference, RoundNone, ids...), true
	}
	return 0, false
}
