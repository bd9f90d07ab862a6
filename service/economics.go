package service

import (
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/cost"
	"slabledger/lca/fault"
)

// Economics asks for cost; without it only quantities and carbon are given. The
// rate is real, nominal with inflation, or a schedule of real ones.
type Economics struct {
	RealDiscountRate     string          `json:"real_discount_rate,omitzero"`
	NominalDiscountRate  string          `json:"nominal_discount_rate,omitzero"`
	Inflation            string          `json:"inflation,omitzero"`
	DiscountRateSchedule []ScheduledRate `json:"discount_rate_schedule,omitzero"`
	RealEscalation       []Escalation    `json:"real_escalation,omitzero"`
	NominalEscalation    []Escalation    `json:"nominal_escalation,omitzero"`
	CarbonPrice          *CarbonPrice    `json:"carbon_price,omitzero"`
	IncludeUserCost      *bool           `json:"include_user_cost,omitzero"`
}

// ScheduledRate is the real discount rate from a year on.
type ScheduledRate struct {
	FromYear int    `json:"from_year"`
	Rate     string `json:"rate"`
}

// Escalation is a yearly price change of a category, or of one item, which goes
// before its category.
type Escalation struct {
	Category string `json:"category,omitzero"`
	Item     string `json:"item,omitzero"`
	Rate     string `json:"rate"`
}

// EconomicsApplied is the money side as computed with. What is computed is always
// real: a nominal rate is turned into the real one that it means.
type EconomicsApplied struct {
	Currency                  string                 `json:"currency"`
	PriceBasis                string                 `json:"price_basis"`        // always "real"
	RealDiscountRate          *Plain                 `json:"real_discount_rate"` // null with a schedule
	DiscountRateSchedule      []ScheduledRateApplied `json:"discount_rate_schedule,omitzero"`
	NominalDiscountRate       *Plain                 `json:"nominal_discount_rate,omitempty"` // a rate of zero is one
	Inflation                 *Plain                 `json:"inflation,omitempty"`
	RealEscalation            []EscalationApplied    `json:"real_escalation"`
	NominalEscalation         []EscalationApplied    `json:"nominal_escalation,omitzero"`
	UniformPresentValueFactor Plain                  `json:"uniform_present_value_factor"`
	CapitalRecoveryFactor     Plain                  `json:"capital_recovery_factor"`
	IncludeUserCost           *bool                  `json:"include_user_cost,omitzero"`
}

// ScheduledRateApplied is a rate as a fraction per year.
type ScheduledRateApplied struct {
	FromYear int   `json:"from_year"`
	Rate     Plain `json:"rate"`
}

// EscalationApplied is an escalation as a fraction per year.
type EscalationApplied struct {
	Category string `json:"category,omitzero"`
	Item     string `json:"item,omitzero"`
	Rate     Plain  `json:"rate"`
}

// money is the rates of a request, as fractions a year.
type money struct {
	schedule           []cost.RateFrom // real; one entry where the rate does not change
	nominal, inflation decimal.NullDecimal
	categories, items  map[string]decimal.Decimal // real escalation
	applied            []EscalationApplied        // in the order of the request
	appliedNominal     []EscalationApplied
}

// escalation is the real price change of an item's flow a year.
func (m *money) escalation(item, category string) decimal.Decimal {
	if own, ok := m.items[item]; ok {
		return own
	}
	return m.categories[category]
}

const economicsAt = fault.Path("/economics")

// readMoney reads rates and escalation.
func (s *study) readMoney(eco *Economics, r *reader) {
	isNominal := eco.NominalDiscountRate != ""
	r.oneBasis(eco, isNominal)
	s.money.schedule = []cost.RateFrom{{}}
	switch {
	case isNominal && eco.Inflation == "":
		r.faults.Add(economicsAt.At("inflation"), "required-member-missing", "a nominal rate needs the inflation that is in it, such as \"2 %%\"")
	case isNominal:
		s.readNominal(eco, r)
	case eco.RealDiscountRate != "" && eco.DiscountRateSchedule != nil:
		r.faults.Add(economicsAt, "one-of", "the rate is either one for all years or a schedule")
	case eco.DiscountRateSchedule != nil:
		s.readSchedule(eco.DiscountRateSchedule, r)
	case eco.RealDiscountRate == "":
		r.faults.Add(economicsAt.At("real_discount_rate"), "required-member-missing", "give the real_discount_rate, such as \"3 %%\", or the nominal_discount_rate with inflation, or a discount_rate_schedule")
	default:
		s.money.schedule[0].Rate = r.yearlyRate(eco.RealDiscountRate, economicsAt.At("real_discount_rate"))
	}
	s.readEscalation(eco, isNominal, r)
}

// oneBasis tells of every member that is on another basis than the rate: real
// rates with nominal escalation, and the other way, make nonsense (OMB Circular
// A-94, 7).
func (r *reader) oneBasis(eco *Economics, isNominal bool) {
	for _, m := range []struct {
		name           string
		given, nominal bool
	}{
		{"real_discount_rate", eco.RealDiscountRate != "", false},
		{"discount_rate_schedule", eco.DiscountRateSchedule != nil, false},
		{"real_escalation", eco.RealEscalation != nil, false},
		{"carbon_price/real_growth", eco.CarbonPrice != nil && eco.CarbonPrice.RealGrowth != "", false},
		{"inflation", eco.Inflation != "", true},
		{"nominal_escalation", eco.NominalEscalation != nil, true},
		{"carbon_price/nominal_growth", eco.CarbonPrice != nil && eco.CarbonPrice.NominalGrowth != "", true},
	} {
		if m.given && m.nominal != isNominal {
			rate := "real"
			if isNominal {
				rate = "nominal"
			}
			r.faults.Add(economicsAt+fault.Path("/"+m.name), "real-nominal-mixed", "the discount rate is %s; one analysis is either in real or in nominal terms, throughout", rate)
		}
	}
}

func (s *study) readNominal(eco *Economics, r *reader) {
	before := r.faults.Len()
	nominal := r.yearlyRate(eco.NominalDiscountRate, economicsAt.At("nominal_discount_rate"))
	inflation := r.yearlyRate(eco.Inflation, economicsAt.At("inflation"))
	if r.faults.Len() > before {
		return
	}
	s.money.nominal, s.money.inflation = decimal.NewNullDecimal(nominal), decimal.NewNullDecimal(inflation)
	s.money.schedule[0].Rate = s.money.inReal(nominal, "the real rate", economicsAt.At("nominal_discount_rate"), r)
}

// inReal turns a nominal rate into the real one, within the bounds of a rate.
func (m *money) inReal(nominal decimal.Decimal, what string, at fault.Path, r *reader) decimal.Decimal {
	v, err := cost.Real(nominal, m.inflation.Decimal)
	if err != nil || v.LessThan(minRate) || v.GreaterThan(maxRate) {
		r.faults.Add(at, "out-of-range", "%s that this means is %s a year; accepted: -50 %% to 100 %%", what, v.RoundBank(6))
	}
	return v
}

func (s *study) readSchedule(list []ScheduledRate, r *reader) {
	s.money.schedule = make([]cost.RateFrom, len(list))
	for i, from := range list {
		at := economicsAt.At("discount_rate_schedule", i)
		if i == 0 && from.FromYear != 0 || i > 0 && from.FromYear <= list[i-1].FromYear {
			r.faults.Add(at.At("from_year"), "out-of-range", "the first rate is from year 0, and the years rise")
		}
		s.money.schedule[i] = cost.RateFrom{From: from.FromYear, Rate: r.yearlyRate(from.Rate, at.At("rate"))}
	}
	if len(list) == 0 {
		r.faults.Add(economicsAt.At("discount_rate_schedule"), "required-member-missing", "a schedule has at least the rate from year 0")
	}
}

func (s *study) readEscalation(eco *Economics, isNominal bool, r *reader) {
	list, at := eco.RealEscalation, economicsAt.At("real_escalation")
	if isNominal {
		list, at = eco.NominalEscalation, economicsAt.At("nominal_escalation")
	}
	s.money.categories, s.money.items = make(map[string]decimal.Decimal, len(list)), map[string]decimal.Decimal{}
	for i, e := range list {
		at := at.At(i)
		into, name := s.money.categories, e.Category
		switch {
		case (e.Category == "") == (e.Item == ""):
			r.faults.Add(at, "one-of", "what escalates is either a category or an item")
			continue
		case e.Item != "":
			into, name = s.money.items, e.Item
			if it := r.item(e.Item, at.At("item")); it != nil && len(it.inventory.Recipe) > 0 {
				r.faults.Add(at.At("item"), "price-missing", "%s has no price of its own, but is made of others, which escalate", e.Item)
			}
		case !slices.Contains(inventory.Categories(), inventory.Category(e.Category)):
			r.faults.Add(at.At("category"), "not-in-list", "no category %q", short(e.Category))
		}
		if _, twice := into[name]; twice {
			member := "category"
			if e.Item != "" {
				member = "item"
			}
			r.faults.Add(at.At(member), "duplicate-name", "%s is escalated twice", short(name))
		}
		before := r.faults.Len()
		rate := r.yearlyRate(e.Rate, at.At("rate"))
		if isNominal {
			s.money.appliedNominal = append(s.money.appliedNominal, EscalationApplied{e.Category, e.Item, Plain{rate}})
			if s.money.inflation.Valid && r.faults.Len() == before {
				rate = s.money.inReal(rate, "the real escalation", at.At("rate"), r)
			}
		}
		into[name] = rate
		s.money.applied = append(s.money.applied, EscalationApplied{e.Category, e.Item, Plain{rate}})
	}
}

// applied is the money side as computed with.
func (s *study) applied() *EconomicsApplied {
	a := &EconomicsApplied{Currency: s.catalogue.ref.Currency, PriceBasis: "real", RealEscalation: []EscalationApplied{}, IncludeUserCost: s.economics.IncludeUserCost,
		UniformPresentValueFactor: Plain{s.factors.Uniform()}, CapitalRecoveryFactor: Plain{s.factors.Recovery()}}
	a.RealEscalation = append(a.RealEscalation, s.money.applied...)
	a.NominalEscalation = s.money.appliedNominal
	a.NominalDiscountRate, a.Inflation = plainOf(s.money.nominal), plainOf(s.money.inflation)
	if s.economics.DiscountRateSchedule == nil {
		a.RealDiscountRate = &Plain{s.money.schedule[0].Rate}
		return a
	}
	for _, r := range s.money.schedule {
		a.DiscountRateSchedule = append(a.DiscountRateSchedule, ScheduledRateApplied{r.From, Plain{r.Rate}})
	}
	return a
}
