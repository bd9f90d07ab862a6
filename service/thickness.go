package service

import (
	"context"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
	"slabledger/lca/pavement"
	"slabledger/lca/unit"
)

// Thickness is a length, or a design that sizes the slab.
type Thickness struct {
	Given  string
	Design *ThicknessDesign
}

// UnmarshalJSONFrom reads the union. A design laid over a design merges.
func (t *Thickness) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	if dec.PeekKind() == '"' {
		t.Design = nil
		return json.UnmarshalDecode(dec, &t.Given)
	}
	t.Given = ""
	if t.Design == nil {
		t.Design = &ThicknessDesign{}
	}
	return json.UnmarshalDecode(dec, t.Design)
}

// MarshalJSONTo writes the union.
func (t Thickness) MarshalJSONTo(enc *jsontext.Encoder) error {
	if t.Design != nil {
		return json.MarshalEncode(enc, t.Design)
	}
	return enc.WriteToken(jsontext.String(t.Given))
}

// IsZero tells an absent thickness.
func (t Thickness) IsZero() bool { return t.Given == "" && t.Design == nil }

// Sizing is what every method is told.
type Sizing struct {
	Traffic        Traffic         `json:"traffic"`
	Soil           Soil            `json:"soil"`
	Edge           Edge            `json:"edge,omitzero"`
	Strength       DesignStrength  `json:"strength"`
	Serviceability *Serviceability `json:"serviceability,omitzero"`
	Rounding       *Rounding       `json:"rounding,omitzero"`
}

// ThicknessDesign is what a method needs to size a slab.
type ThicknessDesign struct {
	Method string `json:"method"`
	Sizing
}

// Traffic in the design period, on the design lane.
type Traffic struct {
	Axles            []AxleLoad    `json:"axles,omitzero"`
	Trucks           *TruckTraffic `json:"trucks,omitzero"`
	EquivalentAxles  *int64        `json:"equivalent_axles,omitzero"`
	LoadSafetyFactor string        `json:"load_safety_factor,omitzero"`
}

// AxleLoad is one row of a spectrum.
type AxleLoad struct {
	Axle          string `json:"axle"`
	Load          string `json:"load"`
	Repetitions   *int64 `json:"repetitions,omitzero"`
	Per1000Trucks string `json:"per_1000_trucks,omitzero"`
}

// TruckTraffic is a count of trucks with the axles of a thousand of them.
type TruckTraffic struct {
	TrucksPerDay   int64      `json:"trucks_per_day"`
	Growth         string     `json:"growth,omitzero"`
	DirectionSplit string     `json:"direction_split"`
	LaneSplit      string     `json:"lane_split"`
	DesignYears    int        `json:"design_years"`
	Axles          []AxleLoad `json:"axles"`
}

// Soil under the slab. K and CBR are those on top of the base; in place of K, the
// subgrade and its base may be given.
type Soil struct {
	K         string    `json:"k,omitzero"`
	CBR       string    `json:"cbr,omitzero"`
	SubgradeK string    `json:"subgrade_k,omitzero"`
	Base      *SoilBase `json:"base,omitzero"`
}

// SoilBase is the layer between subgrade and slab.
type SoilBase struct {
	Thickness string `json:"thickness,omitzero"`
	Kind      string `json:"kind,omitzero"`
}

// UnmarshalJSONFrom lays a soil over another. A k takes the place of a subgrade with
// its base, and a subgrade that of a k; else members merge.
func (s *Soil) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	type plain Soil
	text, err := dec.ReadValue()
	if err != nil {
		return err
	}
	var fresh plain
	if err := json.Unmarshal(text, &fresh); err != nil {
		return err
	}
	if fresh.K != "" {
		s.SubgradeK, s.Base = "", nil
	}
	if fresh.SubgradeK != "" {
		s.K = ""
	}
	return json.Unmarshal(text, (*plain)(s))
}

// Edge is how the slab ends: at joints and at its shoulder.
type Edge struct {
	Dowels           bool `json:"dowels,omitzero"`
	ConcreteShoulder bool `json:"concrete_shoulder,omitzero"`
}

// DesignStrength of the concrete in flexure.
type DesignStrength struct {
	ModulusOfRupture       string `json:"modulus_of_rupture,omitzero"`
	Rule                   string `json:"strength_rule,omitzero"`
	ResidualRatio          string `json:"residual_ratio,omitzero"`
	F150                   string `json:"f150,omitzero"`
	CoefficientOfVariation string `json:"coefficient_of_variation,omitzero"`
	// BeamTests stand in place of the modulus of rupture, R and f150.
	BeamTests *BeamTestRequest `json:"beam_tests,omitzero"`
}

// UnmarshalJSONFrom lays a strength over another. One that says where it comes
// from, a modulus of rupture or beam tests, takes the place of the whole; else
// its members merge, so that an alternative can change the rule alone.
func (d *DesignStrength) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	type plain DesignStrength
	text, err := dec.ReadValue()
	if err != nil {
		return err
	}
	var fresh plain
	if err := json.Unmarshal(text, &fresh); err != nil {
		return err
	}
	if fresh.ModulusOfRupture != "" || fresh.BeamTests != nil {
		*d = DesignStrength(fresh)
		return nil
	}
	return json.Unmarshal(text, (*plain)(d))
}

// Serviceability is what the equation of 1993 asks for.
type Serviceability struct {
	Reliability    string `json:"reliability,omitzero"`
	ZR             string `json:"zr,omitzero"`
	S0             string `json:"s0,omitzero"`
	DeltaPSI       string `json:"delta_psi,omitzero"`
	TerminalPSI    string `json:"terminal_psi,omitzero"`
	LoadTransfer   string `json:"load_transfer,omitzero"`
	Drainage       string `json:"drainage,omitzero"`
	ElasticModulus string `json:"elastic_modulus,omitzero"`
}

// Rounding of the required thickness to one that is built.
type Rounding struct {
	Policy string `json:"policy,omitzero"`
	Step   string `json:"step,omitzero"`
	Min    string `json:"min,omitzero"`
	Max    string `json:"max,omitzero"`
}

// ThicknessRequest is the body of POST /v1/thickness: the same design by one or
// more methods.
type ThicknessRequest struct {
	Methods []string `json:"methods"`
	Sizing
	Thickness   string `json:"thickness,omitzero"`
	Sensitivity bool   `json:"sensitivity,omitzero"`
}

// ThicknessResponse answers POST /v1/thickness.
type ThicknessResponse struct {
	EngineVersion string            `json:"engine_version"`
	RequestHash   string            `json:"request_hash"`
	Results       []ThicknessResult `json:"results"`
	Notices       []string          `json:"notices"`
}

// ThicknessResult is one method's answer.
type ThicknessResult struct {
	Method               string              `json:"method"`
	Title                string              `json:"title"`
	Source               string              `json:"source"`
	StrengthWanted       string              `json:"strength_wanted"`
	EffectiveStrengthMPa Plain               `json:"effective_strength_mpa"`
	StrengthRule         string              `json:"strength_rule"`
	BeamTests            *BeamTestResult     `json:"beam_tests"`
	Soil                 *FoundationResult   `json:"soil"`
	RequiredMM           *Plain              `json:"required_thickness_mm"`
	LeastMM              *Plain              `json:"least_whole_mm"`
	ThicknessMM          Plain               `json:"thickness_mm"`
	RoundedByMM          *Plain              `json:"rounded_by_mm"`
	RoundedByPercent     *Plain              `json:"rounded_by_percent"`
	Governs              string              `json:"governs"`
	Criteria             []CriterionResult   `json:"criteria"`
	AllowableAxles       *Plain              `json:"allowable_equivalent_axles"`
	EquivalentAxles      *EquivalentAxles    `json:"equivalent_axles"`
	Damage               []DamageLine        `json:"damage"`
	Pass                 bool                `json:"pass"`
	Sensitivity          []SensitivityResult `json:"sensitivity"`
	Warnings             []Statement         `json:"warnings"`
}

// FoundationResult is how k was found from a subgrade and a base.
type FoundationResult struct {
	SubgradeK       Plain  `json:"subgrade_k_mpa_per_m"`
	BaseThicknessMM Plain  `json:"base_thickness_mm"`
	BaseKind        string `json:"base_kind"`
	K               Plain  `json:"k_mpa_per_m"`
	How             string `json:"how"`
}

// EquivalentAxles are the 18-kip single axles that a spectrum comes to on the slab
// that is built or checked. Iterations are those of the search for the required
// thickness, nil where there was none.
type EquivalentAxles struct {
	ThicknessMM Plain            `json:"thickness_mm"`
	Total       Plain            `json:"total"`
	Lines       []EquivalentLine `json:"lines"`
	Iterations  *int             `json:"iterations"`
	Source      string           `json:"source"`
}

// EquivalentLine is one axle group in equivalent axles.
type EquivalentLine struct {
	Axle        string `json:"axle"`
	LoadKN      Plain  `json:"load_kn"`
	Repetitions Plain  `json:"repetitions"`
	Factor      Plain  `json:"factor"`
	Axles       Plain  `json:"equivalent_axles"`
}

// CriterionResult is one way in which the slab reaches the end of its life.
type CriterionResult struct {
	Criterion  string `json:"criterion"`
	RequiredMM *Plain `json:"required_thickness_mm"`
	DamagePct  Plain  `json:"damage_percent"`
}

// DamageLine is one axle group at the thickness that is built or checked.
type DamageLine struct {
	Axle                        string `json:"axle"`
	LoadKN                      Plain  `json:"load_kn"`
	DesignLoadKN                Plain  `json:"design_load_kn"`
	Repetitions                 Plain  `json:"repetitions"`
	EquivalentStressMPa         Plain  `json:"equivalent_stress_mpa"`
	StressRatio                 Plain  `json:"stress_ratio"`
	FatigueAllowableRepetitions *Plain `json:"fatigue_allowable_repetitions"`
	FatigueDamagePercent        Plain  `json:"fatigue_damage_percent"`
	ErosionPower                Plain  `json:"erosion_power"`
	ErosionAllowableRepetitions *Plain `json:"erosion_allowable_repetitions"`
	ErosionDamagePercent        Plain  `json:"erosion_damage_percent"`
}

// SensitivityResult is the least thickness after one input moved.
type SensitivityResult struct {
	Parameter     string `json:"parameter"`
	ChangePercent int    `json:"change_percent"`
	RequiredMM    *Plain `json:"required_thickness_mm"`
	DifferenceMM  *Plain `json:"difference_mm"`
	Governs       string `json:"governs"`
	Reason        string `json:"reason,omitzero"`
}

// ThicknessCaution stands beside every thickness.
const ThicknessCaution = "The methods do not cover ductility of fibre concrete after cracking, crack width, joint faulting with fibres, curling by temperature or drying, overlays, and reinforced or prestressed slabs."

// FoundationNotice stands beside a thickness whose k was found from a base.
const FoundationNotice = "Where a base is given, k on top of it is interpolated in the tables of EB109P (1984); their figures are values from memory, not read in print."

// SizeSlab answers POST /v1/thickness.
func (s *Service) SizeSlab(_ context.Context, body []byte, refused ...fault.Fault) (resp *ThicknessResponse, err error) {
	defer func() { err = joined(refused, err) }()
	var req ThicknessRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as a thickness design", Cause: err}
	}
	resp = &ThicknessResponse{EngineVersion: EngineVersion, Notices: []string{Caution, ThicknessCaution}}
	if req.Soil.Base != nil {
		resp.Notices = append(resp.Notices, FoundationNotice)
	}
	var faults methodFaults
	for i, method := range req.Methods {
		if slices.Contains(req.Methods[:i], method) {
			faults.twice.Add(fault.Path("/methods").At(i), "duplicate-name", "the method %s stands twice", short(method))
			continue
		}
		design := ThicknessDesign{Method: method, Sizing: req.Sizing}
		r := reader{}
		var check decimal.NullDecimal
		if req.Thickness != "" {
			if q, ok := r.required(req.Thickness, "240 mm", "/thickness", unit.Length); ok {
				check = decimal.NewNullDecimal(q.SI().Shift(3))
			}
		}
		result := r.size(design, "", check, req.Sensitivity)
		for _, f := range r.faults.All() {
			if f.Pointer == "/method" {
				f.Pointer = fault.Path("/methods").At(i)
			}
			faults.add(f, method)
		}
		faults.methods++
		if result != nil {
			resp.Results = append(resp.Results, *result)
		}
	}
	if all := faults.all(); len(all) > 0 {
		return nil, errFaults(all)
	}
	resp.RequestHash, err = canonicalHash(body)
	return resp, err
}

// methodFaults gathers the faults of one request by several methods: what more than
// one of them finds is told once.
type methodFaults struct {
	methods int
	found   []fault.Fault
	by      [][]string // methods, beside found
	twice   fault.List // methods named twice
}

func (m *methodFaults) add(f fault.Fault, method string) {
	i := slices.Index(m.found, f)
	if i < 0 {
		m.found, m.by = append(m.found, f), append(m.by, []string{method})
	} else if !slices.Contains(m.by[i], method) {
		m.by[i] = append(m.by[i], method)
	}
}

// all names the methods before a fault that not every one of them has.
func (m *methodFaults) all() []fault.Fault {
	for i := range m.found {
		if by := m.by[i]; len(by) < m.methods {
			m.found[i].Detail = strings.Join(by, ", ") + ": " + m.found[i].Detail
		}
	}
	return append(m.found, m.twice.All()...)
}

// size reads a design and solves it, or checks a given thickness in mm. It is
// nil where the reader has gathered a fault.
func (r *reader) size(d ThicknessDesign, at fault.Path, check decimal.NullDecimal, sensitivity bool) *ThicknessResult {
	before := r.faults.Len()
	in, tests := r.pavementInput(d, at)
	rounding := r.rounding(d.Rounding, at.At("rounding"))
	if r.faults.Len() > before {
		return nil
	}
	refuse := func(found []fault.Fault) *ThicknessResult {
		r.faults.Append(inRequest(found, d, at)...)
		return nil
	}
	design, found := pavement.Prepare(in)
	if !found.Empty() {
		return refuse(found.All())
	}
	about := design.About()
	out := &ThicknessResult{Method: about.ID, Title: about.Title, Source: about.Source, StrengthWanted: about.Strength,
		EffectiveStrengthMPa: Plain{num.Line(design.Strength().MPa)}, StrengthRule: string(design.Strength().Rule),
		BeamTests: tests, Criteria: []CriterionResult{}, Damage: []DamageLine{}, Sensitivity: []SensitivityResult{}}
	var notes fault.List
	notes.Append(design.Warnings()...)
	if tests != nil {
		at := at.At("strength", "beam_tests")
		if value := tests.Design.Value; strings.HasPrefix(about.Strength, "characteristic") && value != DesignCharacteristic || strings.HasPrefix(about.Strength, "mean") && value == DesignCharacteristic {
			notes.Add(at.At("design_value"), "strength-not-as-wanted", "%s wants the %s; the beam tests give the %s value", about.ID, about.Strength, value)
		}
		for _, f := range tests.Findings {
			if f.Code == "unusual-strength" {
				notes.Add(fault.Path(f.Pointer), f.Code, "%s", f.Message)
			}
		}
	}
	required := map[pavement.Criterion]decimal.Decimal{}
	thickness := check.Decimal
	var iterations *int
	if !check.Valid {
		solution, found := design.Solve()
		if !found.Empty() {
			return refuse(found.All())
		}
		iterations = &solution.Iterations
		notes.Append(solution.Notes...)
		for _, c := range solution.Criteria {
			required[c.Criterion] = c.ThicknessMM
		}
		rounded, found := rounding.Round(solution.ThicknessMM)
		if !found.Empty() {
			return refuse(found.All())
		}
		notes.Append(rounded.Warnings...)
		thickness = rounded.ThicknessMM
		out.RequiredMM, out.LeastMM = &Plain{solution.ThicknessMM}, &Plain{solution.LeastMM}
		out.RoundedByMM, out.RoundedByPercent = &Plain{rounded.DifferenceMM}, &Plain{rounded.DifferencePercent}
		out.Governs = string(solution.Governs)
	}
	result, found := design.Check(thickness)
	if !found.Empty() {
		for i := range found.All() {
			switch { // rounding made a slab that the method does not cover
			case check.Valid:
			case d.Rounding != nil:
				found.All()[i].Pointer = at.At("rounding")
			default:
				found.All()[i].Pointer = at.At("traffic")
			}
		}
		return refuse(found.All())
	}
	out.ThicknessMM, out.Pass, out.AllowableAxles = Plain{thickness}, result.Pass, plainOf(result.Allowable)
	if check.Valid {
		out.Governs = string(result.Governs)
	}
	for _, t := range result.Totals {
		c := CriterionResult{Criterion: string(t.Criterion), DamagePct: Plain{t.Percent}}
		if mm, ok := required[t.Criterion]; ok {
			c.RequiredMM = &Plain{mm}
		}
		out.Criteria = append(out.Criteria, c)
	}
	for _, g := range result.Groups {
		out.Damage = append(out.Damage, DamageLine{Axle: string(g.Axle), LoadKN: Plain{num.Line(g.LoadKN)}, DesignLoadKN: Plain{num.Line(g.DesignLoadKN)}, Repetitions: Plain{g.Repetitions},
			EquivalentStressMPa: Plain{g.StressMPa}, StressRatio: Plain{g.StressRatio}, FatigueAllowableRepetitions: plainOf(g.FatigueAllowable), FatigueDamagePercent: Plain{g.FatiguePercent},
			ErosionPower: Plain{g.ErosionPower}, ErosionAllowableRepetitions: plainOf(g.ErosionAllowable), ErosionDamagePercent: Plain{g.ErosionPercent}})
	}
	if len(result.Equivalents) > 0 {
		e := &EquivalentAxles{ThicknessMM: Plain{thickness}, Total: Plain{result.EquivalentAxles}, Iterations: iterations, Source: pavement.SourceOfEquivalence}
		for _, l := range result.Equivalents {
			e.Lines = append(e.Lines, EquivalentLine{Axle: string(l.Axle), LoadKN: Plain{num.Line(l.LoadKN)}, Repetitions: Plain{l.Repetitions}, Factor: Plain{l.Factor}, Axles: Plain{l.Axles}})
		}
		out.EquivalentAxles = e
	}
	if f := design.Foundation(); f != nil {
		out.Soil = &FoundationResult{SubgradeK: Plain{num.Line(f.Subgrade)}, BaseThicknessMM: Plain{num.Line(f.Base.ThicknessMM)}, BaseKind: string(f.Base.Kind), K: Plain{num.Line(f.K)}, How: f.String()}
	}
	if sensitivity {
		r.sensitivity(design, out)
	}
	out.Warnings = statements(inRequest(notes.All(), d, at))
	return out
}

func (r *reader) sensitivity(design *pavement.Design, out *ThicknessResult) {
	effects, found := design.Sensitivity()
	r.faults.Append(found.All()...)
	for _, e := range effects {
		s := SensitivityResult{Parameter: e.Parameter, ChangePercent: e.ChangePercent, RequiredMM: plainOf(e.ThicknessMM), DifferenceMM: plainOf(e.DifferenceMM), Governs: string(e.Governs)}
		for _, f := range e.Faults {
			s.Reason = f.Detail
		}
		out.Sensitivity = append(out.Sensitivity, s)
	}
}

// fromTrucks points faults of a spectrum at the trucks that it was made from.
func fromTrucks(found []fault.Fault, traffic Traffic, at fault.Path) []fault.Fault {
	if traffic.Trucks == nil {
		return found
	}
	prefix := string(at.At("traffic", "axles"))
	for i := range found {
		if rest, ok := strings.CutPrefix(string(found[i].Pointer), prefix); ok {
			found[i].Pointer = at.At("traffic", "trucks", "axles") + fault.Path(rest)
		}
	}
	return found
}

// inRequest points what a design says at the members that the request has: the
// trucks that a spectrum was made from, and the beam tests that a strength comes from.
func inRequest(found []fault.Fault, d ThicknessDesign, at fault.Path) []fault.Fault {
	if found = fromTrucks(found, d.Traffic, at); d.Strength.BeamTests == nil {
		return found
	}
	strength := at.At("strength")
	tests := strength.At("beam_tests")
	for i := range found {
		switch found[i].Pointer {
		case strength.At("modulus_of_rupture"), strength.At("residual_ratio"), strength.At("f150"):
			found[i].Pointer = tests
		case strength.At("strength_rule"):
			if d.Strength.Rule == "" {
				found[i].Pointer = tests.At("strength_rule")
			}
		}
	}
	return found
}

// pavementInput reads a design; the second value is what beam tests say, where
// the strength is theirs.
func (r *reader) pavementInput(d ThicknessDesign, at fault.Path) (pavement.Input, *BeamTestResult) {
	in := pavement.Input{Method: d.Method, Dowels: d.Edge.Dowels, Shoulder: d.Edge.ConcreteShoulder, At: at}
	in.Groups = r.spectrum(d.Traffic, at.At("traffic"))
	in.LoadSafetyFactor = r.plainNumber(d.Traffic.LoadSafetyFactor, at.At("traffic", "load_safety_factor"))
	if n := d.Traffic.EquivalentAxles; n != nil {
		in.EquivalentAxles = decimal.NewNullDecimal(decimal.NewFromInt(*n))
	}
	in.K, in.Base = r.reaction(d.Soil, at.At("soil"))
	in.CBR = r.optional(d.Soil.CBR, at.At("soil", "cbr"), 2, unit.Ratio)
	strength := at.At("strength")
	var tests *BeamTestResult
	if d.Strength.BeamTests != nil {
		in.Strength, tests = r.tested(d.Strength, strength)
	} else {
		if q, ok := r.required(d.Strength.ModulusOfRupture, "4.5 MPa", strength.At("modulus_of_rupture"), unit.Pressure); ok {
			in.Strength.MOR = q.SI().Shift(-6)
		}
		in.Strength.Rule = pavement.Rule(d.Strength.Rule)
		in.Strength.ResidualRatio = r.optional(d.Strength.ResidualRatio, strength.At("residual_ratio"), 2, unit.Ratio)
		in.Strength.F150 = r.optional(d.Strength.F150, strength.At("f150"), -6, unit.Pressure)
		if d.Strength.Rule == "" && (d.Strength.ResidualRatio != "" || d.Strength.F150 != "") {
			r.faults.Add(strength.At("strength_rule"), "required-member-missing", "a residual strength is given, but no rule by which it counts: residual_ratio, mor_plus_f150, or none")
		}
	}
	in.CV = r.optional(d.Strength.CoefficientOfVariation, strength.At("coefficient_of_variation"), 0, unit.Ratio)
	if v := d.Serviceability; v != nil {
		at := at.At("serviceability")
		in.Serviceability = pavement.AASHTOTerms{
			Reliability: r.optional(v.Reliability, at.At("reliability"), 2, unit.Ratio),
			ZR:          r.plainNumber(v.ZR, at.At("zr")),
			S0:          r.plainNumber(v.S0, at.At("s0")),
			DeltaPSI:    r.plainNumber(v.DeltaPSI, at.At("delta_psi")),
			TerminalPSI: r.plainNumber(v.TerminalPSI, at.At("terminal_psi")),
			J:           r.plainNumber(v.LoadTransfer, at.At("load_transfer")),
			Cd:          r.plainNumber(v.Drainage, at.At("drainage")),
			Ec:          r.optional(v.ElasticModulus, at.At("elastic_modulus"), -6, unit.Pressure),
		}
	}
	return in, tests
}

// reaction reads k, or that of the subgrade with its base.
func (r *reader) reaction(s Soil, at fault.Path) (decimal.NullDecimal, *pavement.Base) {
	switch {
	case s.SubgradeK == "" && s.Base == nil:
		return r.optional(s.K, at.At("k"), -6, unit.SubgradeReaction), nil
	case s.K != "":
		wrong := "k"
		if s.SubgradeK == "" {
			wrong = "base"
		}
		r.faults.Add(at.At(wrong), "one-of", "k is that on top of the base; give it, or the subgrade_k and the base that it follows from")
		return decimal.NullDecimal{}, nil
	case s.Base == nil:
		r.faults.Add(at.At("base"), "required-member-missing", "a subgrade_k needs the base on it; without a base it is the k")
		return decimal.NullDecimal{}, nil
	}
	k, _ := r.required(s.SubgradeK, "27 MPa/m", at.At("subgrade_k"), unit.SubgradeReaction)
	thickness, _ := r.required(s.Base.Thickness, "150 mm", at.At("base", "thickness"), unit.Length)
	if s.Base.Kind == "" {
		r.faults.Add(at.At("base", "kind"), "required-member-missing", "missing; accepted: %s, %s", pavement.Untreated, pavement.CementTreated)
	}
	return decimal.NewNullDecimal(si(k).Shift(-6)), &pavement.Base{ThicknessMM: si(thickness).Shift(3), Kind: pavement.BaseKind(s.Base.Kind)}
}

// tested takes the strength from beam tests. The rule of the design goes before
// that of the tests.
func (r *reader) tested(d DesignStrength, at fault.Path) (pavement.Strength, *BeamTestResult) {
	for name, given := range map[string]string{"modulus_of_rupture": d.ModulusOfRupture, "residual_ratio": d.ResidualRatio, "f150": d.F150} {
		if given != "" {
			r.faults.Add(at.At(name), "one-of", "%s comes from the beam tests; give one or the other", name)
		}
	}
	result, found := EvaluateBeamTests(*d.BeamTests, at.At("beam_tests"))
	r.faults.Append(found.All()...)
	if !found.Empty() {
		return pavement.Strength{}, nil
	}
	if result.Design.MORMPa == nil {
		r.faults.Add(at.At("beam_tests"), "strength-missing", "no modulus of rupture follows from these beams: %s", firstOf(result.Design.Findings))
		return pavement.Strength{}, nil
	}
	s := pavement.Strength{MOR: result.Design.MORMPa.Decimal, Rule: pavement.Rule(d.Rule), ResidualRatio: nullOf(result.Design.RatioPercent), F150: nullOf(result.Design.F150MPa)}
	if s.Rule == "" {
		s.Rule = pavement.Rule(result.Design.StrengthRule)
	}
	return s, &result
}

func nullOf(a *Amount) decimal.NullDecimal {
	if a == nil {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(a.Decimal)
}

func firstOf(list []Statement) string {
	if len(list) == 0 {
		return "see /v1/beam-tests"
	}
	return list[0].Message
}

// optional reads a quantity where there is one, in its SI unit times 10^shift.
func (r *reader) optional(text string, at fault.Path, shift int32, kind unit.Kind) decimal.NullDecimal {
	if text == "" {
		return decimal.NullDecimal{}
	}
	q, ok := r.quantity(text, at, kind)
	return decimal.NullDecimal{Decimal: si(q).Shift(shift), Valid: ok}
}

// plainNumber reads a number without a unit where there is one.
func (r *reader) plainNumber(text string, at fault.Path) decimal.NullDecimal {
	if text == "" {
		return decimal.NullDecimal{}
	}
	v, err := num.Parse(text)
	if err != nil {
		r.faults.Add(at, "decimal-invalid", "%q: %v", short(text), err)
	}
	return decimal.NullDecimal{Decimal: v, Valid: err == nil}
}

func (r *reader) spectrum(t Traffic, at fault.Path) []pavement.Group {
	given := 0
	for _, is := range []bool{t.Axles != nil, t.Trucks != nil, t.EquivalentAxles != nil} {
		if is {
			given++
		}
	}
	if given == 0 || (t.Axles != nil && t.Trucks != nil) {
		r.faults.Add(at, "one-of", "traffic is a spectrum of axles, or trucks with their axles; aashto93 takes equivalent_axles too")
		return nil
	}
	if t.Trucks == nil {
		groups := make([]pavement.Group, len(t.Axles))
		for i, a := range t.Axles {
			at := at.At("axles", i)
			groups[i] = pavement.Group{Axle: pavement.Axle(a.Axle), LoadKN: r.axleLoad(a.Load, at)}
			if a.Repetitions == nil {
				r.faults.Add(at.At("repetitions"), "required-member-missing", "an axle load needs its repetitions in the design period, a whole number")
				continue
			}
			if a.Per1000Trucks != "" {
				r.faults.Add(at.At("per_1000_trucks"), "not-used", "axles of a thousand trucks go with trucks")
			}
			groups[i].Repetitions = decimal.NewFromInt(*a.Repetitions)
		}
		return groups
	}
	k := t.Trucks
	at = at.At("trucks")
	trucks := pavement.Trucks{PerDay: decimal.NewFromInt(k.TrucksPerDay), Years: k.DesignYears, At: at}
	if k.Growth != "" {
		if q, ok := r.quantity(k.Growth, at.At("growth"), unit.Ratio); ok {
			trucks.GrowthPercent = q.SI().Shift(2)
		}
	}
	for _, split := range []struct {
		to   *decimal.Decimal
		text string
		name string
	}{{&trucks.DirectionPercent, k.DirectionSplit, "direction_split"}, {&trucks.LanePercent, k.LaneSplit, "lane_split"}} {
		if q, ok := r.required(split.text, "50 %", at.At(split.name), unit.Ratio); ok {
			*split.to = q.SI().Shift(2)
		}
	}
	for i, a := range k.Axles {
		at := at.At("axles", i)
		rate := pavement.AxleRate{Axle: pavement.Axle(a.Axle), LoadKN: r.axleLoad(a.Load, at)}
		per := r.plainNumber(a.Per1000Trucks, at.At("per_1000_trucks"))
		if a.Per1000Trucks == "" {
			r.faults.Add(at.At("per_1000_trucks"), "required-member-missing", "how many such axles have 1,000 trucks, such as \"58.3\"")
		} else if per.Valid && per.Decimal.IsNegative() {
			r.faults.Add(at.At("per_1000_trucks"), "out-of-range", "%s axles of 1,000 trucks; accepted: 0 and more", per.Decimal)
		}
		if a.Repetitions != nil {
			r.faults.Add(at.At("repetitions"), "not-used", "repetitions follow from the trucks")
		}
		rate.Per1000Trucks = per.Decimal
		trucks.Axles = append(trucks.Axles, rate)
	}
	groups, found := trucks.Spectrum()
	r.faults.Append(found.All()...)
	return groups
}

func (r *reader) axleLoad(text string, at fault.Path) decimal.Decimal {
	q, ok := r.required(text, "80 kN", at.At("load"), unit.Force)
	if !ok {
		return num.One // the fault is told; another about this load would mislead
	}
	return q.SI().Shift(-3)
}

// defaultStepMM is the step to which a required thickness is rounded up where
// the request gives none.
const defaultStepMM = 1

func (r *reader) rounding(given *Rounding, at fault.Path) pavement.Rounding {
	out := pavement.Rounding{StepMM: decimal.NewNullDecimal(decimal.New(defaultStepMM, 0)), At: at}
	if given == nil {
		return out
	}
	out.Policy = pavement.Policy(given.Policy)
	length := func(text, name string) decimal.NullDecimal { return r.optional(text, at.At(name), 3, unit.Length) }
	if given.Step != "" {
		out.StepMM = length(given.Step, "step")
	}
	out.MinMM, out.MaxMM = length(given.Min, "min"), length(given.Max, "max")
	return out
}
