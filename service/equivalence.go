package service

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"

	"slabledger/lca/fault"
	"slabledger/lca/unit"
)

// serviceField is one member of a service level, with how to read it.
type serviceField struct {
	name string
	kind unit.Kind // empty: text or count
	text func(*ServiceLevel) string
}

var serviceFields = []serviceField{
	{"equivalent_axles", "", func(s *ServiceLevel) string { return count(s.EquivalentAxles) }},
	{"design_life_years", "", func(s *ServiceLevel) string { return count(s.DesignLifeYears) }},
	{"reliability", unit.Ratio, func(s *ServiceLevel) string { return s.Reliability }},
	{"flexural_strength", unit.Pressure, func(s *ServiceLevel) string { return s.FlexuralStrength }},
	{"subgrade_reaction", unit.SubgradeReaction, func(s *ServiceLevel) string { return s.SubgradeReaction }},
	{"edge_support", "", func(s *ServiceLevel) string { return s.EdgeSupport }},
	{"exposure_class", "", func(s *ServiceLevel) string { return s.ExposureClass }},
	{"climate", "", func(s *ServiceLevel) string { return s.Climate }},
}

func count(n *int64) string {
	if n == nil {
		return ""
	}
	return strconv.FormatInt(*n, 10)
}

// serviceLevel checks that the quantities of a service level can be read.
func (r *reader) serviceLevel(s *ServiceLevel, at fault.Path) {
	if s == nil {
		return
	}
	for _, f := range serviceFields {
		if text := f.text(s); f.kind != "" && text != "" {
			r.quantity(text, at.At(f.name), f.kind)
		}
	}
}

// overlay is the service level of an alternative: what is asked of all, with
// its own members over it.
func overlay(asked, own *ServiceLevel) *ServiceLevel {
	var s ServiceLevel
	if asked != nil {
		s = *asked
	}
	if own == nil {
		return &s
	}
	if own.EquivalentAxles != nil {
		s.EquivalentAxles = own.EquivalentAxles
	}
	if own.DesignLifeYears != nil {
		s.DesignLifeYears = own.DesignLifeYears
	}
	for _, pair := range []struct{ to, from *string }{
		{&s.Reliability, &own.Reliability}, {&s.FlexuralStrength, &own.FlexuralStrength}, {&s.SubgradeReaction, &own.SubgradeReaction},
		{&s.EdgeSupport, &own.EdgeSupport}, {&s.ExposureClass, &own.ExposureClass}, {&s.Climate, &own.Climate},
	} {
		if *pair.from != "" {
			*pair.to = *pair.from
		}
	}
	return &s
}

// byBaseline is what the service of an alternative is compared with, beside others.
const byBaseline = "the functional unit and the baseline ask for"

// equivalence compares the service of an alternative with what is asked for
// and, where nothing is asked, with the baseline's (EN 15978, 7.2). Slabs that a
// method sized must have been sized alike.
func equivalence(asked *ServiceLevel, own, baseline *evaluated, against string) Equivalence {
	required, offered := overlay(asked, nil), overlay(asked, own.Service)
	other := overlay(asked, baseline.Service)
	eq := Equivalence{Met: true, Basis: "stated", Differences: []Difference{}}
	stated := false
	for _, f := range serviceFields {
		want, got := f.text(required), f.text(offered)
		if want == "" {
			want = f.text(other)
		}
		if want != "" || got != "" {
			stated = true
		}
		if !sameValue(want, got, f.kind) {
			eq.Differences = append(eq.Differences, Difference{Field: f.name, Required: want, Alternative: got})
		}
	}
	mine, theirs := own.Slab.Thickness.Design, baseline.Slab.Thickness.Design
	if (mine == nil) != (theirs == nil) {
		how := func(d *ThicknessDesign) string {
			if d == nil {
				return "given"
			}
			return "sized by " + d.Method
		}
		eq.Differences = append(eq.Differences, Difference{Field: "thickness", Required: how(theirs), Alternative: how(mine)})
	}
	if mine != nil && theirs != nil {
		eq.Differences = append(eq.Differences, sizedApart(mine, theirs)...)
	}
	switch {
	case len(eq.Differences) > 0:
		eq.Met = false
		var parts []string
		for i, d := range eq.Differences {
			if i == maxToldDifferences {
				parts = append(parts, fmt.Sprintf("and %d more", len(eq.Differences)-i))
				break
			}
			parts = append(parts, fmt.Sprintf("%s is %s instead of %s", d.Field, told(d.Alternative), told(d.Required)))
		}
		eq.Reason = "functional-equivalence-mismatch: " + strings.Join(parts, "; ")
	case mine != nil && theirs != nil:
		eq.Basis = "sized"
		eq.Reason = "each slab was sized by " + mine.Method + " for the same traffic and soil; area, period and what is stated of the service are the same"
	case !stated:
		eq.Basis = "asserted"
		eq.Reason = "area and period are the same; the request states no traffic, strength or support, so equal service is the requester's assertion"
	default:
		eq.Reason = "area, period and every stated member of the service are the same as " + against + "; that the slab gives this service is the request's statement, not a result"
	}
	return eq
}

// maxToldDifferences stand in the reason; all of them stand in the list.
const maxToldDifferences = 5

// told is a value in a sentence.
func told(value string) string {
	if value == "" {
		return "not stated"
	}
	return strconv.Quote(value)
}

// sizedApart lists in what two sizings differ that must not: the method, and what
// it was told of traffic, soil and serviceability. Strength and dowels are the
// design's own; a shoulder is concrete that nothing here counts.
func sizedApart(mine, theirs *ThicknessDesign) []Difference {
	var list []Difference
	for _, f := range []struct {
		name        string
		want, offer any
	}{
		{"thickness.method", theirs.Method, mine.Method},
		{"thickness.traffic", theirs.Traffic, mine.Traffic},
		{"thickness.soil", theirs.Soil, mine.Soil},
		{"thickness.edge.concrete_shoulder", theirs.Edge.ConcreteShoulder, mine.Edge.ConcreteShoulder},
		{"thickness.serviceability", theirs.Serviceability, mine.Serviceability},
	} {
		if reflect.DeepEqual(f.want, f.offer) {
			continue
		}
		want, offer := map[string]string{}, map[string]string{}
		members(f.name, f.want, want)
		members(f.name, f.offer, offer)
		for _, name := range slices.Sorted(maps.Keys(union(want, offer))) {
			if want[name] != offer[name] {
				list = append(list, Difference{Field: name, Required: want[name], Alternative: offer[name]})
			}
		}
	}
	return list
}

// members lists what a value has at its ends: "thickness.traffic.growth" is "2 %".
func members(name string, value any, found map[string]string) {
	text, err := json.Marshal(value)
	if err != nil {
		found[name] = err.Error()
		return
	}
	var document any
	if err := json.Unmarshal(text, &document); err != nil {
		found[name] = err.Error()
		return
	}
	ends(name, document, found)
}

func ends(name string, document any, found map[string]string) {
	switch inside := document.(type) {
	case nil:
	case map[string]any:
		for member, v := range inside {
			ends(name+"."+member, v, found)
		}
	case []any:
		for i, v := range inside {
			ends(name+"."+strconv.Itoa(i), v, found)
		}
	default:
		found[name] = short(fmt.Sprint(inside))
	}
}

func union(a, b map[string]string) map[string]string {
	all := maps.Clone(a)
	maps.Copy(all, b)
	return all
}

var asWords = strings.NewReplacer("_", " ", "-", " ")

func sameValue(a, b string, kind unit.Kind) bool {
	if a == b || a == "" || b == "" {
		return a == b
	}
	if kind == "" { // "Tied shoulder" is "tied_shoulder"
		return strings.EqualFold(asWords.Replace(a), asWords.Replace(b))
	}
	qa, errA := unit.Parse(a, kind)
	qb, errB := unit.Parse(b, kind)
	return errA == nil && errB == nil && qa.SI().Equal(qb.SI())
}
