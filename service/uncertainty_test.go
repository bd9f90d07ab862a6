package service_test

import (
	"bytes"
	"context"
	"errors"
	"maps"
	"math"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
)

func uncertaintyBody(t testing.TB, comparison []byte, rest map[string]any) []byte {
	t.Helper()
	var c any
	if err := json.Unmarshal(comparison, &c); err != nil {
		t.Fatal(err)
	}
	body := map[string]any{"comparison": c}
	for k, v := range rest {
		body[k] = v
	}
	text, err := json.Marshal(body, json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func uncertaintyOf(t testing.TB, svc *service.Service, comparison []byte, rest map[string]any) *service.UncertaintyResponse {
	t.Helper()
	r, err := svc.Uncertainty(t.Context(), uncertaintyBody(t, comparison, rest))
	if err != nil {
		for _, f := range service.Faults(err) {
			t.Log(f)
		}
		t.Fatal(err)
	}
	return r
}

func spread(kv ...any) any { return object2(kv...) }

func float(d decimal.Decimal) float64 { return d.InexactFloat64() }

// quantityOf finds a measure of an alternative.
func quantityOf(t testing.TB, r *service.UncertaintyResponse, alternative int, measure string) service.UncertainQuantity {
	t.Helper()
	for _, q := range r.Alternatives[alternative].Measures {
		if q.Measure == measure {
			return q
		}
	}
	t.Fatalf("no %s", measure)
	return service.UncertainQuantity{}
}

// What is reported as nominal is the comparison, to the last digit; with every spread
// held the mean is too, and nothing scatters.
func TestUncertaintyWithoutSpreadIsTheComparison(t *testing.T) {
	svc := newService(t)
	exact := compare(t, svc, request(t))
	r := uncertaintyOf(t, svc, request(t), nil)
	var held []any
	for _, in := range r.Inputs {
		held = append(held, spread("item", in.Variable.Item, "of", in.Variable.Of, "distribution", "fixed"))
	}
	still := uncertaintyOf(t, svc, request(t), object2("spreads", held))
	if len(r.Inputs) < 20 || len(still.Inputs) != 0 || !still.Converged {
		t.Fatalf("%d inputs, then %d", len(r.Inputs), len(still.Inputs))
	}
	for a, want := range exact.Alternatives {
		for measure, figure := range map[string]service.Fixed{
			"net_present_value": want.Cost.NetPresentValuePerM2, "initial_cost": want.Cost.InitialPerM2,
			"total_carbon": want.Carbon.TotalKgCO2ePerM2, "cradle_to_gate_carbon": want.Carbon.CradleToGateKgCO2ePerM2,
		} {
			q := quantityOf(t, still, a, measure)
			for _, is := range []service.Fixed{quantityOf(t, r, a, measure).Nominal, q.Nominal, q.Mean, q.Percentiles[0].Value, q.Percentiles[6].Value, q.Trace[0]} {
				if !is.Equal(figure.Decimal) {
					t.Errorf("%s of %s is %s, the comparison says %s", measure, want.Name, is, figure)
				}
			}
			if !q.SD.IsZero() || !q.MeanSE.IsZero() {
				t.Errorf("%s of %s scatters by %s", measure, want.Name, q.SD)
			}
		}
	}
	if d := r.Model.KernelDistance; d.GreaterThan(decimal.New(1, -14)) {
		t.Errorf("the kernel is %s off", d)
	}
}

// A cement whose factor scatters by 10 % moves 300 kg and 290 kg together: the lesser
// is lower in every draw. Two draws in place of one would make it 0.595 (R. Heijungs
// 2021 on shared inputs; the figure worked by the normal distribution:
// Φ(10 / √(30² + 29²)) = 0.595).
func TestSharedInputIsOneDraw(t *testing.T) {
	svc := newService(t)
	gsd := math.Exp(math.Sqrt(math.Log(1 + 0.1*0.1))) // of a coefficient of variation of 10 %
	r := uncertaintyOf(t, svc, request(t,
		edit{"/alternatives/0/mix/constituents/0/amount", "300 kg/m3"},
		edit{"/alternatives/1", map[string]any{"name": "less", "like": "plain", "mix": map[string]any{"constituents": []any{
			map[string]any{"item": "cement-cem-i", "amount": "290 kg/m3"}, map[string]any{"item": "water-mains", "amount": "161 kg/m3"}, map[string]any{"item": "gravel-20", "amount": "1120 kg/m3"},
			map[string]any{"item": "sand-washed", "amount": "balance"}, map[string]any{"item": "superplasticiser", "amount": "0.8 % of binder"}}}}},
		edit{"/alternatives/2", map[string]any{"name": "third", "like": "plain"}}),
		object2("pedigree", false, "measures", []any{"cradle_to_gate_carbon"}, "spreads", []any{spread("item", "cement-cem-i", "of", "factor", "distribution", "lognormal", "gsd", decimal.NewFromFloat(gsd).Round(9).String())}))
	d := r.Pairs[0].Differences[0]
	if !d.FirstLower.Probability.IsZero() || d.Indistinguishable || !d.FirstLower.High.IsPositive() {
		t.Errorf("300 kg is lower than 290 kg in %s of the draws: %+v", d.FirstLower.Probability, d)
	}
	if !strings.Contains(strings.Join(r.Conclusions, "\n"), "less is lower than plain in cradle to gate carbon in 100 % of paired draws; most of the spread of their difference comes from the factor of cement-cem-i") {
		t.Error(r.Conclusions)
	}
	cv := float(quantityOf(t, r, 0, "cradle_to_gate_carbon").SD.Decimal) / float(quantityOf(t, r, 0, "cradle_to_gate_carbon").Mean.Decimal)
	if cv < 0.05 || cv > 0.11 {
		t.Errorf("the carbon of the slab scatters by %v", cv)
	}
}

// An alternative and its copy tie in every draw, and a tie counts half.
func TestCopyIsIndistinguishable(t *testing.T) {
	r := uncertaintyOf(t, newService(t), request(t, edit{"/alternatives/1", map[string]any{"name": "copy", "like": "plain"}}, edit{"/alternatives/2", map[string]any{"name": "third", "like": "plain", "slab": map[string]any{"thickness": "250 mm"}}}), nil)
	half := decimal.New(5, -1)
	for _, d := range r.Pairs[0].Differences {
		if !d.Indistinguishable || !d.FirstLower.Probability.Equal(half) || !d.SD.IsZero() || !d.Mean.IsZero() {
			t.Errorf("%s: %+v", d.Measure, d)
		}
	}
	if both := r.Pairs[0].Both; !both.Same.Equal(decimal.NewFromInt(1)) || !both.FirstLowerInBoth.Probability.Equal(half) {
		t.Errorf("%+v", both)
	}
	for _, m := range r.Ranks {
		if !m.Alternatives[0].Best.Equal(half) || !m.Alternatives[1].Ranks[1].Equal(half) || !m.Alternatives[2].Ranks[2].Equal(decimal.NewFromInt(1)) {
			t.Errorf("%+v", m)
		}
	}
	if !slices.Contains(r.Conclusions, "plain and copy are indistinguishable in total carbon") {
		t.Error(r.Conclusions)
	}
}

// Ten thousand draws know a probability to 0.005; shares of the variance and what is
// left of it are all of it; the outcomes in cost and carbon are all draws; ranks are.
func TestFiguresOfUncertaintyAddUp(t *testing.T) {
	r := uncertaintyOf(t, newService(t), request(t), object2("percent", "10 %"))
	one := decimal.NewFromInt(1)
	complete := func(what string, q service.UncertainQuantity) {
		sum := q.Other.Decimal
		for i, s := range q.VarianceShares {
			sum = sum.Add(s.Share.Decimal)
			if i > 0 && s.Share.GreaterThan(q.VarianceShares[i-1].Share.Decimal) {
				t.Errorf("%s: %s is out of order", what, s.Input)
			}
		}
		if sum.Sub(decimal.NewFromInt(100)).Abs().GreaterThan(decimal.New(1, -2)) {
			t.Errorf("%s: shares come to %s %%", what, sum)
		}
		for i, p := range q.Percentiles {
			if !p.SE.IsPositive() || i > 0 && p.Value.LessThan(q.Percentiles[i-1].Value.Decimal) {
				t.Errorf("%s: %+v", what, q.Percentiles)
			}
		}
	}
	for _, a := range r.Alternatives {
		for k, c := range a.Contributions {
			sum, percent := decimal.Zero, decimal.Zero
			for _, i := range c.Items {
				sum, percent = sum.Add(i.Amount.Decimal), percent.Add(i.SharePercent.Decimal)
			}
			if nominal := a.Measures[k].Nominal; !sum.Equal(nominal.Decimal) || percent.Sub(decimal.NewFromInt(100)).Abs().GreaterThan(decimal.New(1, -2)) || len(c.Items) < 5 {
				t.Errorf("%s %s: the items come to %s of %s, %s %%", a.Name, c.Measure, sum, nominal, percent)
			}
		}
		for _, q := range a.Measures {
			complete(a.Name+" "+q.Measure, q)
			// All inputs are listed and independent, and nothing multiplies: the rest is sampling.
			if q.Other.Abs().GreaterThan(decimal.NewFromInt(4)) || !r.Additive {
				t.Errorf("%s %s: %s %% of the variance come from no input", a.Name, q.Measure, q.Other)
			}
		}
	}
	for _, p := range r.Pairs {
		for _, d := range p.Differences {
			complete(p.First+" "+p.Second+" "+d.Measure, d.UncertainQuantity)
			if d.FirstLower.SE.GreaterThan(decimal.New(5, -3)) {
				t.Errorf("a probability is known to %s only", d.FirstLower.SE)
			}
		}
		b := p.Both
		lower := b.FirstLowerInBoth.Probability.Sub(b.Same.Decimal.Div(decimal.NewFromInt(2)))
		if sum := lower.Add(b.SecondLowerInBoth.Decimal).Add(b.Mixed.Decimal).Add(b.Same.Decimal); !sum.Equal(one) {
			t.Errorf("%s, %s: outcomes come to %s", p.First, p.Second, sum)
		}
	}
	for _, m := range r.Ranks {
		best := decimal.Zero
		for _, a := range m.Alternatives {
			best = best.Add(a.Best.Decimal)
		}
		if !best.Equal(one) {
			t.Errorf("%s: the shares of the first rank come to %s", m.Measure, best)
		}
	}
	for _, in := range r.Inputs {
		if in.Basis == "request percent" && !strings.HasPrefix(in.Spread, "triangular 0.9 1.1") {
			t.Errorf("%+v", in)
		}
	}
}

// The same seed gives the same bytes whatever the number of workers, another seed does
// not, and the processor makes no difference: run it with GOAMD64=v1 and v3.
func TestSameSeedSameBytes(t *testing.T) {
	svc := newService(t)
	body := uncertaintyBody(t, request(t, edit{"/alternatives/2", map[string]any{"name": "third", "like": "plain"}}), object2("samples", 3000, "seed", 18446744073709551, "measures", []any{"net_present_value", "total_carbon"},
		"spreads", []any{spread("pointer", "/alternatives/0/transport/2/distance", "unit", "km", "distribution", "triangular", "low", "0.5", "high", "2")}))
	of := func(workers int, body []byte) []byte {
		svc.SetWorkers(workers)
		r, err := svc.Uncertainty(t.Context(), body)
		if err != nil {
			t.Fatal(err)
		}
		text, err := service.Encode(r)
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	one := of(1, body)
	for _, workers := range []int{1, 2, 4} {
		if text := of(workers, body); !bytes.Equal(text, one) {
			t.Errorf("%d workers: other bytes", workers)
		}
	}
	golden(t, "../testdata/golden/uncertainty.json", one)
	if text := of(1, bytes.Replace(body, []byte("18446744073709551"), []byte(`"18446744073709551"`), 1)); !bytes.Equal(text, one) {
		t.Error("a seed as text is another than the same as a number")
	}
	if text := of(1, bytes.Replace(body, []byte("18446744073709551"), []byte("18446744073709550"), 1)); bytes.Equal(text, one) {
		t.Error("another seed, the same samples")
	}
}

// Sums of independent inputs have the sum of their variances, whatever their
// distributions: lognormal of median 1 has mean e^(σ²/2) and variance e^σ² (e^σ² - 1),
// triangular (a, 1, c) mean (a+1+c)/3 and variance (a²+1+c²-a-c-ac)/18, uniform mean
// (a+c)/2 and variance (c-a)²/12 (any textbook; NIST/SEMATECH e-Handbook, 1.3.6.6), and
// a product of two has the product of their second moments. The weights are the printed
// lines of the comparison, which the model does not look at.
func TestUncertaintyAgainstClosedForms(t *testing.T) {
	svc := newService(t)
	full := compare(t, svc, request(t)).Alternatives[0].Carbon
	type moments struct{ mean, variance float64 }
	laws := map[string]struct {
		given any
		moments
	}{}
	lognormal := func(item string, gsd float64) {
		s := math.Log(gsd) * math.Log(gsd)
		laws[item] = struct {
			given any
			moments
		}{spread("item", item, "of", "factor", "distribution", "lognormal", "gsd", decimal.NewFromFloat(gsd).String()), moments{math.Exp(s / 2), math.Exp(s) * (math.Exp(s) - 1)}}
	}
	ends := func(item, kind string, a, c float64, m moments) {
		laws[item] = struct {
			given any
			moments
		}{spread("item", item, "of", "factor", "distribution", kind, "low", decimal.NewFromFloat(a).String(), "high", decimal.NewFromFloat(c).String()), m}
	}
	triangular := func(a, c float64) moments { return moments{(a + 1 + c) / 3, (a*a + 1 + c*c - a - c - a*c) / 18} }
	lognormal("cement-cem-i", 1.3)
	ends("crushed-stone-base", "triangular", 0.8, 1.3, triangular(0.8, 1.3))
	ends("dowel-32", "uniform", 0.5, 2, moments{1.25, 1.5 * 1.5 / 12})
	lognormal("truck-mixer", 1.2)
	haul := triangular(0.5, 2) // of the distance of the truck mixer
	spreads := []any{spread("pointer", "/alternatives/0/transport/2/distance", "unit", "km", "distribution", "triangular", "low", "0.5", "high", "2")}
	mean, variance := float(full.TotalKgCO2ePerM2.Decimal), 0.0
	for item, law := range laws {
		spreads = append(spreads, law.given)
		weight := 0.0
		for _, line := range full.Lines {
			if line.Item == item && line.Module != "D" {
				weight += float(line.GWPKgCO2ePerM2.Decimal)
			}
		}
		if weight == 0 {
			t.Fatalf("nothing of %s", item)
		}
		m := law.moments
		if item == "truck-mixer" {
			m = moments{m.mean * haul.mean, (m.variance+m.mean*m.mean)*(haul.variance+haul.mean*haul.mean) - m.mean*m.mean*haul.mean*haul.mean}
		}
		mean += weight * (m.mean - 1)
		variance += weight * weight * m.variance
	}
	used := uncertaintyOf(t, svc, request(t), object2("samples", 1000))
	for _, in := range used.Inputs {
		if _, ours := laws[in.Variable.Item]; in.Variable.Of == "factor" && !ours {
			spreads = append(spreads, spread("item", in.Variable.Item, "of", "factor", "distribution", "fixed"))
		}
	}
	for _, seed := range []string{"1", "2", "3"} {
		r := uncertaintyOf(t, svc, request(t), object2("samples", 100_000, "seed", seed, "measures", []any{"total_carbon"}, "spreads", spreads))
		q := quantityOf(t, r, 0, "total_carbon")
		if off := math.Abs(float(q.Mean.Decimal) - mean); off > 4*float(q.MeanSE.Decimal) {
			t.Errorf("seed %s: mean %s, closed form %v, standard error %s", seed, q.Mean, mean, q.MeanSE)
		}
		// The standard error of a standard deviation, SD √((κ-1)/4n), with the kurtosis κ of
		// the lognormal factor, which none of the others has more of.
		w := math.Exp(math.Log(1.3) * math.Log(1.3))
		kurtosis := math.Pow(w, 4) + 2*math.Pow(w, 3) + 3*w*w - 3
		se := math.Sqrt(variance) * math.Sqrt((kurtosis-1)/(4*100_000))
		if off := math.Abs(float(q.SD.Decimal) - math.Sqrt(variance)); off > 4*se {
			t.Errorf("seed %s: standard deviation %s, closed form %v, standard error %v", seed, q.SD, math.Sqrt(variance), se)
		}
	}
}

// The model is the engine: with all prices and factors so large that the rounding of
// lines to 6 decimals is lost in them, the two agree to 1e-9 of a figure wherever the
// inputs stand; as they are, to what that rounding makes.
func TestModelIsTheEngine(t *testing.T) {
	svc := newService(t)
	changedDemo(t, svc, func(_ string, i *inventory.Item) {
		large := decimal.New(1, 5)
		if i.Price != nil {
			price := *i.Price
			price.Amount = price.Amount.Mul(large)
			i.Price = &price
		}
		i.Factors = maps.Clone(i.Factors)
		for k, v := range i.Factors {
			i.Factors[k] = v.Mul(large)
		}
	})
	haul := spread("pointer", "/alternatives/0/transport/0/distance", "unit", "km", "distribution", "lognormal", "gsd", "1.5")
	other := spread("pointer", "/alternatives/0/transport/1/distance", "unit", "km", "distribution", "uniform", "low", "0.5", "high", "1.5")
	for name, c := range map[string]struct {
		edits   []edit
		spreads []any
	}{
		"the demo":           {nil, nil},
		"two hauls":          {nil, []any{haul, other}},
		"a thickness":        {nil, []any{spread("pointer", "/alternatives/1/slab/thickness", "unit", "mm", "distribution", "uniform", "low", "0.9", "high", "1.1")}},
		"a dosage of fibre":  {nil, []any{spread("pointer", "/alternatives/1/mix/add/0/amount", "unit", "% by volume", "distribution", "triangular", "low", "0.5", "high", "1.5")}},
		"falling evenly":     {[]edit{{"/alternatives/0/residual", map[string]any{"method": "straight_line", "life_years": 50, "final_value": "10 EUR/m2"}}}, []any{haul}},
		"a given residual":   {[]edit{{"/alternatives/0/residual", map[string]any{"method": "given", "value": "1000000 EUR/m2"}}}, []any{spread("pointer", "/alternatives/0/residual/value", "unit", "EUR/m2", "distribution", "uniform", "low", "0.5", "high", "1.5")}},
		"escalation":         {[]edit{{"/economics/real_escalation", []any{map[string]any{"category": "operation", "rate": "1 %"}, map[string]any{"category": "cement", "rate": "2 %"}}}}, nil},
		"a price of carbon":  {[]edit{{"/economics/carbon_price", map[string]any{"amount": "80 EUR/t", "real_growth": "2 %"}}}, []any{spread("pointer", "/economics/carbon_price/amount", "unit", "EUR/t", "distribution", "uniform", "low", "0.5", "high", "2")}},
		"another allocation": {[]edit{{"/data_requirements", map[string]any{"allocation": "economic"}}}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			for ref, most := range map[string]decimal.Decimal{"demo@2": decimal.New(1, -9), "demo@1": decimal.New(1, -6)} {
				r := uncertaintyOf(t, svc, request(t, append(slices.Clone(c.edits), edit{"/inventory", ref})...), object2("samples", 1000, "percent", "20 %", "spreads", c.spreads))
				if r.Model.PointsChecked != 3 || r.Model.ModelDistance.GreaterThan(most) || r.Model.KernelDistance.GreaterThan(decimal.New(1, -14)) {
					t.Errorf("%s: %+v", ref, r.Model)
				}
			}
		})
	}
}

// Correlation of inputs that both add to the total widens its scatter.
func TestCorrelatedInputs(t *testing.T) {
	svc := newService(t)
	apart := uncertaintyOf(t, svc, request(t), object2("samples", 100_000))
	together := uncertaintyOf(t, svc, request(t), object2("samples", 100_000, "correlations", []any{object2("a", "price of cement-cem-i", "b", "price of fibre-pp-macro", "rank", "0.9")}))
	a, b := quantityOf(t, apart, 1, "initial_cost"), quantityOf(t, together, 1, "initial_cost")
	if !b.SD.GreaterThan(a.SD.Decimal) || together.Additive || !apart.Additive {
		t.Errorf("%s apart, %s together", a.SD, b.SD)
	}
	if !quantityOf(t, together, 1, "total_carbon").SD.Equal(quantityOf(t, apart, 1, "total_carbon").SD.Decimal) {
		t.Error("factors scatter otherwise because prices are correlated")
	}
}

func TestUncertaintyRefuses(t *testing.T) {
	svc := newService(t)
	cement := func(kv ...any) []any {
		return []any{object2(append([]any{"item", "cement-cem-i", "of", "factor"}, kv...)...)}
	}
	member := func(pointer, unit string) any {
		return spread("pointer", pointer, "unit", unit, "distribution", "uniform", "low", "0.8", "high", "1.2")
	}
	charged := request(t, edit{"/economics/carbon_price", map[string]any{"amount": "80 EUR/t"}})
	full := request(t)
	for i := 3; i < 40; i++ {
		full = changed(t, full, edit{"/alternatives/-", map[string]any{"name": strings.Repeat("x", i), "like": "fibre"}})
	}
	crowd := changed(t, full, edit{"/alternatives/-", map[string]any{"name": "one more", "like": "plain"}})
	for name, c := range map[string]struct {
		comparison []byte
		rest       map[string]any
		want       string
	}{
		"a spread of nothing":           {request(t), object2("spreads", cement("distribution", "lognormal", "gsd", "1")), "/spreads/0/gsd out-of-range"},
		"a mode outside":                {request(t), object2("spreads", cement("distribution", "triangular", "low", "1.1", "high", "1.3")), "/spreads/0/low out-of-range"},
		"no ends":                       {request(t), object2("spreads", cement("distribution", "uniform", "low", "0.9")), "/spreads/0/high required-member-missing"},
		"twice":                         {request(t), object2("spreads", append(cement("distribution", "fixed"), cement("distribution", "fixed")...)), "/spreads/1 duplicate-name"},
		"an item of no alternative":     {request(t), object2("spreads", []any{spread("item", "ggbs", "of", "factor", "distribution", "fixed")}), "/spreads/0/item not-used"},
		"an unknown item":               {request(t), object2("spreads", []any{spread("item", "cement-cem-x", "of", "factor", "distribution", "fixed")}), "/spreads/0/item item-unknown"},
		"a discount rate":               {request(t), object2("spreads", []any{member("/economics/real_discount_rate", "%")}), "/spreads/0 not-linear"},
		"waste":                         {request(t), object2("spreads", []any{member("/alternatives/0/slab/waste/concrete", "%")}), "/spreads/0 not-linear"},
		"a haul of what scatters":       {request(t), object2("spreads", []any{member("/alternatives/0/transport/2/distance", "km"), member("/alternatives/0/slab/thickness", "mm")}), "/spreads/1 not-linear"},
		"a price of carbon and a haul":  {charged, object2("spreads", []any{member("/alternatives/0/transport/2/distance", "km"), member("/economics/carbon_price/amount", "EUR/t")}), "/spreads/1 not-linear"},
		"more than a cubic metre":       {request(t), object2("spreads", []any{spread("pointer", "/alternatives/0/mix/constituents/2/amount", "unit", "kg/m3", "distribution", "uniform", "low", "0.5", "high", "3")}), "/spreads/0 out-of-range"},
		"the price of a member":         {request(t), object2("spreads", []any{spread("pointer", "/alternatives/0/slab/thickness", "unit", "mm", "of", "price", "distribution", "fixed")}), "/spreads/0/of not-used"},
		"no text there":                 {request(t), object2("spreads", []any{member("/functional_unit/analysis_period_years", "")}), "/spreads/0/pointer pointer-unknown"},
		"a price of carbon without one": {request(t), object2("measures", []any{"net_present_value_with_carbon"}), "/measures/0 required-member-missing"},
		"a seed that is too large":      {request(t), object2("seed", "99999999999999999999"), "/seed out-of-range"},
		"a band":                        {request(t), object2("band", "0.6"), "/band out-of-range"},
		"a percentage":                  {request(t), object2("percent", "0 %"), "/percent out-of-range"},
		"correlated with nothing":       {request(t), object2("correlations", []any{object2("a", "price of ggbs", "b", "price of cement-cem-i", "rank", "0.5")}), "/correlations/0/a not-in-list"},
		"the same input":                {request(t), object2("correlations", []any{object2("a", "price of cement-cem-i", "b", "price of cement-cem-i", "rank", "1")}), "/correlations/0 "},
		"too few draws":                 {request(t), object2("samples", 999), "/samples out-of-range"},
		"a crowd":                       {crowd, nil, "/comparison/alternatives compute-budget-exceeded"},
		"too long for an answer":        {full, object2("samples", 100_000), "/samples compute-budget-exceeded: 100000 samples take about"},
		"a fault of the comparison":     {request(t, edit{"/alternatives/0/slab/thickness", "240"}), nil, "/comparison/alternatives/0/slab/thickness unit-missing"},
	} {
		_, err := svc.Uncertainty(t.Context(), uncertaintyBody(t, c.comparison, c.rest))
		var found []string
		for _, f := range service.Faults(err) {
			found = append(found, string(f.Pointer)+" "+f.Code+": "+f.Detail)
		}
		if !strings.Contains(strings.Join(found, "\n"), c.want) {
			t.Errorf("%s: want %q, got %v, %q", name, c.want, err, found)
		}
	}
}

// countdown is a context whose client goes after so many questions.
type countdown struct {
	context.Context //nolint:containedctx // it stands for one
	left, after     atomic.Int64
}

func (c *countdown) Err() error {
	if c.left.Add(-1) >= 0 {
		return nil
	}
	c.after.Add(1)
	return context.Canceled
}

// Work stops when the client goes: after that each worker asks once more, and the
// answer is that nobody waits.
func TestUncertaintyStopsWhenTheClientGoes(t *testing.T) {
	svc := newService(t)
	svc.SetWorkers(2)
	body := uncertaintyBody(t, request(t), object2("samples", 200_000))
	whole := &countdown{Context: t.Context()}
	whole.left.Store(1 << 40)
	if _, err := svc.Uncertainty(whole, body); err != nil {
		t.Fatal(err)
	}
	asked := 1<<40 - whole.left.Load()
	if asked < 196 {
		t.Fatalf("asked %d times for 196 blocks", asked)
	}
	for _, left := range []int64{0, asked / 4, asked / 2, asked - 100} {
		client := &countdown{Context: t.Context()}
		client.left.Store(left)
		_, err := svc.Uncertainty(client, body)
		var failed *service.Error
		if !errors.As(err, &failed) || failed.Code != service.Unavailable {
			t.Errorf("gone after %d of %d: %v", left, asked, err)
		}
		if n := client.after.Load(); n > 6 {
			t.Errorf("gone after %d of %d, and asked %d times more", left, asked, n)
		}
	}
}

// Whoever wants to know is told of each block of draws, in order.
func TestUncertaintyTellsItsProgress(t *testing.T) {
	told, most := 0, 0
	ctx := service.WithProgress(t.Context(), func(done, total int) {
		if done != told+1 {
			t.Errorf("%d after %d", done, told)
		}
		told, most = done, total
	})
	if _, err := newService(t).Uncertainty(ctx, uncertaintyBody(t, request(t), object2("samples", 10_000))); err != nil {
		t.Fatal(err)
	}
	if told != 10 || most != 10 {
		t.Errorf("told %d of %d", told, most)
	}
}

// BenchmarkUncertainty is the demo in a hundred thousand draws, from the body to the
// encoded answer.
func BenchmarkUncertainty(b *testing.B) {
	svc := newService(b)
	body := uncertaintyBody(b, request(b), object2("samples", 100_000))
	b.ReportAllocs()
	for b.Loop() {
		r, err := svc.Uncertainty(b.Context(), body)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := service.Encode(r); err != nil {
			b.Fatal(err)
		}
	}
}

// What does not rest on each other is told at once: the percentage, every spread, and
// every rank.
func TestUncertaintyTellsFaultsTogether(t *testing.T) {
	together := func(rank string) any {
		return object2("a", "price of cement-cem-i", "b", "price of fibre-pp-macro", "rank", rank)
	}
	_, err := newService(t).Uncertainty(t.Context(), uncertaintyBody(t, request(t), object2("percent", "200 %",
		"spreads", []any{spread("item", "cement", "of", "price", "distribution", "lognormal"), spread("item", "ggbs", "of", "price", "distribution", "uniform", "low", "2", "high", "1")},
		"correlations", []any{together("1.2"), together("-1")})), fault.Fault{Pointer: "/samples", Code: "out-of-range"})
	var got []string
	for _, f := range service.Faults(err) {
		got = append(got, string(f.Pointer))
	}
	for _, at := range []string{"/samples", "/percent", "/spreads/0/item", "/spreads/0/gsd", "/spreads/1/low", "/correlations/0/rank", "/correlations/1/rank"} {
		if !slices.Contains(got, at) {
			t.Errorf("nothing is told at %s: %v", at, service.Faults(err))
		}
	}
}

// A name that no input can have is told with the other faults, whatever these are; a name
// whose spread is itself at fault waits for it.
func TestUncertaintyTellsUnknownNamesWithTheRest(t *testing.T) {
	svc := newService(t)
	names := []any{
		object2("a", "price of nothing", "b", "price of cement-cem-i", "rank", "0.5"),
		object2("a", "factor of cement-cem-i", "b", "cost of cement-cem-i", "rank", "0.5"),
	}
	unknown := []string{"/correlations/0/a", "/correlations/1/b"}
	for name, c := range map[string]struct {
		rest map[string]any
		want []string
	}{
		"alone":            {object2("correlations", names), unknown},
		"with a band":      {object2("correlations", names, "band", "3"), append(unknown[:2:2], "/band")},
		"with a measure":   {object2("correlations", names, "measures", []any{"net_present_value_with_carbon"}), append(unknown[:2:2], "/measures/0")},
		"with a percent":   {object2("correlations", names, "percent", "0 %"), append(unknown[:2:2], "/percent")},
		"with its spread":  {object2("correlations", names, "spreads", []any{spread("item", "cement-cem-i", "of", "price", "distribution", "lognormal")}), append(unknown[:2:2], "/spreads/0/gsd")},
		"with a rank":      {object2("correlations", []any{object2("a", "price of nothing", "b", "price of cement-cem-i", "rank", "2")}), []string{"/correlations/0/a", "/correlations/0/rank"}},
		"twice by itself":  {object2("correlations", []any{object2("a", "price of nothing", "b", "price of nothing", "rank", "0.5")}), []string{"/correlations/0"}},
		"held, and a band": {object2("correlations", []any{object2("a", "price of cement-cem-i", "b", "price of fibre-pp-macro", "rank", "0.5")}, "band", "3", "spreads", []any{spread("item", "cement-cem-i", "of", "price", "distribution", "fixed")}), []string{"/band", "/correlations/0/a"}},
	} {
		_, err := svc.Uncertainty(t.Context(), uncertaintyBody(t, request(t), c.rest))
		var got []string
		for _, f := range service.Faults(err) {
			got = append(got, string(f.Pointer))
		}
		if want := slices.Sorted(slices.Values(c.want)); !slices.Equal(slices.Sorted(slices.Values(got)), want) {
			t.Errorf("%s: told at %v, want %v", name, got, want)
		}
	}
}

// What a comparison does not rank, because the service or the modules in the totals
// differ, no sample, no sensitivity and no break-even ranks by the back door; each says
// why. With an override they do, and repeat its reason.
func TestUnequalAlternativesAreNotRankedBySamplesEither(t *testing.T) {
	svc := newService(t)
	fewer := edit{"/alternatives/1/service", object2("equivalent_axles", 9_000_000)}
	uptake := edit{"/alternatives/1/carbonation", object2("strength_class", "C30/37", "exposure", "in_ground", "cements", []any{object2("item", "cement-cem-i", "clinker", "95 %", "reactive_cao", "65 %")})}
	apart := edit{"/alternatives/2", object2("name", "third", "like", "plain")}
	const service1, modules, override = "functional-equivalence-mismatch", "cover different modules", "because the request says so: agreed"
	for name, c := range map[string]struct {
		edits  []edit
		ranked []string // measures
		said   []string
	}{
		"equal":            {[]edit{apart}, []string{"net_present_value", "total_carbon"}, nil},
		"unequal service":  {[]edit{fewer, apart}, nil, []string{service1}},
		"with an override": {[]edit{fewer, apart, {"/equivalence_override", object2("reason", "agreed")}}, []string{"net_present_value", "total_carbon"}, []string{service1, override}},
		"unequal modules":  {[]edit{uptake, apart}, []string{"net_present_value"}, []string{modules}},
	} {
		t.Run(name, func(t *testing.T) {
			body := request(t, c.edits...)
			r := uncertaintyOf(t, svc, body, object2("samples", 1000, "measures", []any{"net_present_value", "total_carbon"}))
			var ranked []string
			for _, m := range r.Ranks {
				ranked = append(ranked, m.Measure)
			}
			if !slices.Equal(ranked, c.ranked) || len(r.Conclusions) != 3*len(c.ranked) {
				t.Errorf("ranked by %v, want %v; %q", ranked, c.ranked, r.Conclusions)
			}
			pair := object2("first", "plain", "second", "fibre", "measure", "total_carbon")
			b := mustBreakEven(t, svc, body, object2("measure", "total_carbon", "variable", object2("item", "cement-cem-i", "of", "factor"), "range", object2("low", "0", "high", "2")))
			s := sensitivity(t, svc, body, pair)
			var comparison any
			if err := json.Unmarshal(body, &comparison); err != nil {
				t.Fatal(err)
			}
			asked, err := json.Marshal(object2("comparison", comparison, "boundaries", []any{"A1-A3"}))
			if err != nil {
				t.Fatal(err)
			}
			m, err := svc.Methods(t.Context(), asked)
			if err != nil {
				t.Fatal(err)
			}
			if first := m.Combinations[0]; (len(first.FirstOnCost)+len(first.FirstOnCarbon) > 0) != slices.Contains(c.ranked, "net_present_value") {
				t.Errorf("first by a choice of method: %v, %v", first.FirstOnCost, first.FirstOnCarbon)
			}
			if told := strings.Contains(strings.Join(m.Notices, "\n"), service1); told != slices.Contains(c.said, service1) {
				t.Errorf("methods: %q", m.Notices)
			}
			for what, notices := range map[string][]string{"uncertainty": r.Notices, "break-even": b.Notices, "sensitivity": s.Notices} {
				text := strings.Join(notices, "\n")
				for _, part := range []string{service1, modules, override} {
					if strings.Contains(text, part) != slices.Contains(c.said, part) {
						t.Errorf("%s: %q, of %q", what, part, notices)
					}
				}
			}
		})
	}
}
