package service

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/flexure"
	"slabledger/lca/num"
	"slabledger/lca/pavement"
	"slabledger/lca/unit"
)

// BeamTestRequest is the body of POST /v1/beam-tests: the beams of one mix at
// one age, with the companion tests. Dimensions hold for every beam that gives
// none of its own.
type BeamTestRequest struct {
	Method               string            `json:"method"`
	Mix                  string            `json:"mix"`
	AgeDays              int               `json:"age_days"`
	Width                string            `json:"width,omitzero"`
	Depth                string            `json:"depth,omitzero"`
	Span                 string            `json:"span,omitzero"`
	NotchDepth           string            `json:"notch_depth,omitzero"`
	Specimens            []BeamSpecimen    `json:"specimens"`
	ToeCorrection        bool              `json:"toe_correction,omitzero"`
	Compression          []CompressionTest `json:"compression,omitzero"`
	ElasticModulus       []ModulusTest     `json:"elastic_modulus,omitzero"`
	DesignValue          string            `json:"design_value,omitzero"`
	CharacteristicMethod string            `json:"characteristic_method,omitzero"`
	StrengthRule         string            `json:"strength_rule,omitzero"`
	Ratio                string            `json:"ratio,omitzero"`
	OutlierTest          string            `json:"outlier_test,omitzero"`
}

// BeamSpecimen is one beam, given by strengths, by loads or by a curve.
type BeamSpecimen struct {
	Name       string            `json:"name"`
	Width      string            `json:"width,omitzero"`
	Depth      string            `json:"depth,omitzero"`
	Span       string            `json:"span,omitzero"`
	NotchDepth string            `json:"notch_depth,omitzero"`
	Strengths  map[string]string `json:"strengths,omitzero"` // by point; and toughness
	Loads      map[string]string `json:"loads,omitzero"`     // by point; and toughness
	Curve      *BeamCurve        `json:"curve,omitzero"`
	Excluded   string            `json:"excluded,omitzero"` // why the beam is left out
}

// BeamCurve is the record of a test machine.
type BeamCurve struct {
	CSV     string `json:"csv"`
	Decimal string `json:"decimal,omitzero"` // "point", the default, or "comma"
}

// CompressionTest is a companion specimen in compression.
type CompressionTest struct {
	Name     string `json:"name"`
	Strength string `json:"strength"`
	Excluded string `json:"excluded,omitzero"`
}

// ModulusTest is a companion specimen for the modulus of elasticity.
type ModulusTest struct {
	Name     string `json:"name"`
	Modulus  string `json:"modulus"`
	Excluded string `json:"excluded,omitzero"`
}

// What a request may choose.
const (
	DesignMean           = "mean"
	DesignCharacteristic = "characteristic"

	RatioToughness = "toughness" // R_T150, the default
	RatioByLoad    = "by_load"   // f150/f1

	OutlierE178 = "e178"
)

// BeamTestResponse answers POST /v1/beam-tests.
type BeamTestResponse struct {
	EngineVersion string `json:"engine_version"`
	RequestHash   string `json:"request_hash"`
	BeamTestResult
	Notices []string `json:"notices"`
}

// BeamTestResult is what the tests say.
type BeamTestResult struct {
	Method         string             `json:"method"`
	Title          string             `json:"title"`
	Mix            string             `json:"mix"`
	AgeDays        int                `json:"age_days"`
	Specimens      []SpecimenResult   `json:"specimens"`
	Compression    []CompanionResult  `json:"compression"`
	ElasticModulus []CompanionResult  `json:"elastic_modulus"`
	Statistics     []BeamStatistics   `json:"statistics"`
	StructuralUse  *StructuralUse     `json:"structural_use"`
	Design         BeamDesignStrength `json:"design"`
	Findings       []Statement        `json:"findings"`
}

// SpecimenResult is one beam as evaluated.
type SpecimenResult struct {
	Name         string       `json:"name"`
	Excluded     *string      `json:"excluded"`
	GivenAs      string       `json:"given_as"` // strengths, loads, curve
	WidthMM      *Plain       `json:"width_mm"`
	DepthMM      *Plain       `json:"depth_mm"`
	SpanMM       *Plain       `json:"span_mm"`
	NotchDepthMM *Plain       `json:"notch_depth_mm"`
	Curve        *CurveResult `json:"curve"`
	LoadsKN      NamedAmounts `json:"loads_kn"` // what the strengths rest on
	Values       NamedAmounts `json:"values"`
	Findings     []Statement  `json:"findings"`
}

// CurveResult says where a curve was read.
type CurveResult struct {
	Axis            string  `json:"axis"` // deflection, cmod
	Points          int     `json:"points"`
	LargestMM       Amount  `json:"largest_mm"`
	HighestLoadKN   Amount  `json:"highest_load_kn"`
	FirstPeakAtMM   *Amount `json:"first_peak_at_mm"`
	FirstPeakLoadKN *Amount `json:"first_peak_load_kn"`
	ToeOffsetMM     *Amount `json:"toe_offset_mm"`
	ToeCorrected    bool    `json:"toe_corrected"`
}

// NamedAmounts is an object of amounts in a fixed order; absent ones are null.
type NamedAmounts []NamedAmount

// NamedAmount is one member of NamedAmounts.
type NamedAmount struct {
	Name   string
	Amount *Amount
}

// MarshalJSONTo writes the object.
func (list NamedAmounts) MarshalJSONTo(enc *jsontext.Encoder) error {
	if err := enc.WriteToken(jsontext.BeginObject); err != nil {
		return err
	}
	for _, m := range list {
		if err := enc.WriteToken(jsontext.String(m.Name)); err != nil {
			return err
		}
		if err := json.MarshalEncode(enc, m.Amount); err != nil {
			return err
		}
	}
	return enc.WriteToken(jsontext.EndObject)
}

// CompanionResult is one companion specimen.
type CompanionResult struct {
	Name     string       `json:"name"`
	Excluded *string      `json:"excluded"`
	Values   NamedAmounts `json:"values"`
}

// BeamStatistics are those of one quantity, in the unit at the end of its name.
type BeamStatistics struct {
	Quantity                      string               `json:"quantity"`
	NTested                       int                  `json:"n_tested"`
	NUsed                         int                  `json:"n_used"`
	Mean                          *Amount              `json:"mean"`
	StandardDeviation             *Amount              `json:"standard_deviation"`
	CoefficientOfVariationPercent *Amount              `json:"coefficient_of_variation_percent"`
	ConfidenceInterval            *ConfidenceInterval  `json:"confidence_interval_95"`
	Characteristic                *CharacteristicValue `json:"characteristic"`
	Outlier                       *OutlierResult       `json:"outlier"`
	Findings                      []Statement          `json:"findings"`
}

// ConfidenceInterval of the mean, two-sided 95 %.
type ConfidenceInterval struct {
	Low      Amount `json:"low"`
	High     Amount `json:"high"`
	StudentT Plain  `json:"student_t"`
}

// CharacteristicValue is a 5 % fractile.
type CharacteristicValue struct {
	Value        Amount `json:"value"`
	Method       string `json:"method"`
	KN           Plain  `json:"k_n"`
	KNOfSpecimen int    `json:"k_n_for_specimens"`
}

// OutlierResult is the value furthest from the mean, tested and left where it is.
type OutlierResult struct {
	Test      string   `json:"test"`
	Specimens []string `json:"specimens"` // that have the value, by name
	Value     Amount   `json:"value"`
	TN        Amount   `json:"t_n"`
	Critical  Plain    `json:"critical_t_n"`
	Flagged   bool     `json:"flagged"`
}

// StructuralUse is the gate of the fib Model Code 2010 for notched beams; what
// rests on an absent characteristic value is null.
type StructuralUse struct {
	Met         *bool   `json:"met"`
	FR1KOverFLK *Amount `json:"fr1k_over_flk"`
	FR3KOverR1K *Amount `json:"fr3k_over_fr1k"`
	Reason      string  `json:"reason"`
}

// BeamDesignStrength is what a thickness design takes from the tests. What is
// absent cannot be had from these beams, and Findings says why.
type BeamDesignStrength struct {
	Value           string      `json:"value"` // mean, characteristic
	Reason          string      `json:"reason"`
	Quantity        string      `json:"modulus_of_rupture_is"` // the quantity taken for it
	MORMPa          *Amount     `json:"modulus_of_rupture_mpa"`
	Ratio           *string     `json:"ratio"` // toughness, by_load; null where the method has none
	RatioPercent    *Amount     `json:"residual_ratio_percent"`
	F150MPa         *Amount     `json:"f150_mpa"`
	StrengthRule    string      `json:"strength_rule"`
	EffectiveMORMPa *Amount     `json:"effective_modulus_of_rupture_mpa"`
	Findings        []Statement `json:"findings"`
}

// BeamTestCaution stands beside every strength from beams.
const BeamTestCaution = "Crack width, joint behaviour and ductility of fibre concrete after cracking are not covered; an effective modulus of rupture is for thickness methods calibrated on plain slabs."

// BeamTests answers POST /v1/beam-tests. The body has passed the contract.
func (s *Service) BeamTests(_ context.Context, body []byte, refused ...fault.Fault) (resp *BeamTestResponse, err error) {
	defer func() { err = joinedBy(refused, err, besides(refused)) }()
	var req BeamTestRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as beam tests", Cause: err}
	}
	result, faults := EvaluateBeamTests(req, "")
	if !faults.Empty() || len(refused) > 0 {
		return nil, errFaults(faults.All())
	}
	hash, err := canonicalHash(body)
	return &BeamTestResponse{EngineVersion: EngineVersion, RequestHash: hash, BeamTestResult: result, Notices: []string{Caution, BeamTestCaution}}, err
}

// EvaluateBeamTests computes strengths, statistics and the design strength of a
// request. It is pure: equal requests have equal results. Faults point below at.
func EvaluateBeamTests(req BeamTestRequest, at fault.Path) (BeamTestResult, fault.List) {
	b := beamTests{BeamTestRequest: req, at: at, method: flexure.Method(req.Method), used: map[flexure.Quantity][]sampleOf{}}
	b.choices()
	b.result = BeamTestResult{Method: req.Method, Title: b.method.Title(), Mix: req.Mix, AgeDays: req.AgeDays}
	b.readSpecimens()
	b.readCompanions()
	if !b.faults.Empty() {
		return BeamTestResult{}, b.faults
	}
	b.statistics()
	b.gate()
	b.design()
	b.result.Findings = statements(b.warnings.All())
	return b.result, b.faults
}

// beamTests is a request between reading and result.
type beamTests struct {
	BeamTestRequest
	reader
	at     fault.Path
	method flexure.Method
	tested int
	used   map[flexure.Quantity][]sampleOf
	result BeamTestResult
}

// sampleOf is the value of one specimen that counts.
type sampleOf struct {
	name  string
	value decimal.Decimal
}

// choices checks the ids and sets what is left out.
func (b *beamTests) choices() {
	if !b.method.Valid() {
		b.faults.Add(b.at.At("method"), "not-in-list", "no test method %q; accepted: %s, %s, %s", short(b.Method), flexure.C78, flexure.C1609, flexure.EN14651)
		return
	}
	fibres := b.method == flexure.C1609
	if b.Ratio != "" && !fibres {
		b.faults.Add(b.at.At("ratio"), "not-used", "only %s has a residual ratio; leave this out", flexure.C1609)
	}
	rules := []string{string(pavement.RuleNone)}
	if fibres {
		rules = append(rules, string(pavement.RuleResidualRatio), string(pavement.RuleMORPlusF150))
	}
	for _, c := range []struct {
		member   string
		value    *string
		accepted []string // the first is the default
	}{
		{"design_value", &b.DesignValue, []string{DesignMean, DesignCharacteristic}},
		{"characteristic_method", &b.CharacteristicMethod, []string{string(flexure.Normal), string(flexure.LogNormal)}},
		{"strength_rule", &b.StrengthRule, rules},
		{"ratio", &b.Ratio, []string{RatioToughness, RatioByLoad}},
		{"outlier_test", &b.OutlierTest, []string{"none", OutlierE178}},
	} {
		if *c.value != "" && !slices.Contains(c.accepted, *c.value) {
			why := ""
			if c.member == "strength_rule" && !fibres {
				why = fmt.Sprintf("; residual strength enters only by beams of %s", flexure.C1609)
			}
			b.faults.Add(b.at.At(c.member), "not-in-list", "%q is not accepted with %s; accepted: %s%s", short(*c.value), b.method, strings.Join(c.accepted, ", "), why)
		}
	}
}

// chosen is a choice of the request, or its default.
func chosen(value, standard string) string {
	if value == "" {
		return standard
	}
	return value
}

func (b *beamTests) readSpecimens() {
	at := b.at.At("specimens")
	if len(b.Specimens) == 0 {
		b.faults.Add(at, "too-few", "no beam; at least one")
	}
	if b.AgeDays < 1 {
		b.faults.Add(b.at.At("age_days"), "out-of-range", "an age of %d days; at least 1", b.AgeDays)
	} else if b.AgeDays != 28 {
		b.warnings.Add(b.at.At("age_days"), "age-not-28-days", "the beams are %s old; thickness methods take the strength at 28 days", counted(b.AgeDays, "day"))
	}
	b.tested = len(b.Specimens)
	read := b.faults.Len()
	standard := flexure.Specimen{
		Width: b.dimension(b.Width, b.at.At("width")), Depth: b.dimension(b.Depth, b.at.At("depth")),
		Span: b.dimension(b.Span, b.at.At("span")), Notch: b.dimension(b.NotchDepth, b.at.At("notch_depth")),
	}
	sized := b.faults.Len() == read
	names := map[string]bool{}
	for i, given := range b.Specimens {
		at := at.At(i)
		b.unique(names, given.Name, at)
		beam := standard
		beam.At = at
		for _, d := range []struct {
			to     *decimal.NullDecimal
			text   string
			member string
		}{{&beam.Width, given.Width, "width"}, {&beam.Depth, given.Depth, "depth"}, {&beam.Span, given.Span, "span"}, {&beam.Notch, given.NotchDepth, "notch_depth"}} {
			if d.text != "" {
				*d.to = b.dimension(d.text, at.At(d.member))
			}
		}
		before := b.faults.Len()
		var passed []string
		beam.Strengths = b.points(given.Strengths, "4.5 MPa", at.At("strengths"), -6, unit.Pressure, &beam)
		beam.Loads = b.points(given.Loads, "30 kN", at.At("loads"), -3, unit.Force, &beam)
		if given.Curve != nil {
			prefer := flexure.NetDeflection
			if b.method == flexure.EN14651 {
				prefer = flexure.CMOD
			}
			beam.Curve, passed = b.curve(given.Curve, prefer, at.At("curve"))
		}
		if b.faults.Len() > before || !sized || !b.method.Valid() {
			continue
		}
		result, faults := b.method.Evaluate(beam, b.ToeCorrection)
		b.faults.Append(faults.All()...)
		if faults.Empty() {
			b.specimen(given, beam, result, passed)
		}
	}
}

func (b *beamTests) unique(names map[string]bool, name string, at fault.Path) {
	if names[name] {
		b.faults.Add(at.At("name"), "duplicate-name", "two have the name %q", short(name))
	}
	names[name] = true
}

// dimension reads a length in mm where there is one.
func (b *beamTests) dimension(text string, at fault.Path) decimal.NullDecimal {
	if text == "" {
		return decimal.NullDecimal{}
	}
	q, ok := b.required(text, "150 mm", at, unit.Length)
	return decimal.NullDecimal{Decimal: si(q).Shift(3), Valid: ok}
}

// toughnessMember stands among the points of a beam, with a unit of energy.
const toughnessMember = "toughness"

// points reads the named values in their SI unit times 10^shift, and the
// toughness beside them.
func (b *beamTests) points(given map[string]string, like string, at fault.Path, shift int32, kind unit.Kind, beam *flexure.Specimen) map[flexure.Point]decimal.Decimal {
	if given == nil {
		return nil
	}
	points := map[flexure.Point]decimal.Decimal{}
	names := make([]string, 0, len(given))
	for name := range given {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		if name == toughnessMember {
			if q, ok := b.quantity(given[name], at.At(name), unit.Energy); ok {
				beam.Toughness = decimal.NewNullDecimal(q.SI())
			}
		} else if q, ok := b.quantity(given[name], at.At(name), kind); ok {
			points[flexure.Point(name)] = q.SI().Shift(shift)
		}
	}
	if len(given) == 0 && b.method.Valid() {
		b.faults.Add(at, "too-few", "no point; such as {%q: %q}; accepted: %s", b.method.Points()[0], like, b.members())
	}
	return points
}

// members lists what strengths and loads may have.
func (b *beamTests) members() string {
	var names []string
	for _, p := range b.method.Points() {
		names = append(names, string(p))
	}
	if b.method == flexure.C1609 {
		names = append(names, toughnessMember)
	}
	return strings.Join(names, ", ")
}

// counted is a number with what it counts, as in "1 day" and "2 days".
func counted(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// specimen prints one beam, and keeps its values where it counts.
func (b *beamTests) specimen(given BeamSpecimen, beam flexure.Specimen, result flexure.Result, passed []string) {
	var findings fault.List
	if len(passed) > 0 {
		findings.Add(beam.At.At("curve"), "columns-not-read", "not read: %s of %s", counted(len(passed), "column"), short(strings.Join(passed, ", ")))
	}
	findings.Append(result.Findings...)
	out := SpecimenResult{Name: given.Name, Excluded: textOf(given.Excluded), GivenAs: "strengths",
		WidthMM: plainOf(beam.Width), DepthMM: plainOf(beam.Depth), SpanMM: plainOf(beam.Span), NotchDepthMM: plainOf(beam.Notch),
		LoadsKN: NamedAmounts{}, Findings: statements(findings.All())}
	if given.Loads != nil {
		out.GivenAs = "loads"
	}
	if c := result.Curve; c != nil {
		out.GivenAs = "curve"
		out.Curve = &CurveResult{Axis: string(c.Axis), Points: c.Samples, LargestMM: Amount{c.Largest}, HighestLoadKN: Amount{c.HighestLoad},
			FirstPeakAtMM: amountOf(c.FirstPeakAt), FirstPeakLoadKN: amountOf(c.FirstPeakLoad), ToeOffsetMM: amountOf(c.ToeOffset), ToeCorrected: c.ToeCorrected}
	}
	for _, l := range result.Loads {
		out.LoadsKN = append(out.LoadsKN, NamedAmount{string(l.Point), amountOf(l.NullDecimal)})
	}
	for _, v := range result.Values {
		if q := v.Quantity; v.Valid && (q == flexure.FirstPeakStrength || q == flexure.ModulusOfRupture || q == flexure.LimitOfProportionality) && (v.Decimal.LessThan(leastFlexural) || v.Decimal.GreaterThan(mostFlexural)) {
			findings.Add(beam.At, "unusual-strength", "%s of beam %q is %s MPa; usual for concrete is %s to %s MPa (common practice, no source): look at the units of load and size", q, short(given.Name), v.Decimal, leastFlexural, mostFlexural)
			b.warnings.Append(findings.All()[findings.Len()-1])
		}
		out.Values = append(out.Values, NamedAmount{string(v.Quantity), amountOf(v.NullDecimal)})
		if v.Valid && given.Excluded == "" {
			b.used[v.Quantity] = append(b.used[v.Quantity], sampleOf{given.Name, v.Decimal})
		}
	}
	out.Findings = statements(findings.All())
	b.result.Specimens = append(b.result.Specimens, out)
}

// What beams of concrete bear in bending, in MPa; outside, it is a slip of a unit more
// often than a concrete.
var (
	leastFlexural = decimal.NewFromInt(1)
	mostFlexural  = decimal.NewFromInt(20)
)

func textOf(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// readCompanions reads the tests beside the beams, which have given strengths.
func (b *beamTests) readCompanions() {
	b.result.Compression, b.result.ElasticModulus = []CompanionResult{}, []CompanionResult{}
	names := map[string]bool{}
	for i, c := range b.Compression {
		at := b.at.At("compression", i)
		b.unique(names, c.Name, at)
		b.companion(&b.result.Compression, flexure.CompressiveStrength, c.Name, c.Strength, "45 MPa", c.Excluded, at.At("strength"))
	}
	clear(names)
	for i, c := range b.ElasticModulus {
		at := b.at.At("elastic_modulus", i)
		b.unique(names, c.Name, at)
		b.companion(&b.result.ElasticModulus, flexure.ElasticModulus, c.Name, c.Modulus, "32 GPa", c.Excluded, at.At("modulus"))
	}
}

func (b *beamTests) companion(list *[]CompanionResult, q flexure.Quantity, name, text, like, excluded string, at fault.Path) {
	v, ok := b.required(text, like, at, unit.Pressure)
	if !ok {
		return
	}
	mpa := num.Amount(v.SI().Shift(-6))
	*list = append(*list, CompanionResult{Name: name, Excluded: textOf(excluded), Values: NamedAmounts{{string(q), &Amount{mpa}}}})
	if excluded == "" {
		b.used[q] = append(b.used[q], sampleOf{name, mpa})
	}
}

// statistics describes every quantity of the method, and those of the companions
// that were tested.
func (b *beamTests) statistics() {
	for _, q := range b.method.Quantities() {
		b.describe(q, b.tested, b.at.At("specimens"))
	}
	if n := len(b.Compression); n > 0 {
		b.describe(flexure.CompressiveStrength, n, b.at.At("compression"))
	}
	if n := len(b.ElasticModulus); n > 0 {
		b.describe(flexure.ElasticModulus, n, b.at.At("elastic_modulus"))
	}
}

func (b *beamTests) describe(q flexure.Quantity, tested int, at fault.Path) {
	samples := b.used[q]
	values := make([]decimal.Decimal, len(samples))
	for i, s := range samples {
		values[i] = s.value
	}
	s := flexure.Describe(values)
	out := BeamStatistics{Quantity: string(q), NTested: tested, NUsed: s.N,
		Mean: amountOf(s.Mean), StandardDeviation: amountOf(s.SD), CoefficientOfVariationPercent: amountOf(s.CV)}
	if s.Low.Valid {
		out.ConfidenceInterval = &ConfidenceInterval{Low: Amount{s.Low.Decimal}, High: Amount{s.High.Decimal}, StudentT: Plain{s.StudentT.Decimal}}
	}
	var findings fault.List
	out.Characteristic = b.characteristic(values, at, &findings)
	if b.OutlierTest == OutlierE178 {
		out.Outlier = outlier(samples, values, at, &findings)
	}
	out.Findings = statements(findings.All())
	b.result.Statistics = append(b.result.Statistics, out)
}

func (b *beamTests) characteristic(values []decimal.Decimal, at fault.Path, findings *fault.List) *CharacteristicValue {
	method := chosen(b.CharacteristicMethod, string(flexure.Normal))
	c, err := flexure.CharacteristicOf(values, flexure.Distribution(method))
	switch {
	case errors.Is(err, flexure.ErrTooFew):
		findings.Add(at, "insufficient-specimens", "a characteristic value needs at least %d values that count; here: %d", flexure.MinSpecimens, len(values))
		return nil
	case err != nil:
		findings.Add(at, "characteristic-not-positive", "a log-normal characteristic value needs values above zero")
		return nil
	case !c.Value.IsPositive():
		findings.Add(at, "characteristic-not-positive", "mean less k_n standard deviations is %s: the scatter is too large for a normal characteristic value", num.Line(c.Value))
		return nil
	}
	if len(values) == flexure.MinSpecimens {
		findings.Add(at, "three-specimens", "a characteristic value of three specimens rests on k_n %s and says little; five and more are usual", c.K)
	}
	return &CharacteristicValue{Value: Amount{c.Value}, Method: method, KN: Plain{c.K}, KNOfSpecimen: c.KN}
}

func outlier(samples []sampleOf, values []decimal.Decimal, at fault.Path, findings *fault.List) *OutlierResult {
	o, ok := flexure.OutlierOf(values)
	if !ok {
		findings.Add(at, "outlier-test-not-done", "the test is for 3 to 20 values that count and are not all equal; here: %d", len(values))
		return nil
	}
	out := &OutlierResult{Test: OutlierE178, Specimens: []string{}, Value: Amount{o.Value}, TN: Amount{o.T}, Critical: Plain{o.Critical}, Flagged: o.Flagged}
	for _, s := range samples {
		if s.value.Equal(o.Value) {
			out.Specimens = append(out.Specimens, s.name)
		}
	}
	slices.Sort(out.Specimens)
	if o.Flagged {
		findings.Add(at, "outlier-flagged", "%s: T %s is above %s (ASTM E178, two-sided 5 %%); it still counts: exclude it with a reason if it should not", strings.Join(out.Specimens, ", "), num.Line(o.T), o.Critical)
	}
	return out
}

// of finds the printed statistics of a quantity.
func (b *beamTests) of(q flexure.Quantity) BeamStatistics {
	i := slices.IndexFunc(b.result.Statistics, func(s BeamStatistics) bool { return s.Quantity == string(q) })
	return b.result.Statistics[i]
}

// picked is the statistic of a quantity that the design takes, as printed.
func (b *beamTests) picked(q flexure.Quantity) decimal.NullDecimal {
	s := b.of(q)
	switch {
	case b.DesignValue == DesignCharacteristic && s.Characteristic != nil:
		return decimal.NewNullDecimal(num.Amount(s.Characteristic.Value.Decimal))
	case b.DesignValue != DesignCharacteristic && s.Mean != nil:
		return decimal.NewNullDecimal(num.Amount(s.Mean.Decimal))
	}
	return decimal.NullDecimal{}
}

// gate applies the rule for structural use to notched beams.
func (b *beamTests) gate() {
	if b.method != flexure.EN14651 {
		return
	}
	var values [3]decimal.Decimal
	for i, q := range []flexure.Quantity{flexure.LimitOfProportionality, flexure.ResidualR1, flexure.ResidualR3} {
		c := b.of(q).Characteristic
		if c == nil {
			b.result.StructuralUse = &StructuralUse{Reason: fmt.Sprintf("there is no characteristic %s", q)}
			return
		}
		values[i] = num.Amount(c.Value.Decimal)
	}
	g, _ := flexure.StructuralUse(values[0], values[1], values[2]) // characteristic values are more than zero
	met := g.Met()
	b.result.StructuralUse = &StructuralUse{Met: &met, FR1KOverFLK: &Amount{g.R1OverLOP}, FR3KOverR1K: &Amount{g.R3OverR1},
		Reason: ratioReason("f_R1k/f_Lk", g.R1OverLOP, flexure.MinR1OverLOP, g.R1OverLOPMet) + "; " + ratioReason("f_R3k/f_R1k", g.R3OverR1, flexure.MinR3OverR1, g.R3OverR1Met) + " (fib Model Code 2010)"}
}

func ratioReason(name string, ratio, limit decimal.Decimal, met bool) string {
	if met {
		return fmt.Sprintf("%s = %s is above %s", name, num.Line(ratio), limit)
	}
	return fmt.Sprintf("%s = %s is not above %s, so fibres may not replace reinforcement", name, num.Line(ratio), limit)
}

// design picks the strength that a thickness design takes, and applies the rule.
func (b *beamTests) design() {
	q := b.method.Strength()
	mor := b.picked(q)
	d := BeamDesignStrength{Value: chosen(b.DesignValue, DesignMean), Quantity: string(q), MORMPa: amountOf(mor), StrengthRule: chosen(b.StrengthRule, string(pavement.RuleNone))}
	d.Reason = fmt.Sprintf("the %s value of %d of %d beams, as the request asks", d.Value, b.of(q).NUsed, b.tested)
	if b.DesignValue == "" {
		d.Reason = fmt.Sprintf("the mean value of %d of %d beams, by default: the methods eb109p and aashto93 take the mean, austroads a characteristic strength", b.of(q).NUsed, b.tested)
	}
	at := b.at.At("strength_rule")
	var findings fault.List
	strength := pavement.Strength{MOR: mor.Decimal, Rule: pavement.Rule(d.StrengthRule)}
	if b.method == flexure.C1609 {
		strength.F150 = b.picked(flexure.ResidualL150)
		d.Ratio = textOf(chosen(b.Ratio, RatioToughness))
		strength.ResidualRatio = b.picked(flexure.ToughnessRatioT150)
		if *d.Ratio == RatioByLoad {
			// Of the design strengths, not the mean of the beams' ratios: so that
			// MOR (1 + R/100) is MOR + f150.
			strength.ResidualRatio = ratioOf(strength.F150, mor)
		}
		d.RatioPercent, d.F150MPa = amountOf(strength.ResidualRatio), amountOf(strength.F150)
	}
	if b.method == flexure.EN14651 {
		findings.Add(b.at.At("method"), "notched-beam-strength", "the limit of proportionality of a notched beam under a central load stands for the modulus of rupture here; thickness methods are calibrated on third-point loading")
	}
	needed := map[pavement.Rule]decimal.NullDecimal{pavement.RuleNone: mor, pavement.RuleResidualRatio: strength.ResidualRatio, pavement.RuleMORPlusF150: strength.F150}[strength.Rule]
	if !mor.Valid || !needed.Valid {
		quantity := b.lacking(strength.Rule, d, mor.Valid)
		findings.Add(at, "design-strength-absent", "the beams give no %s %s, which the rule %s needs: %s", d.Value, quantity, d.StrengthRule, b.remedy(quantity))
	} else {
		effective, faults := strength.Effective(at)
		b.faults.Append(faults.All()...)
		d.EffectiveMORMPa = &Amount{num.Amount(effective.MPa)}
		for _, note := range effective.Notes {
			findings.Add(at, note.Code, "%s", note.Detail)
		}
	}
	d.Findings = statements(findings.All())
	b.result.Design = d
}

// lacking is the quantity for want of which a rule gives no strength.
func (b *beamTests) lacking(rule pavement.Rule, d BeamDesignStrength, hasMOR bool) flexure.Quantity {
	switch {
	case !hasMOR:
		return b.method.Strength()
	case rule == pavement.RuleResidualRatio && *d.Ratio == RatioToughness:
		return flexure.ToughnessRatioT150
	}
	return flexure.ResidualL150
}

// remedy says how to give a quantity of which the beams give too little.
func (b *beamTests) remedy(q flexure.Quantity) string {
	used := b.of(q).NUsed
	if used > 0 && used < flexure.MinSpecimens && b.DesignValue == DesignCharacteristic {
		return fmt.Sprintf("%s of it, and a characteristic value needs at least %d; test more, or take \"design_value\": %q", counted(used, "value"), flexure.MinSpecimens, DesignMean)
	}
	if used > 0 {
		return "see the findings of its statistics"
	}
	switch q {
	case flexure.ToughnessRatioT150:
		how := fmt.Sprintf("it is %q in J up to span/150 beside %q, in strengths or loads, with width and depth; or a curve as far as there", toughnessMember, flexure.FirstPeak)
		if b.of(flexure.LoadRatioL150).NUsed > 0 {
			return how + fmt.Sprintf("; or choose \"ratio\": %q, which is f150/f1 and which these beams give", RatioByLoad)
		}
		return how + fmt.Sprintf("; or choose \"ratio\": %q, which is f150/f1, and give %q", RatioByLoad, flexure.L150)
	case flexure.ResidualL150:
		return fmt.Sprintf("f150 is the point %q, the load or the strength at a deflection of span/150; or a curve as far as there", flexure.L150)
	}
	return fmt.Sprintf("it is the point %q in strengths or loads, or a curve beyond it, of beams that are not excluded", b.method.Points()[0])
}

func ratioOf(f150, mor decimal.NullDecimal) decimal.NullDecimal {
	if !f150.Valid || !mor.Valid {
		return decimal.NullDecimal{}
	}
	ratio, err := num.Div(f150.Decimal.Mul(num.Hundred), mor.Decimal)
	return decimal.NullDecimal{Decimal: num.Amount(ratio), Valid: err == nil}
}
