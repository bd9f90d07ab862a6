package service

import (
	"context"
	"regexp"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// ExplainRequest is the body of POST /v1/explain: a pointer or a difference.
type ExplainRequest struct {
	Comparison jsontext.Value   `json:"comparison"`
	Pointer    string           `json:"pointer,omitzero"` // RFC 6901, to a figure of the result
	Difference *DifferenceAsked `json:"difference,omitzero"`
}

// Explanation answers POST /v1/explain.
type Explanation struct {
	Inventory     InventoryRef `json:"inventory"`
	EngineVersion string       `json:"engine_version"`
	RequestHash   string       `json:"request_hash"`
	Figure        *Figure      `json:"figure,omitzero"`
	Difference    *Waterfall   `json:"difference,omitzero"`
}

// Pinned is the version of the inventory that the answer rests on.
func (e *Explanation) Pinned() string { return e.Inventory.Ref }

// Figure is one figure of the result and all that it was made of.
type Figure struct {
	Pointer string `json:"pointer"`
	Printed string `json:"printed"` // as the result has it
	Terms   []Term `json:"terms"`   // operands before what is made of them; the last is the figure
}

// Term is a value with the operation that made it of its operands, or its source.
type Term struct {
	ID        int         `json:"id"`
	Name      string      `json:"name"`
	Value     Plain       `json:"value"`
	Unit      string      `json:"unit"`
	Operation string      `json:"operation"`
	Rounding  string      `json:"rounding"`
	Formula   string      `json:"formula"` // section of docs/theory.md
	Operands  []int       `json:"operands"`
	Source    *TermSource `json:"source"` // of what is given; null of what is made
}

// TermSource is where a given value comes from: a member of the request, a member of an
// item of the inventory, or a definition.
type TermSource struct {
	Pointer    string            `json:"pointer,omitzero"` // in the comparison
	Written    string            `json:"written,omitzero"` // what stands there
	Item       string            `json:"item,omitzero"`    // demo@1/cement-cem-i
	Member     string            `json:"member,omitzero"`  // of the item
	Document   *inventory.Source `json:"document,omitzero"`
	Definition string            `json:"definition,omitzero"`
}

// Operations of a term.
const (
	OpGiven      = "given"
	OpSum        = "sum"
	OpDifference = "difference" // the first less the others
	OpProduct    = "product"
	OpQuotient   = "quotient" // 34 significant digits
	OpPower      = "power"    // of the first, the second a whole number
	OpFloor      = "floor"
	OpRoot       = "root"  // square root, 34 significant digits
	OpLeast      = "least" // of the operands
)

// Roundings of a term, half to even.
const (
	RoundNone   = "none"
	RoundDigits = "34 digits" // significant ones: of a quotient or a root that no more is done to
	RoundAmount = "12 decimals"
	RoundLine   = "6 decimals"
)

// Evaluate computes a term from the values of its operands.
func (t Term) Evaluate(operands []decimal.Decimal) (v decimal.Decimal, err error) {
	switch t.Operation {
	case OpGiven:
		v = t.Value.Decimal
	case OpSum:
		v = num.Sum(operands...)
	case OpDifference:
		v = operands[0].Sub(num.Sum(operands[1:]...))
	case OpProduct:
		v = num.One
		for _, o := range operands {
			v = v.Mul(o)
		}
	case OpQuotient:
		v, err = num.Div(operands[0], operands[1])
	case OpPower:
		v, err = num.PowInt(operands[0], int(operands[1].IntPart()))
	case OpFloor:
		v = operands[0].Floor()
	case OpRoot:
		v, err = num.Sqrt(operands[0])
	case OpLeast:
		v = decimal.Min(operands[0], operands[1:]...)
	}
	switch t.Rounding {
	case RoundAmount:
		v = num.Amount(v)
	case RoundLine:
		v = num.Line(v)
	}
	return v, err
}

// Explain evaluates a comparison and takes one figure of it, or one difference, apart.
func (s *Service) Explain(ctx context.Context, body []byte, refused ...fault.Fault) (resp *Explanation, err error) {
	defer func() { err = joined(refused, err) }()
	var req ExplainRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as a question", Cause: err}
	}
	if (req.Pointer == "") == (req.Difference == nil) {
		return nil, errFaults(oneFault("", "one-of", "ask for a figure by its pointer, or for a difference"))
	}
	c, result, evaluations, err := s.evaluatedFor(ctx, req.Comparison, refused, true)
	if err != nil {
		return nil, below("/comparison", err)
	}
	resp = &Explanation{Inventory: c.ref, EngineVersion: EngineVersion, RequestHash: result.RequestHash}
	if req.Difference != nil {
		of, against, err := checkDifference(result, *req.Difference)
		if err != nil {
			return nil, err
		}
		resp.Difference = waterfall(of, against, *req.Difference, c)
		return resp, nil
	}
	resp.Figure, err = explain(req.Comparison, result, evaluations, req.Pointer)
	return resp, err
}

// explain takes the figure at a pointer apart, and checks that what it was taken apart
// into comes to what is printed.
func explain(body []byte, result *ComparisonResponse, evaluations []*evaluated, pointer string) (*Figure, error) {
	text, err := Encode(result)
	if err != nil {
		return nil, err
	}
	var document any
	if err := json.Unmarshal(text, &document); err != nil {
		return nil, hashingFailed(err)
	}
	return explainIn(document, newExplainer(body, result, evaluations), pointer)
}

func explainIn(document any, x *explainer, pointer string) (*Figure, error) {
	value, found := any(nil), false
	if strings.HasPrefix(pointer, "/") {
		value, found = follow(document, pointer)
	}
	printed := ""
	switch v := value.(type) {
	case string:
		printed = v
	case float64:
		printed = strconv.FormatInt(int64(v), 10)
	}
	if !found || !aNumber.MatchString(printed) {
		return nil, errFaults(oneFault("/pointer", "pointer-unknown", "the result has no figure at "+short(pointer)))
	}
	root, ok := x.result(strings.Split(pointer, "/")[1:])
	if x.err != nil {
		return nil, &Error{Code: Internal, Detail: "the explanation failed", Cause: x.err}
	}
	if !ok {
		return nil, errFaults(oneFault("/pointer", "not-explainable", "this figure is not taken apart: "+notExplainable(pointer)))
	}
	f := &Figure{Pointer: pointer, Printed: printed, Terms: x.reachable(root)}
	if last := f.Terms[len(f.Terms)-1].Value; num.Canonical(last.Decimal) != shortest(printed) {
		return nil, &Error{Code: Internal, Detail: "the explanation does not come to the figure", Cause: &notTheFigure{pointer, printed, last.String()}}
	}
	return f, nil
}

var aNumber = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?$`)

// shortest is a printed number without zeros behind its last digit.
func shortest(printed string) string {
	if strings.Contains(printed, ".") {
		printed = strings.TrimSuffix(strings.TrimRight(printed, "0"), ".")
	}
	return printed
}

// notTheFigure is an explanation that fails its own check.
type notTheFigure struct{ pointer, printed, explained string }

func (e *notTheFigure) Error() string {
	return e.pointer + " is printed " + e.printed + " and explained " + e.explained
}

// notExplainable says why, by what the pointer leads to.
func notExplainable(pointer string) string {
	switch {
	case strings.Contains(pointer, "/thickness_design/"):
		return "a thickness follows from a search by its method; docs/thickness.md has the formulas, and the design lists its iterations"
	case strings.Contains(pointer, "/resolved/"), strings.HasPrefix(pointer, "/functional_unit"), strings.HasPrefix(pointer, "/sources/"), strings.HasPrefix(pointer, "/economics/"):
		return "it is given, by the request or by the inventory"
	case strings.Contains(pointer, "/stages/"):
		return "of a stage the mixer hours, its volume and its masses are explained"
	}
	return "explained are lines, totals, amounts, the mix, the take-off, differences and factors of time; not places in a ranking, years and counts"
}

// reachable keeps the terms that a root rests on, numbered anew in their order.
func (x *explainer) reachable(root int) []Term {
	needed := map[int]bool{root: true}
	for i := root; i >= 0; i-- {
		if needed[i] {
			for _, o := range x.terms[i].Operands {
				needed[o] = true
			}
		}
	}
	number, kept := map[int]int{}, []Term{}
	for i := 0; i <= root; i++ {
		if !needed[i] {
			continue
		}
		t := x.terms[i]
		operands := make([]int, len(t.Operands))
		for k, o := range t.Operands {
			operands[k] = number[o]
		}
		number[i], t.ID, t.Operands = len(kept), len(kept), operands
		kept = append(kept, t)
	}
	return kept
}
