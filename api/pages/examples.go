package pages

import (
	"errors"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"
	"github.com/shopspring/decimal"

	"slabledger/service"
)

// runKind is an operation that can be run as long work.
type runKind struct {
	Name        string // among the operations of jobs
	Title, Text string
	operationID string // of the contract, which its request is held against
	build       func(p *Pages, c echo.Context, of *exampleOf) (jsontext.Value, error)
}

// runKinds are all of them, those that people ask for most first.
var runKinds = []runKind{
	{"search", "Search the least carbon under a cost cap", "Tries every combination of choices that you leave open, and names the best with a certificate that none is better.", "search", exampleSearch},
	{"conclusions", "Draw conclusions in words", "Which alternative is first, how sure that is, and what would change it; every number from one of the other operations.", "conclude", exampleConclusions},
	{"uncertainty", "See how sure the difference is", "Lets prices and factors scatter as their sources say, and counts how often each alternative is lower.", "uncertainty", exampleUncertainty},
	{"sensitivity", "Find which inputs matter", "Moves each price and factor by itself, and tells how far the difference of two alternatives moves.", "sensitivity", exampleSensitivity},
	{"break-even", "Find where two alternatives tie", "Varies one number until two alternatives change places.", "breakEven", exampleBreakEven},
	{"methods", "See what choices of method do", "The comparison under each choice of boundary, allocation, rounding and discount rate.", "studyMethods", exampleMethods},
	{"grid", "Lay out all combinations", "A table of every combination of variants, ranked.", "studyGrid", exampleGrid},
	{"comparison", "Compare alternatives", "The comparison itself, as a run.", "compare", exampleComparison},
}

func kindOfRun(name string) *runKind {
	at := slices.IndexFunc(runKinds, func(k runKind) bool { return k.Name == name })
	if at < 0 {
		return nil
	}
	return &runKinds[at]
}

// example is a request of the operation for a comparison, laid out to be read.
func (k runKind) example(p *Pages, c echo.Context, comparison []byte) (string, error) {
	// What an address brings along can be anything; the contract bounds how much it is.
	if _, _, err := p.desk.Check("compare", comparison); err != nil {
		return "", errors.New("the comparison cannot be read")
	}
	of := &exampleOf{text: comparison}
	if err := json.Unmarshal(comparison, &of.parts); err != nil {
		return "", errors.New("the comparison cannot be read")
	}
	request, err := k.build(p, c, of)
	if err != nil {
		return "", err
	}
	if err := request.Indent(jsontext.WithIndent("  ")); err != nil {
		return "", errors.New("the comparison cannot be read")
	}
	return string(request), nil
}

// exampleOf is a comparison of which examples are made.
type exampleOf struct {
	text  jsontext.Value
	parts struct {
		Inventory      jsontext.Value `json:"inventory"`
		FunctionalUnit jsontext.Value `json:"functional_unit"`
		Economics      jsontext.Value `json:"economics"`
		Strategies     jsontext.Value `json:"strategies"`
		Baseline       string         `json:"baseline"`
		Alternatives   []alternative  `json:"alternatives"`
	}
}

// alternative is one of a comparison with its members as they stand, name and like apart.
type alternative struct {
	Name string         `json:"name"`
	Like string         `json:"like"`
	Slab jsontext.Value `json:"slab"`
	Rest jsontext.Value `json:",embed"`
}

func quoted(s string) jsontext.Value {
	v, err := jsontext.AppendQuote(nil, s)
	if err != nil {
		return jsontext.Value(`""`)
	}
	return v
}

// object writes members in their order; those without a value are left out.
func object(members ...any) jsontext.Value {
	var b strings.Builder
	for i := 0; i+1 < len(members); i += 2 {
		value, _ := members[i+1].(jsontext.Value)
		if literal, isText := members[i+1].(string); isText {
			value = jsontext.Value(literal)
		}
		if len(value) == 0 {
			continue
		}
		if b.Len() > 0 {
			b.WriteByte(',')
		}
		name, _ := members[i].(string)
		b.WriteString(string(quoted(name)) + ":" + string(value))
	}
	return jsontext.Value("{" + b.String() + "}")
}

func list(values ...jsontext.Value) jsontext.Value {
	parts := make([]string, len(values))
	for i, v := range values {
		parts[i] = string(v)
	}
	return jsontext.Value("[" + strings.Join(parts, ",") + "]")
}

var errTwo = errors.New("this sets two alternatives against each other, and the comparison has one")

// two are the baseline, or else the first alternative, and another.
func (e *exampleOf) two() (first, second string, at int, err error) {
	if len(e.parts.Alternatives) < 2 {
		return "", "", 0, errTwo
	}
	first = e.first().Name
	at = slices.IndexFunc(e.parts.Alternatives, func(a alternative) bool { return a.Name != first })
	if at < 0 {
		return "", "", 0, errTwo
	}
	return first, e.parts.Alternatives[at].Name, at, nil
}

func (e *exampleOf) first() alternative {
	if at := slices.IndexFunc(e.parts.Alternatives, func(a alternative) bool { return a.Name == e.parts.Baseline }); at >= 0 {
		return e.parts.Alternatives[at]
	}
	return e.parts.Alternatives[0]
}

// variants are the first alternative and those that are like it, as an axis.
func (e *exampleOf) variants() (base, axis jsontext.Value, err error) {
	if len(e.parts.Alternatives) == 0 {
		return nil, nil, errors.New("this builds on the first alternative, and the comparison has none")
	}
	first := e.first()
	if first.Like != "" {
		return nil, nil, errors.New("this builds on the first alternative, which is like another; write out the one that the others are like")
	}
	whole := func(a alternative, name string) jsontext.Value {
		inner := strings.TrimSpace(string(a.Rest))
		inner = strings.TrimSuffix(strings.TrimPrefix(inner, "{"), "}")
		value := string(object("name", quoted(name), "slab", a.Slab))
		if strings.TrimSpace(inner) != "" {
			value = strings.TrimSuffix(value, "}") + "," + inner + "}"
		}
		return jsontext.Value(value)
	}
	values := []jsontext.Value{object("name", quoted(first.Name))}
	for _, a := range e.parts.Alternatives {
		if a.Like == first.Name {
			values = append(values, whole(a, a.Name))
		}
	}
	return whole(first, "slab"), object("name", `"slab"`, "variants", list(values...)), nil
}

// haul is an axis of two: the first haul as it is, and a short one; nil where the first
// alternative says no such distance.
func (e *exampleOf) haul() jsontext.Value {
	const short = "30 km"
	var a struct {
		Transport []struct {
			Distance string `json:"distance"`
		} `json:"transport"`
	}
	if err := json.Unmarshal(e.first().Rest, &a); err != nil || len(a.Transport) == 0 || !strings.HasSuffix(a.Transport[0].Distance, " km") || a.Transport[0].Distance == short {
		return nil
	}
	return object("name", `"first haul"`, "pointer", `"/transport/0/distance"`, "values", list(quoted(a.Transport[0].Distance), quoted(short)))
}

func exampleComparison(_ *Pages, _ echo.Context, of *exampleOf) (jsontext.Value, error) {
	return slices.Clone(of.text), nil
}

func exampleConclusions(_ *Pages, _ echo.Context, of *exampleOf) (jsontext.Value, error) {
	return object("comparison", of.text), nil
}

func exampleUncertainty(_ *Pages, _ echo.Context, of *exampleOf) (jsontext.Value, error) {
	return object("samples", `10000`, "seed", `"1"`, "percent", `"10 %"`, "comparison", of.text), nil
}

func exampleSensitivity(_ *Pages, _ echo.Context, of *exampleOf) (jsontext.Value, error) {
	first, second, _, err := of.two()
	return object("first", quoted(first), "second", quoted(second), "measure", `"total_carbon"`, "percent", `"10 %"`, "comparison", of.text), err
}

func exampleBreakEven(_ *Pages, _ echo.Context, of *exampleOf) (jsontext.Value, error) {
	first, second, at, err := of.two()
	if err != nil {
		return nil, err
	}
	var slab struct {
		Thickness string `json:"thickness"`
	}
	if err := json.Unmarshal(of.parts.Alternatives[at].Slab, &slab); err != nil || !strings.HasSuffix(slab.Thickness, " mm") {
		return nil, errors.New("name what is to be varied: the second alternative gives no thickness in mm, which the example would vary")
	}
	pointer := "/alternatives/" + decimal.NewFromInt(int64(at)).String() + "/slab/thickness"
	return object("first", quoted(first), "second", quoted(second), "measure", `"total_carbon"`,
		"variable", object("pointer", quoted(pointer), "unit", `"mm"`), "range", `{"low":"150","high":"300"}`, "comparison", of.text), nil
}

func exampleMethods(_ *Pages, _ echo.Context, of *exampleOf) (jsontext.Value, error) {
	rates := ""
	if len(of.parts.Economics) > 0 {
		rates = `["1 %","3 %","7 %"]`
	}
	return object("boundaries", `["A1-A3","A-C"]`, "real_discount_rates", rates, "comparison", of.text), nil
}

func exampleGrid(_ *Pages, _ echo.Context, of *exampleOf) (jsontext.Value, error) {
	base, axis, err := of.variants()
	return object("inventory", of.parts.Inventory, "functional_unit", of.parts.FunctionalUnit, "economics", of.parts.Economics, "strategies", of.parts.Strategies,
		"alternative", base, "axes", list(axis)), err
}

// exampleSearch asks for the least carbon at no more than the first alternative costs.
func exampleSearch(p *Pages, c echo.Context, of *exampleOf) (jsontext.Value, error) {
	base, axis, err := of.variants()
	if err != nil {
		return nil, err
	}
	axes := list(axis)
	if haul := of.haul(); haul != nil {
		axes = list(axis, haul)
	}
	limit := jsontext.Value(nil)
	var resp *service.ComparisonResponse
	if resp, err = p.compared(c.Request().Context(), of.text); err == nil {
		for i := range resp.Alternatives {
			if a := &resp.Alternatives[i]; a.Name == of.first().Name && a.Cost != nil {
				limit = object("measure", `"net_present_value"`, "at_most", quoted(a.Cost.NetPresentValuePerM2.RoundCeil(2).String()+" "+resp.Inventory.Currency+"/m2"))
			}
		}
	}
	return object("inventory", of.parts.Inventory, "functional_unit", of.parts.FunctionalUnit, "economics", of.parts.Economics, "strategies", of.parts.Strategies,
		"minimise", `"total_carbon"`, "cap", limit, "alternative", base, "axes", axes), nil
}
