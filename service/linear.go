package service

import (
	"context"
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
	"slabledger/lca/sampling"
)

// uncertain is one number behind a comparison that scatters, as a multiple of what it
// is.
type uncertain struct {
	name     string
	variable Variable // of an item, or a member by its pointer
	unit     string
	nominal  decimal.Decimal
	law      sampling.Distribution
	basis    string
	detail   string
	at       fault.Path // of a member: where the request gives its spread
}

// measured is a measure as what prices make of it and what factors make of it, which
// are nil where they make nothing.
type measured struct {
	name          string
	price, factor func(totals) decimal.Decimal
}

var measures = []measured{
	{MeasureNPV, func(t totals) decimal.Decimal { return t.NPV }, nil},
	{MeasureInitial, func(t totals) decimal.Decimal { return t.Initial }, nil},
	{MeasureTotalCarbon, nil, func(t totals) decimal.Decimal { return t.TotalCarbon }},
	{MeasureCradleToGate, nil, func(t totals) decimal.Decimal { return t.CradleToGate }},
	{MeasureNPVWithCarbon, func(t totals) decimal.Decimal { return t.NPV }, func(t totals) decimal.Decimal { return t.CarbonCost }},
}

// part is what an input can move of a measure; nil where that is nothing.
func (m measured) part(v Variable) func(totals) decimal.Decimal {
	switch {
	case v.Of == VaryPrice:
		return m.price
	case v.Of == VaryFactor:
		return m.factor
	}
	return func(t totals) decimal.Decimal { return t.measure(m.name) }
}

// linear turns a comparison into a sampling.Model. A measure is a straight line in
// every price and every factor, and in many an amount of the request; how steep it
// is, is read off the engine itself, by evaluating the comparison with the input
// changed and all others as they are. What is not uncertain ends up in the constants.
type linear struct {
	service   *Service
	ctx       context.Context //nolint:containedctx // lives as long as one request
	catalogue *catalogue
	request   ComparisonRequest
	inputs    []uncertain
	measures  []measured
	all       []totals // as the comparison stands

	items   []string         // with a price or a factor among the inputs
	members []int            // inputs that are members of the request
	steep   [][]slopes       // by alternative and measure
	high    map[int][]totals // by member, at its high end
	highAt  map[int]decimal.Decimal
}

// slopes of one measure of one alternative.
type slopes struct {
	of    []decimal.Decimal          // by input, the others as they are
	cross map[[2]int]decimal.Decimal // by member and item: of their product
}

// leap is how many times a price or factor is taken, so that the rounding of lines to
// 6 decimals is lost in the difference.
var leap = decimal.New(1_000_000, 0)

// maxModelEvaluations of one alternative each; a thousand take some tenths of a second.
const maxModelEvaluations = 20_000

// newLinear prepares the model of inputs that have been checked.
func newLinear(ctx context.Context, s *Service, c *catalogue, req ComparisonRequest, inputs []uncertain, chosen []measured, all []totals) *linear {
	l := &linear{service: s, ctx: ctx, catalogue: c, request: req, inputs: inputs, measures: chosen, all: all, high: map[int][]totals{}, highAt: map[int]decimal.Decimal{}}
	for i, in := range inputs {
		if in.variable.Item == "" {
			l.members = append(l.members, i)
		} else if !slices.Contains(l.items, in.variable.Item) {
			l.items = append(l.items, in.variable.Item)
		}
	}
	l.steep = make([][]slopes, len(all))
	for a := range all {
		l.steep[a] = make([]slopes, len(chosen))
		for m := range chosen {
			l.steep[a][m] = slopes{make([]decimal.Decimal, len(inputs)), map[[2]int]decimal.Decimal{}}
		}
	}
	return l
}

// evaluations is how many of one alternative the model takes, at most.
func (l *linear) evaluations() int {
	used := 0
	for _, code := range l.items {
		used += len(l.users(code))
	}
	return used*(1+len(l.members)) + l.memberEvaluations() + checkPoints*len(l.all)
}

// memberEvaluations are those that hold the members to be straight lines.
func (l *linear) memberEvaluations() int {
	n := len(l.members)
	return (3*n + n*(n-1)/2) * len(l.all)
}

// users are the alternatives that rest on an item.
func (l *linear) users(code string) []int {
	var list []int
	for a := range l.all {
		if slices.Contains(l.all[a].Items, code) {
			list = append(list, a)
		}
	}
	return list
}

// skeleton is the model with no more than its structure, to say what a run would
// take before anything is worked out.
func (l *linear) skeleton() sampling.Model {
	for i, in := range l.inputs {
		for a := range l.all {
			if in.variable.Item != "" && !slices.Contains(l.all[a].Items, in.variable.Item) {
				continue
			}
			for m, measure := range l.measures {
				if measure.part(in.variable) != nil {
					l.steep[a][m].of[i] = num.One
				}
			}
		}
	}
	model := l.model()
	for a := range l.steep {
		for m := range l.steep[a] {
			clear(l.steep[a][m].of)
		}
	}
	return model
}

// model writes the slopes as terms.
func (l *linear) model() sampling.Model {
	model := sampling.Model{Alternatives: make([][]sampling.Output, len(l.all))}
	for _, in := range l.inputs {
		model.Inputs = append(model.Inputs, sampling.Input{Name: in.name, Distribution: in.law})
	}
	for a := range l.all {
		for m := range l.measures {
			constant, single, products := l.terms(a, m)
			out := sampling.Output{Constant: num.Float(constant), Exact: decimal.NewNullDecimal(l.all[a].measure(l.measures[m].name))}
			for i, c := range single {
				if !c.IsZero() {
					out.Terms = append(out.Terms, sampling.Term{Coefficient: num.Float(c), Inputs: []int{i}})
				}
			}
			for _, key := range products {
				out.Terms = append(out.Terms, sampling.Term{Coefficient: num.Float(l.steep[a][m].cross[key]), Inputs: key[:]})
			}
			model.Alternatives[a] = append(model.Alternatives[a], out)
		}
	}
	return model
}

// terms are the constant, the coefficients of single inputs and the products of one
// measure: the slope in an input, the others as they are, holds its products too. All
// together they are the figure of the engine, exactly.
func (l *linear) terms(a, m int) (constant decimal.Decimal, single []decimal.Decimal, products [][2]int) {
	s := l.steep[a][m]
	single = slices.Clone(s.of)
	for key, c := range s.cross {
		products = append(products, key)
		single[key[0]], single[key[1]] = single[key[0]].Sub(c), single[key[1]].Sub(c)
	}
	slices.SortFunc(products, func(x, y [2]int) int { return slices.Compare(x[:], y[:]) })
	constant = l.all[a].measure(l.measures[m].name)
	for _, c := range single {
		constant = constant.Sub(c)
	}
	for _, key := range products {
		constant = constant.Sub(s.cross[key])
	}
	return constant, single, products
}

// measureSlopes evaluates the comparison around where it stands. Faults point to the
// spread of the member that the comparison is no straight line in.
func (l *linear) measureSlopes(faults *fault.List) error {
	if err := l.measureMembers(faults); err != nil || !faults.Empty() {
		return err
	}
	for _, code := range l.items {
		if err := l.item(code); err != nil {
			return err
		}
	}
	return nil
}

// measureMembers is the part of measureSlopes in which faults are found.
func (l *linear) measureMembers(faults *fault.List) error {
	for _, k := range l.members {
		if err := l.member(k, faults); err != nil {
			return err
		}
	}
	return nil
}

// leapt evaluates some alternatives with the numbers of one item a million times what
// they are.
func (l *linear) leapt(req ComparisonRequest, code string, chosen []int) ([]totals, error) {
	c := l.catalogue.scaled(l.catalogue.entries[code], leap, leap)
	return l.service.figures(l.ctx, c, req, chosen)
}

// item measures the slopes in the price and the factors of an item, and in their
// products with members.
func (l *linear) item(code string) error {
	users := l.users(code)
	if len(users) == 0 {
		return nil
	}
	up, err := l.leapt(l.request, code, users)
	if err != nil {
		return err
	}
	less := leap.Sub(num.One)
	l.eachOf(code, func(i int) {
		for n, a := range users {
			for m, measure := range l.measures {
				if part := measure.part(l.inputs[i].variable); part != nil {
					l.steep[a][m].of[i] = num.Quotient(part(up[n]).Sub(part(l.all[a])), less)
				}
			}
		}
	})
	for _, k := range l.members {
		moved := slices.DeleteFunc(slices.Clone(users), func(a int) bool { return l.still(k, a) })
		if len(moved) == 0 {
			continue
		}
		req, err := l.memberAt(k, l.highAt[k])
		if err != nil {
			return err
		}
		both, err := l.leapt(req, code, moved)
		if err != nil {
			return err
		}
		span := less.Mul(l.highAt[k].Sub(num.One))
		l.eachOf(code, func(i int) {
			for n, a := range moved {
				for m, measure := range l.measures {
					part := measure.part(l.inputs[i].variable)
					if part == nil {
						continue
					}
					alone := part(up[slices.Index(users, a)])
					mixed := part(both[n]).Sub(part(l.high[k][a])).Sub(alone).Add(part(l.all[a]))
					if !mixed.IsZero() {
						l.steep[a][m].cross[[2]int{k, i}] = num.Quotient(mixed, span)
					}
				}
			}
		})
	}
	return nil
}

// eachOf does something for the inputs that are of an item.
func (l *linear) eachOf(code string, do func(i int)) {
	for i, in := range l.inputs {
		if in.variable.Item == code {
			do(i)
		}
	}
}

// still tells that a member moves nothing of an alternative.
func (l *linear) still(k, a int) bool {
	return !slices.ContainsFunc(l.measures, func(m measured) bool {
		return !l.high[k][a].measure(m.name).Equal(l.all[a].measure(m.name))
	})
}

// memberAt is the comparison with a member at a multiple of what it is.
func (l *linear) memberAt(k int, multiple decimal.Decimal) (ComparisonRequest, error) {
	return l.membersAt(map[int]decimal.Decimal{k: multiple})
}

func (l *linear) membersAt(multiples map[int]decimal.Decimal) (ComparisonRequest, error) {
	req := l.request
	for _, k := range l.members {
		multiple, changed := multiples[k]
		if !changed {
			continue
		}
		in, err := &l.inputs[k], error(nil)
		text := num.Canonical(num.Amount(in.nominal.Mul(multiple)))
		if in.variable.Unit != "" {
			text += " " + in.variable.Unit
		}
		if req, err = withMember(req, in.variable.Pointer, text); err != nil {
			return req, err
		}
	}
	return req, nil
}

// Members are looked at between their quantiles of 1 and of 999 in a thousand.
const memberTail = 0.001

// member measures the slope in a member of the request, and holds that the measures
// are straight lines in it, and in it and each other member apart.
func (l *linear) member(k int, faults *fault.List) error {
	in := &l.inputs[k]
	low, high := multiple(in.law.Quantile(memberTail)), multiple(in.law.Quantile(1-memberTail))
	middle := num.Quotient(low.Add(high), decimal.NewFromInt(2))
	at := make([][]totals, 3)
	for n, x := range []*decimal.Decimal{&low, &middle, &high} {
		*x = num.Quotient(num.Amount(in.nominal.Mul(*x)), in.nominal) // as it can be written
		req, err := l.memberAt(k, *x)
		if err != nil {
			return err
		}
		at[n], err = l.service.figures(l.ctx, l.catalogue, req, nil)
		if failed := (*Error)(nil); asInvalid(err, &failed) && len(failed.Faults) > 0 {
			faults.Add(in.at, "out-of-range", "at %s times what it is the comparison cannot be computed: %s", num.Canonical(num.Line(*x)), failed.Faults[0].Detail)
			return nil
		} else if err != nil {
			return err
		}
	}
	l.high[k], l.highAt[k] = at[2], high
	for a := range l.all {
		for m, measure := range l.measures {
			of := func(t []totals) decimal.Decimal { return t[a].measure(measure.name) }
			slope := num.Quotient(of(at[2]).Sub(of(at[0])), high.Sub(low))
			line := func(x decimal.Decimal) decimal.Decimal { return of(at[0]).Add(slope.Mul(x.Sub(low))) }
			if !straightAt(line(middle), of(at[1])) || !straightAt(line(num.One), of(l.all)) {
				faults.Add(in.at, "not-linear", "%s of %s is no straight line in this member, so no spread of it is computed; vary it one value at a time", measure.name, names(l.request.Alternatives)[a])
				return nil
			}
			l.steep[a][m].of[k] = slope
		}
	}
	return l.apart(k, faults)
}

// apart holds that a member does not multiply another one before it.
func (l *linear) apart(k int, faults *fault.List) error {
	for _, j := range l.members {
		if j >= k {
			return nil
		}
		if _, known := l.highAt[j]; !known {
			continue
		}
		req, err := l.membersAt(map[int]decimal.Decimal{j: l.highAt[j], k: l.highAt[k]})
		if err != nil {
			return err
		}
		both, err := l.service.figures(l.ctx, l.catalogue, req, nil)
		if failed := (*Error)(nil); asInvalid(err, &failed) && len(failed.Faults) > 0 {
			faults.Add(l.inputs[k].at, "out-of-range", "together with %s the comparison cannot be computed: %s", l.inputs[j].name, failed.Faults[0].Detail)
			return nil
		} else if err != nil {
			return err
		}
		for a := range l.all {
			for _, measure := range l.measures {
				of := func(t []totals) decimal.Decimal { return t[a].measure(measure.name) }
				if sum := of(l.high[j]).Add(of(l.high[k])).Sub(of(l.all)); !straightAt(sum, of(both)) {
					faults.Add(l.inputs[k].at, "not-linear", "it multiplies %s, and a price or factor too; give a spread to one of the two", l.inputs[j].name)
					return nil
				}
			}
		}
	}
	return nil
}

// straightAt tells that a figure lies on a line, but for the rounding of the lines
// that it is the sum of, to 6 decimals each.
func straightAt(line, figure decimal.Decimal) bool {
	slack := decimal.New(1, -5).Add(figure.Abs().Shift(-9))
	return line.Sub(figure).Abs().LessThanOrEqual(slack)
}

// multiple is a float64 as a multiple of an input, to 6 decimals.
func multiple(f float64) decimal.Decimal {
	d, err := num.FromFloat(f, num.Places)
	if err != nil {
		return num.One // no quantile of a checked distribution is infinite
	}
	return d
}

// checkPoints are the states of the inputs at which the model is held against the
// engine: all inputs high, all low, and in turns.
const checkPoints = 3

// check evaluates the comparison by the engine with all inputs away from where they
// are, at so many points as it can be computed at, and returns the largest distance
// of the model from it, relative to the figure.
func (l *linear) check() (points int, worst decimal.Decimal, err error) {
	for point := range checkPoints {
		at := make([]decimal.Decimal, len(l.inputs))
		for i, in := range l.inputs {
			p := [checkPoints]float64{0.9, 0.1, 0.2 + 0.6*float64(i%2)}[point]
			at[i] = multiple(in.law.Quantile(p))
		}
		exact, err := l.engineAt(at)
		if failed := (*Error)(nil); asInvalid(err, &failed) {
			continue // the members cannot all be there at once, and need not
		} else if err != nil {
			return points, worst, err
		}
		points++
		for a := range l.all {
			for m, measure := range l.measures {
				want := exact[a].measure(measure.name)
				apart := l.modelAt(a, m, at).Sub(want).Abs()
				if !want.IsZero() {
					apart = num.Quotient(apart, want.Abs())
				}
				if apart.GreaterThan(worst) {
					worst = apart
				}
			}
		}
	}
	return points, worst, nil
}

// modelAt is the model in decimals, at multiples of its inputs.
func (l *linear) modelAt(a, m int, at []decimal.Decimal) decimal.Decimal {
	sum, single, products := l.terms(a, m)
	for i, c := range single {
		if !c.IsZero() {
			sum = sum.Add(c.Mul(at[i]))
		}
	}
	for _, key := range products {
		sum = sum.Add(l.steep[a][m].cross[key].Mul(at[key[0]]).Mul(at[key[1]]))
	}
	return sum
}

// engineAt is the engine at multiples of the inputs.
func (l *linear) engineAt(at []decimal.Decimal) ([]totals, error) {
	c, members := l.catalogue, map[int]decimal.Decimal{}
	for _, code := range l.items {
		price, factor := num.One, num.One
		l.eachOf(code, func(i int) {
			if l.inputs[i].variable.Of == VaryPrice {
				price = at[i]
			} else {
				factor = at[i]
			}
		})
		c = c.scaled(c.entries[code], price, factor)
	}
	for _, k := range l.members {
		members[k] = at[k]
	}
	req, err := l.membersAt(members)
	if err != nil {
		return nil, err
	}
	return l.service.figures(l.ctx, c, req, nil)
}
