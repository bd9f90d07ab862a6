package service

import (
	"fmt"

	"github.com/shopspring/decimal"

	"slabledger/lca/carbon"
	"slabledger/lca/mix"
	"slabledger/lca/num"
	"slabledger/lca/unit"
)

// Carbonation asks for the uptake of CO2 in use, module B1 (EN 16757).
type Carbonation struct {
	K             string            `json:"k,omitzero"` // "1.6 mm/year^0.5"
	Degree        string            `json:"degree,omitzero"`
	StrengthClass string            `json:"strength_class,omitzero"` // in place of k, with the exposure
	Exposure      string            `json:"exposure,omitzero"`
	Cements       []CementChemistry `json:"cements"`
}

// CementChemistry is what binds CO2 in a cement.
type CementChemistry struct {
	Item        string `json:"item"`
	Clinker     string `json:"clinker"`      // by mass of the cement
	ReactiveCaO string `json:"reactive_cao"` // by mass of the clinker
}

// CarbonUptake is the uptake of an alternative, per square metre.
type CarbonUptake struct {
	Method           string `json:"method"`
	KMMPerSqrtYear   Plain  `json:"k_mm_per_sqrt_year"`
	Degree           Plain  `json:"degree"`
	Source           string `json:"source"`
	Years            int    `json:"years"`
	DepthMM          Amount `json:"depth_mm"`
	Capped           bool   `json:"capped"`
	LargestKgPerM2   Fixed  `json:"largest_uptake_kg_co2e_per_m2"`
	UptakeKgCO2PerM2 Fixed  `json:"uptake_kg_co2e_per_m2"`
}

// carbonation is the uptake as read.
type carbonation struct {
	asked  bool
	rate   carbon.Rate
	source string
	most   map[string]decimal.Decimal // kg CO2 per kg, by cement
}

// readCarbonation reads what the uptake in use needs. Whatever is not said of a
// cement is a fault: its clinker is not for us to guess.
func (e *evaluated) readCarbonation() {
	c, at := e.Carbonation, e.at.At("carbonation")
	if c == nil {
		return
	}
	u := carbonation{asked: true, most: map[string]decimal.Decimal{}}
	table := c.StrengthClass != "" || c.Exposure != ""
	switch {
	case (c.K != "") == table:
		e.faults.Add(at, "one-of", "the speed is either k, such as \"1.6 mm/year^0.5\", or follows from strength_class and exposure")
	case !table:
		u.source = e.asked(at.At("k"))
		if q, ok := e.required(c.K, "1.6 mm/year^0.5", at.At("k"), unit.CarbonationRate); ok {
			u.rate.K = q.SI()
		}
		if c.Degree == "" {
			e.faults.Add(at.At("degree"), "required-member-missing", "with k, say which share of the largest uptake is bound, such as \"85 %%\"")
		}
	default:
		var err error
		if u.rate, err = carbon.RateOf(c.StrengthClass, c.Exposure); err != nil {
			e.faults.Add(at, "not-in-list", "strength class %q, exposure %q: %v", short(c.StrengthClass), short(c.Exposure), err)
		}
		u.source = "table of EN 16757 for " + c.StrengthClass + ", " + c.Exposure + " (values from memory)"
	}
	if c.Degree != "" {
		u.rate.Degree = e.fraction(c.Degree, at.At("degree"))
	}
	for i, cement := range c.Cements {
		at := at.At("cements", i)
		if _, twice := u.most[cement.Item]; twice {
			e.faults.Add(at.At("item"), "duplicate-item", "%s is described twice", short(cement.Item))
		}
		u.most[cement.Item] = carbon.MaxUptake(e.fraction(cement.ReactiveCaO, at.At("reactive_cao")), e.fraction(cement.Clinker, at.At("clinker")))
	}
	others := false
	for _, part := range e.listed {
		it := e.catalogue.entries[part.Item]
		if it == nil {
			continue
		}
		role := roles[it.inventory.Category]
		if _, described := u.most[part.Item]; role == mix.Cement && !described {
			e.faults.Add(at.At("cements"), "clinker-missing", "say how much clinker %s has, and how much reactive CaO that has; nothing is assumed of a cement", it.Code)
		}
		others = others || role == mix.SCM
	}
	if others {
		e.bill.Assumptions.Add(at, "carbonation-of-cement-only", "additions beside the cement are taken to bind no CO2, and to change no speed of carbonation")
	}
	e.uptake = u
}

// bindsCO2 tells whether a part of the mix is a cement that is described.
func (e *evaluated) bindsCO2(i int) bool {
	part := e.proportions.Parts[i]
	_, described := e.uptake.most[part.Item]
	return part.Role == mix.Cement && described
}

// printCarbonation adds the uptake as lines of module B1, one a cement, and
// declares it.
func (e *evaluated) printCarbonation(c *Carbon, m *carbon.Matrix) {
	u := e.uptake
	if !u.asked {
		return
	}
	m.Set("B1", carbon.ZeroWithReason, "the concrete has no cement that binds CO2")
	var uptake, largest num.Total
	var first decimal.Decimal // depth of the first slab; those after it are no older
	for _, life := range e.builds() {
		years := life[1] - life[0]
		depth, err := carbon.CarbonationDepth(u.rate.K, years, e.takeoff.Concrete)
		if err != nil {
			return // years are not negative
		}
		if life[0] == 0 {
			first = depth
		}
		for i, part := range e.proportions.Parts {
			if !e.bindsCO2(i) {
				continue
			}
			most := u.most[part.Item]
			amount := num.Amount(depth.Mul(part.Mass).Mul(u.rate.Degree))
			gwp := carbon.Line(amount, most).Neg()
			largest.Add(num.Line(e.takeoff.Concrete.Mul(part.Mass).Mul(most)))
			uptake.Add(gwp.Neg())
			m.Add("B1", gwp)
			c.Lines = append(c.Lines, CarbonLine{Alternative: e.Name, Stage: carbon.Stage("B1"), Module: "B1", Item: e.listed[i].Item,
				Use: fmt.Sprintf("uptake by carbonation over %d years", years), Year: life[1], Amount: Amount{amount}, Unit: "kg/m2",
				Factor: Plain{most.Neg()}, FactorUnit: "kg CO2e/kg", GWPKgCO2ePerM2: Fixed{gwp}, Source: e.asked(e.at.At("carbonation"))})
		}
	}
	c.Carbonation = &CarbonUptake{Method: "EN 16757: depth k √t of one face, times cement, degree and the largest uptake of its clinker", KMMPerSqrtYear: Plain{u.rate.K}, Degree: Plain{u.rate.Degree},
		Source: u.source, Years: e.period, DepthMM: Amount{first.Shift(3)}, Capped: first.Equal(e.takeoff.Concrete), LargestKgPerM2: Fixed{largest.Value()}, UptakeKgCO2PerM2: Fixed{uptake.Value()}}
}
