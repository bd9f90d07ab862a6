package service

import (
	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// The request types mirror openapi.yaml, which describes every member. Members
// are text as the user wrote it; quantities are read in read.go.

// ComparisonRequest is the body of POST /v1/comparisons.
type ComparisonRequest struct {
	Inventory           string            `json:"inventory"`
	FunctionalUnit      FunctionalUnit    `json:"functional_unit"`
	Economics           *Economics        `json:"economics,omitzero"`
	Baseline            string            `json:"baseline"`
	EquivalenceOverride *Override         `json:"equivalence_override,omitzero"`
	DataRequirements    *DataRequirements `json:"data_requirements,omitzero"`
	Overrides           []FigureOverride  `json:"overrides,omitzero"`
	Strategies          []Strategy        `json:"strategies,omitzero"`
	Interpretation
	Alternatives []jsontext.Value `json:"alternatives"` // Alternative, after "like" is resolved
}

// EvaluationRequest is the body of POST /v1/evaluations: one alternative.
type EvaluationRequest struct {
	Inventory        string            `json:"inventory"`
	FunctionalUnit   FunctionalUnit    `json:"functional_unit"`
	Economics        *Economics        `json:"economics,omitzero"`
	DataRequirements *DataRequirements `json:"data_requirements,omitzero"`
	Overrides        []FigureOverride  `json:"overrides,omitzero"`
	Strategies       []Strategy        `json:"strategies,omitzero"`
	Limits           []LimitAsked      `json:"limits,omitzero"`
	Alternative      jsontext.Value    `json:"alternative"`
}

// FunctionalUnit is what every alternative must provide (ISO 14044, 4.2.3.2;
// EN 15978, 7.2: functional equivalent).
type FunctionalUnit struct {
	Area                string        `json:"area"`
	AnalysisPeriodYears int           `json:"analysis_period_years"`
	Service             *ServiceLevel `json:"service,omitzero"`
	UnequalLives        string        `json:"unequal_lives,omitzero"`
}

// ServiceLevel is the service that makes alternatives comparable.
type ServiceLevel struct {
	EquivalentAxles  *int64 `json:"equivalent_axles,omitzero"`
	DesignLifeYears  *int64 `json:"design_life_years,omitzero"`
	Reliability      string `json:"reliability,omitzero"`
	FlexuralStrength string `json:"flexural_strength,omitzero"`
	SubgradeReaction string `json:"subgrade_reaction,omitzero"`
	EdgeSupport      string `json:"edge_support,omitzero"`
	ExposureClass    string `json:"exposure_class,omitzero"`
	Climate          string `json:"climate,omitzero"`
}

// Override lets alternatives of unequal service be ranked all the same.
type Override struct {
	Reason string `json:"reason"`
}

// Alternative is one slab design with its mix, hauls, works and maintenance.
type Alternative struct {
	Name         string          `json:"name"`
	Like         string          `json:"like,omitzero"`
	Mix          *Mix            `json:"mix,omitzero"`
	Slab         *Slab           `json:"slab,omitzero"`
	Transport    []TransportRule `json:"transport,omitzero"`
	Construction []Operation     `json:"construction,omitzero"`
	Maintenance  []Event         `json:"maintenance,omitzero"` // nil: not planned; empty: planned, nothing due
	Strategy     string          `json:"strategy,omitzero"`    // names a plan of the request, in place of maintenance
	EndOfLife    []EndOfLife     `json:"end_of_life,omitzero"`
	Residual     *Residual       `json:"residual,omitzero"`
	Carbonation  *Carbonation    `json:"carbonation,omitzero"` // nil: B1 is not declared
	Service      *ServiceLevel   `json:"service,omitzero"`

	SpecifiedConcrete *SpecifiedConcrete `json:"specified_concrete,omitzero"`
}

// Mix is the concrete, per cubic metre.
type Mix struct {
	Constituents  []Constituent `json:"constituents,omitzero"`
	Add           []Constituent `json:"add,omitzero"` // appended to constituents, then dropped; kept beside ratios
	ByRatio       *MixRatios    `json:"by_ratio,omitzero"`
	Air           string        `json:"air,omitzero"`
	AbsorbedWater string        `json:"absorbed_water,omitzero"`
	Production    []Input       `json:"production,omitzero"`
	Stages        []Stage       `json:"stages,omitzero"`
}

// Constituent is one material of the mix.
type Constituent struct {
	Item      string `json:"item"`
	Amount    string `json:"amount"`
	Transport string `json:"transport,omitzero"` // "included"
	Reason    string `json:"reason,omitzero"`
}

// Input is something used per cubic metre in making the concrete.
type Input struct {
	Item   string `json:"item"`
	Amount string `json:"amount"`
}

// Stage is one step of staged mixing.
type Stage struct {
	Name    string `json:"name"`
	Mixer   string `json:"mixer"`
	Minutes int    `json:"minutes"`
	Takes   Takes  `json:"takes"`
}

// Takes is a list of takes, or the word "rest".
type Takes struct {
	Rest bool
	List []Take
}

// Take moves a share of a constituent, or of a group of them, into a stage.
type Take struct {
	Item             string `json:"item,omitzero"`
	Category         string `json:"category,omitzero"`
	Share            string `json:"share,omitzero"`
	WaterBinderRatio string `json:"water_binder_ratio,omitzero"`
}

// UnmarshalJSONFrom reads the union.
func (t *Takes) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	if dec.PeekKind() == '"' {
		var word string
		if err := json.UnmarshalDecode(dec, &word); err != nil {
			return err
		}
		*t = Takes{Rest: true} // the contract admits no other word
		return nil
	}
	*t = Takes{}
	return json.UnmarshalDecode(dec, &t.List)
}

// MarshalJSONTo writes the union.
func (t Takes) MarshalJSONTo(enc *jsontext.Encoder) error {
	if t.Rest {
		return enc.WriteToken(jsontext.String("rest"))
	}
	return json.MarshalEncode(enc, t.List)
}

// Slab is the pavement: one lane, with its joints and layers.
type Slab struct {
	Thickness Thickness `json:"thickness,omitzero"`
	LaneWidth string    `json:"lane_width,omitzero"`
	Joints    *Joints   `json:"joints,omitzero"`
	Layers    []Layer   `json:"layers,omitzero"`
	Curing    string    `json:"curing,omitzero"`
	Waste     *Waste    `json:"waste,omitzero"`
	// ServiceLifeYears counts where the functional unit compares unequal lives.
	ServiceLifeYears int `json:"service_life_years,omitzero"`
}

// Joints of a jointed plain concrete pavement.
type Joints struct {
	Spacing       string `json:"spacing"`
	Dowel         string `json:"dowel,omitzero"`
	DowelSpacing  string `json:"dowel_spacing,omitzero"`
	TieBar        string `json:"tie_bar,omitzero"`
	TieBarSpacing string `json:"tie_bar_spacing,omitzero"`
	Sealant       string `json:"sealant,omitzero"`
}

// Layer under the slab.
type Layer struct {
	Item      string `json:"item"`
	Thickness string `json:"thickness"`
	Transport string `json:"transport,omitzero"` // "included"
	Reason    string `json:"reason,omitzero"`
}

// Waste of concrete on site (EN 15804: the wasted share counts in A5).
type Waste struct {
	Concrete string `json:"concrete"`
	Disposal string `json:"disposal,omitzero"`
}

// TransportRule moves what it names, or says why nothing is to be counted.
type TransportRule struct {
	Item      string `json:"item,omitzero"`
	Category  string `json:"category,omitzero"`
	To        string `json:"to"`
	Mode      string `json:"mode,omitzero"`
	Distance  string `json:"distance,omitzero"`
	Transport string `json:"transport,omitzero"` // "included"
	Reason    string `json:"reason,omitzero"`
}

// Operation of construction; its amount derives from the geometry.
type Operation struct {
	Item     string `json:"item"`
	Share    string `json:"share,omitzero"`
	UserCost string `json:"user_cost,omitzero"`
}

// EndOfLife is a process at the end of the period; carbon only.
type EndOfLife struct {
	Item   string `json:"item"`
	Module string `json:"module"`
	Share  string `json:"share,omitzero"`
}

// Residual value at the end of the period.
type Residual struct {
	Method     string `json:"method"`
	LifeYears  int    `json:"life_years,omitzero"`
	FinalValue string `json:"final_value,omitzero"`
	Value      string `json:"value,omitzero"`
}
