package service

import (
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/num"
	"slabledger/lca/unit"
)

// Fixed is a printed line or total: 6 decimals, always shown.
type Fixed struct{ decimal.Decimal }

// MarshalJSONTo writes the decimal as a string.
func (d Fixed) MarshalJSONTo(enc *jsontext.Encoder) error {
	return writeQuoted(enc, num.AppendFixed, d.Decimal)
}

// Amount is a physical quantity: at least 6, at most 12 decimals.
type Amount struct{ decimal.Decimal }

// MarshalJSONTo writes the decimal as a string.
func (d Amount) MarshalJSONTo(enc *jsontext.Encoder) error {
	return writeQuoted(enc, num.AppendAmount, d.Decimal)
}

// Plain is a decimal printed in full, without trailing zeros: a factor, a
// price, a rate.
type Plain struct{ decimal.Decimal }

// MarshalJSONTo writes the decimal as a string.
func (d Plain) MarshalJSONTo(enc *jsontext.Encoder) error {
	return writeQuoted(enc, num.AppendPlain, d.Decimal)
}

func writeQuoted(enc *jsontext.Encoder, form func([]byte, decimal.Decimal) []byte, d decimal.Decimal) error {
	b := append(enc.AvailableBuffer(), '"')
	b = append(form(b, d), '"')
	return enc.WriteValue(b)
}

// ComparisonResponse answers POST /v1/comparisons.
type ComparisonResponse struct {
	Head
	GoalAndScope *GoalAndScope `json:"goal_and_scope,omitzero"`
	Alternatives []Result      `json:"alternatives"`
	Comparison   Comparison    `json:"comparison"`
	Sources      []ItemUsed    `json:"sources"`
	Conventions  []string      `json:"conventions"`
	Caution      string        `json:"caution"`
}

// EvaluationResponse answers POST /v1/evaluations.
type EvaluationResponse struct {
	Head
	Alternative Result     `json:"alternative"`
	Sources     []ItemUsed `json:"sources"`
	Conventions []string   `json:"conventions"`
	Caution     string     `json:"caution"`
}

// Head says what was computed from what.
type Head struct {
	Inventory      InventoryRef      `json:"inventory"`
	EngineVersion  string            `json:"engine_version"`
	RequestHash    string            `json:"request_hash"`
	FunctionalUnit FunctionalUnitSI  `json:"functional_unit"`
	Economics      *EconomicsApplied `json:"economics"`
}

// InventoryRef pins the inventory version.
type InventoryRef struct {
	Ref      string `json:"ref"`
	Hash     string `json:"hash"`
	Name     string `json:"name"`
	Region   string `json:"region"`
	Currency string `json:"currency"`
	Invented bool   `json:"invented"`

	Extends *LayerRef `json:"extends,omitzero"`
}

// LayerRef is the version that an inventory extends.
type LayerRef struct {
	Ref  string `json:"ref"`
	Hash string `json:"hash"`
}

// Pinned is the version of the inventory that the answer rests on.
func (h Head) Pinned() string { return h.Inventory.Ref }

// FunctionalUnitSI is the functional unit as computed with.
type FunctionalUnitSI struct {
	AreaM2              Plain         `json:"area_m2"`
	AnalysisPeriodYears int           `json:"analysis_period_years"`
	Service             *ServiceLevel `json:"service"`
	UnequalLives        string        `json:"unequal_lives,omitzero"`
}

// Result is one alternative.
type Result struct {
	Name                  string           `json:"name"`
	Strategy              string           `json:"strategy,omitzero"` // whose maintenance is in resolved
	Life                  *LifeResult      `json:"life,omitzero"`
	Resolved              Alternative      `json:"resolved"`
	ThicknessMM           Plain            `json:"thickness_mm"`
	ThicknessDesign       *ThicknessResult `json:"thickness_design"`
	Chain                 []ChainLink      `json:"chain,omitzero"`
	Mix                   MixResult        `json:"mix"`
	Takeoff               TakeoffResult    `json:"takeoff"`
	Quantities            []Quantity       `json:"quantities"`
	Concrete              Concrete         `json:"concrete"`
	Carbon                Carbon           `json:"carbon"`
	Cost                  *Cost            `json:"cost"`
	FunctionalEquivalence Equivalence      `json:"functional_equivalence"`
	Assumptions           []Statement      `json:"assumptions"`
	Warnings              []Statement      `json:"warnings"`
	Limitations           []Limitation     `json:"limitations"`
	Limits                []LimitResult    `json:"limits,omitzero"`
}

// LaneWidthM is the width of the lane in m, and whether there is one.
func (r *Result) LaneWidthM() (decimal.Decimal, bool) {
	if r.Resolved.Slab == nil {
		return decimal.Decimal{}, false
	}
	width, err := unit.Parse(r.Resolved.Slab.LaneWidth, unit.Length)
	return width.SI(), err == nil
}

// LengthMM is a length of an answer, such as "150 mm", in mm; false where it is none.
func LengthMM(text string) (decimal.Decimal, bool) {
	q, err := unit.Parse(text, unit.Length)
	if err != nil {
		return decimal.Decimal{}, false
	}
	return q.SI().Shift(3), true
}

// MixResult is the mix as proportioned.
type MixResult struct {
	Constituents              []ConstituentResult `json:"constituents"`
	AirPercent                Plain               `json:"air_percent"`
	FreshDensityKgPerM3       Amount              `json:"fresh_density_kg_per_m3"`
	AbsoluteVolumeM3PerM3     *Amount             `json:"absolute_volume_m3_per_m3"`
	BinderKgPerM3             Amount              `json:"binder_kg_per_m3"`
	TotalWaterKgPerM3         Amount              `json:"total_water_kg_per_m3"`
	AdmixtureWaterKgPerM3     Amount              `json:"admixture_water_kg_per_m3"`
	AbsorbedWaterKgPerM3      Amount              `json:"absorbed_water_kg_per_m3"`
	EffectiveWaterKgPerM3     Amount              `json:"effective_water_kg_per_m3"`
	EffectiveWaterCementRatio *Amount             `json:"effective_water_cement_ratio"`
	EffectiveWaterBinderRatio *Amount             `json:"effective_water_binder_ratio"`
	Stages                    []StageResult       `json:"stages"`
}

// ConstituentResult is one material per cubic metre of concrete.
type ConstituentResult struct {
	Item         string  `json:"item"`
	MassKgPerM3  Amount  `json:"mass_kg_per_m3"`
	VolumeLPerM3 *Amount `json:"volume_l_per_m3"`
	GivenAs      string  `json:"given_as"`
}

// StageResult is one stage of mixing, per cubic metre of concrete.
type StageResult struct {
	Name             string        `json:"name"`
	Mixer            string        `json:"mixer"`
	Minutes          int           `json:"minutes"`
	VolumeM3PerM3    Amount        `json:"volume_m3_per_m3"`
	MixerHPerM3      Amount        `json:"mixer_h_per_m3"`
	WaterBinderRatio *Amount       `json:"water_binder_ratio"`
	Constituents     []StageAmount `json:"constituents"`
}

// StageAmount is what one stage takes of one constituent.
type StageAmount struct {
	Item        string `json:"item"`
	MassKgPerM3 Amount `json:"mass_kg_per_m3"`
}

// TakeoffResult is what the geometry of the slab comes to, per square metre.
type TakeoffResult struct {
	ConcreteM3PerM2          Amount  `json:"concrete_m3_per_m2"`
	TransverseJointMPerM2    *Amount `json:"transverse_joint_m_per_m2"`
	LongitudinalJointMPerM2  *Amount `json:"longitudinal_joint_m_per_m2"`
	PanelsPerM2              *Amount `json:"panels_per_m2"`
	DowelsPerTransverseJoint *int64  `json:"dowels_per_transverse_joint"`
	TieBarsPerPanel          *int64  `json:"tie_bars_per_panel"`
}

// Quantity is one row of the bill of quantities, per square metre and for the
// area, before waste.
type Quantity struct {
	Item     string `json:"item"`
	Use      string `json:"use"`
	Year     int    `json:"year"`
	Amount   Amount `json:"amount"`
	Unit     string `json:"unit"`
	ForArea  Amount `json:"for_area"`
	AreaUnit string `json:"area_unit"`
	Source   string `json:"source"`
}

// Concrete is the concrete per cubic metre: the declared unit beside the
// functional unit (EN 15804, 6.3).
type Concrete struct {
	GWPKgCO2ePerM3 ConcreteModules `json:"gwp_kg_co2e_per_m3"`
	CostPerM3      *Fixed          `json:"cost_per_m3"`
	Lines          []ConcreteLine  `json:"lines"`
}

// ConcreteModules are sums of the lines below them.
type ConcreteModules struct {
	A1      Fixed `json:"A1"`
	A2      Fixed `json:"A2"`
	A3      Fixed `json:"A3"`
	A1A3    Fixed `json:"A1-A3"`
	A4      Fixed `json:"A4"`
	A5Waste Fixed `json:"A5_waste"`
}

// ConcreteLine is one figure per cubic metre of concrete.
type ConcreteLine struct {
	Alternative    string `json:"alternative"`
	Stage          string `json:"stage"`
	Module         string `json:"module"`
	Item           string `json:"item"`
	Use            string `json:"use"`
	Amount         Amount `json:"amount"`
	Unit           string `json:"unit"`
	Factor         Plain  `json:"factor"`
	FactorUnit     string `json:"factor_unit"`
	GWPKgCO2ePerM3 Fixed  `json:"gwp_kg_co2e_per_m3"`
	Price          *Plain `json:"price"`
	PriceUnit      string `json:"price_unit,omitzero"`
	CostPerM3      *Fixed `json:"cost_per_m3"`
	Source         string `json:"source"`
}

// Carbon is the carbon side per square metre.
type Carbon struct {
	Modules                    CarbonModules `json:"modules"`
	ModuleStates               []ModuleState `json:"module_states"`
	StageTotals                []StageTotal  `json:"stage_totals"`
	NotDeclared                []Limitation  `json:"not_declared"`
	CradleToGateKgCO2ePerM2    Fixed         `json:"cradle_to_gate_kg_co2e_per_m2"`
	TotalKgCO2ePerM2           Fixed         `json:"total_kg_co2e_per_m2"`
	TotalCovers                []string      `json:"total_covers"`
	BySourceKind               []SourceShare `json:"by_source_kind"`
	BeyondBoundaryDKgCO2ePerM2 *Fixed        `json:"beyond_boundary_d_kg_co2e_per_m2"`
	TotalKgCO2eForArea         Fixed         `json:"total_kg_co2e_for_area"`
	WasteFactor                *Plain        `json:"waste_factor"`
	Carbonation                *CarbonUptake `json:"carbonation,omitzero"`
	Lines                      []CarbonLine  `json:"lines"`
}

// CarbonModules is the printed matrix; null is "not declared".
type CarbonModules struct {
	A0   *Fixed `json:"A0"`
	A1A3 *Fixed `json:"A1-A3"`
	A4   *Fixed `json:"A4"`
	A5   *Fixed `json:"A5"`
	B1   *Fixed `json:"B1"`
	B2   *Fixed `json:"B2"`
	B3   *Fixed `json:"B3"`
	B4   *Fixed `json:"B4"`
	B5   *Fixed `json:"B5"`
	B6   *Fixed `json:"B6"`
	B7   *Fixed `json:"B7"`
	B8   *Fixed `json:"B8"`
	C1   *Fixed `json:"C1"`
	C2   *Fixed `json:"C2"`
	C3   *Fixed `json:"C3"`
	C4   *Fixed `json:"C4"`
	D    *Fixed `json:"D"`
}

// ModuleState tells zero from unknown, for each of the 19 modules.
type ModuleState struct {
	Module string `json:"module"`
	State  string `json:"state"` // declared, not_declared, zero_with_reason
	Reason string `json:"reason,omitzero"`
}

// StageTotal is a total over a life cycle stage; null where a module of the
// stage is not declared.
type StageTotal struct {
	Stage          string `json:"stage"`
	Modules        string `json:"modules"`
	GWPKgCO2ePerM2 *Fixed `json:"gwp_kg_co2e_per_m2"`
	// DeclaredPart is the sum of the modules that are declared; over the stages
	// A to C it adds up to the total.
	DeclaredPart Fixed  `json:"declared_part_kg_co2e_per_m2"`
	Reason       string `json:"reason,omitzero"`
}

// CarbonLine is one figure per square metre of slab.
type CarbonLine struct {
	Alternative    string `json:"alternative"`
	Stage          string `json:"stage"`
	Module         string `json:"module"`
	Item           string `json:"item"`
	Use            string `json:"use"`
	Year           int    `json:"year"`
	Amount         Amount `json:"amount"`
	Unit           string `json:"unit"`
	Factor         Plain  `json:"factor"`
	FactorUnit     string `json:"factor_unit"`
	GWPKgCO2ePerM2 Fixed  `json:"gwp_kg_co2e_per_m2"`
	Source         string `json:"source"`
	FactorKey      string `json:"-"` // of the factors of the item
}

// Cost is the money side per square metre, in the currency of the head.
type Cost struct {
	InitialPerM2                 Fixed       `json:"initial_per_m2"`
	MaintenancePresentValuePerM2 Fixed       `json:"maintenance_present_value_per_m2"`
	ResidualValuePerM2           Fixed       `json:"residual_value_per_m2"`
	NetPresentValuePerM2         Fixed       `json:"net_present_value_per_m2"`
	EquivalentAnnualPerM2        Fixed       `json:"equivalent_annual_per_m2"`
	UserPresentValuePerM2        *Fixed      `json:"user_present_value_per_m2"`
	UserCost                     *UserCost   `json:"user_cost,omitzero"`
	CarbonPrice                  *CarbonCost `json:"carbon_price,omitzero"`
	BothWays                     *BothWays   `json:"both_ways,omitzero"`
	ForArea                      CostForArea `json:"for_area"`
	Lines                        []CostLine  `json:"lines"`
	NotPriced                    []NotPriced `json:"not_priced"`
	NotIncluded                  []string    `json:"not_included"`
}

// CostForArea is the same figures times the area, exactly.
type CostForArea struct {
	Initial                 Fixed  `json:"initial"`
	MaintenancePresentValue Fixed  `json:"maintenance_present_value"`
	ResidualValue           Fixed  `json:"residual_value"`
	NetPresentValue         Fixed  `json:"net_present_value"`
	EquivalentAnnual        Fixed  `json:"equivalent_annual"`
	UserPresentValue        *Fixed `json:"user_present_value"`
}

// CostLine is one dated amount of money per square metre of slab.
type CostLine struct {
	Alternative       string `json:"alternative"`
	Kind              string `json:"kind"` // initial, maintenance, user, residual
	Stage             string `json:"stage"`
	Module            string `json:"module"`
	Item              string `json:"item"`
	Use               string `json:"use"`
	Year              int    `json:"year"`
	Amount            Amount `json:"amount"`
	Unit              string `json:"unit"`
	Price             Plain  `json:"price"`
	PriceUnit         string `json:"price_unit"`
	EscalationFactor  Plain  `json:"escalation_factor"`
	CostPerM2         Fixed  `json:"cost_per_m2"`
	DiscountFactor    Plain  `json:"discount_factor"`
	PresentValuePerM2 Fixed  `json:"present_value_per_m2"`
	Source            string `json:"source"`
}

// NotPriced is a flow whose money stands elsewhere.
type NotPriced struct {
	Module string `json:"module"`
	Item   string `json:"item"`
	Use    string `json:"use"`
	Reason string `json:"reason"`
}

// Equivalence is the functional equivalence of an alternative with what the
// functional unit asks for.
type Equivalence struct {
	Met         bool         `json:"met"`
	Basis       string       `json:"basis"` // stated, asserted
	Reason      string       `json:"reason"`
	Differences []Difference `json:"differences"`
}

// Difference is one member in which an alternative's service differs.
type Difference struct {
	Field       string `json:"field"`
	Required    string `json:"required"`
	Alternative string `json:"alternative"`
}

// Statement is a warning or an assumption.
type Statement struct {
	Code    string `json:"code"`
	Message string `json:"message"`
	Pointer string `json:"pointer"`
}

// Limitation is something that the result does not cover, and why.
type Limitation struct {
	Module string `json:"module"`
	Flow   string `json:"flow,omitzero"` // of the module, where only that is left out
	Reason string `json:"reason"`
}

// Comparison sets the alternatives against the baseline.
type Comparison struct {
	Baseline     string        `json:"baseline"`
	Comparable   bool          `json:"comparable"`
	Reason       string        `json:"reason"`
	Deltas       []Delta       `json:"deltas"`
	Pareto       []string      `json:"pareto"`
	Ranking      *Ranking      `json:"ranking"`
	Abatement    []Abatement   `json:"abatement"`
	UnequalLives *UnequalLives `json:"unequal_lives,omitzero"`
	Interpreted
}

// Delta is an alternative minus the baseline; negative is less.
type Delta struct {
	Name                         string  `json:"name"`
	ThicknessMM                  Change  `json:"thickness_mm"`
	InitialPerM2                 *Change `json:"initial_per_m2"`
	MaintenancePresentValuePerM2 *Change `json:"maintenance_present_value_per_m2"`
	ResidualValuePerM2           *Change `json:"residual_value_per_m2"`
	NetPresentValuePerM2         *Change `json:"net_present_value_per_m2"`
	EquivalentAnnualPerM2        *Change `json:"equivalent_annual_per_m2"`
	CradleToGateKgCO2ePerM2      Change  `json:"cradle_to_gate_kg_co2e_per_m2"`
	TotalKgCO2ePerM2             *Change `json:"total_kg_co2e_per_m2"`
}

// Change is absolute and, where the baseline is not zero, in per cent.
type Change struct {
	Absolute        Fixed  `json:"absolute"`
	RelativePercent *Fixed `json:"relative_percent"`
}

// Ranking by one criterion each; equal values share a rank.
type Ranking struct {
	ByNetPresentValue []Rank `json:"by_net_present_value"`
	WithoutUserCost   []Rank `json:"by_net_present_value_without_user_cost,omitzero"` // where the request says whether it counts
	WithUserCost      []Rank `json:"by_net_present_value_with_user_cost,omitzero"`
	ByTotalCarbon     []Rank `json:"by_total_carbon"`
}

// Rank of one alternative.
type Rank struct {
	Rank int    `json:"rank"`
	Name string `json:"name"`
}

// Abatement is the cost of the carbon saved against the baseline.
type Abatement struct {
	Name         string `json:"name"`
	Class        string `json:"class"`
	CostPerTCO2e *Fixed `json:"cost_per_t_co2e"`
	Reason       string `json:"reason"`
}

// ItemUsed is an inventory item that a figure of this response rests on, with
// the data that the figures need and the lines do not repeat.
type ItemUsed struct {
	Ref              string            `json:"ref"`
	Name             string            `json:"name"`
	Unit             string            `json:"unit"`
	DensityKgPerM3   *Plain            `json:"density_kg_per_m3"`
	UnitMassKg       *Plain            `json:"unit_mass_kg"`
	SolidsPercent    *Plain            `json:"solids_percent"`
	BatchVolumeM3    *Plain            `json:"batch_volume_m3"`
	Recipe           []RecipePart      `json:"recipe"`
	Boundary         string            `json:"boundary,omitzero"`
	PriceDate        string            `json:"price_date,omitzero"`
	PriceBasis       string            `json:"price_basis,omitzero"`
	PriceTax         string            `json:"price_tax,omitzero"`
	PriceSource      *inventory.Source `json:"price_source"`
	PriceValidUntil  string            `json:"price_valid_until,omitzero"`
	PriceSpread      string            `json:"price_spread,omitzero"`
	PriceMinQuantity *Plain            `json:"price_min_quantity,omitzero"`
	PriceQuoted      *QuotedUsed       `json:"price_quoted,omitzero"`
	FactorSource     *inventory.Source `json:"factor_source"`
	FactorValidUntil string            `json:"factor_valid_until,omitzero"`
	FactorSpread     string            `json:"factor_spread,omitzero"`
	Pedigree         []int             `json:"pedigree,omitzero"`
	Characterisation string            `json:"characterisation,omitzero"`
	Allocation       string            `json:"allocation,omitzero"`
	Layer            string            `json:"layer,omitzero"`
	Overrides        *OverrideUsed     `json:"overrides,omitzero"`
	Note             string            `json:"note,omitzero"`
}

// OverrideUsed is what an item stands in place of: the price and the main factor of the
// item of the version that its inventory extends, or of the inventory where the request
// overrides it, null where that has none.
type OverrideUsed struct {
	Layer      string `json:"layer"`
	Price      *Plain `json:"price"`
	PriceUnit  string `json:"price_unit"`
	Factor     *Plain `json:"factor"`
	FactorUnit string `json:"factor_unit"`

	Pointer string `json:"pointer,omitzero"` // of the override in the request
	Reason  string `json:"reason,omitzero"`  // that it gives
	// FactorSource is where the other factors of an item come from whose main factor the
	// request overrides; nil where it has none.
	FactorSource *inventory.Source `json:"factor_source,omitzero"`
}

// QuotedUsed is what the source of a price says, where the inventory has it in another
// currency or at another date.
type QuotedUsed struct {
	Amount         Plain  `json:"amount"`
	Currency       string `json:"currency"`
	Date           string `json:"date"`
	ExchangeRate   *Plain `json:"exchange_rate"`
	ExchangeDate   string `json:"exchange_date,omitzero"`
	ExchangeSource string `json:"exchange_source,omitzero"`
	IndexSeries    string `json:"index_series,omitzero"`
	IndexFrom      *Plain `json:"index_from"`
	IndexTo        *Plain `json:"index_to"`
}

// RecipePart is one input of an item that is made of others.
type RecipePart struct {
	Item   string `json:"item"`
	Amount Plain  `json:"amount"`
	Unit   string `json:"unit"`
}
