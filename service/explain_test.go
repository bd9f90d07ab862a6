package service_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/inventory/storetest"
	"slabledger/lca/fault"
	"slabledger/service"
)

// notTakenApart are the numbers of a result that no explanation is given of: what is
// given, counts, years, places in a ranking, and what a search by a method finds.
var notTakenApart = regexp.MustCompile(`/(resolved|thickness_design|warnings|assumptions|functional_equivalence|chain|limits|cut_off|objectives|checks)/|/(year|minutes|rank|mixer|name|item|category|` +
	`given_as|water_binder_ratio|equivalent_axles|source|use|written|from_year|price_year|years|service_life_years|studied_years|replacements|least_common_multiple_years)$|/built_anew_in_years/|^/(sources|functional_unit|inventory|conventions|engine_version|request_hash)|/ranking/|/by_equivalent_annual/|/by_annual_carbon/|/pareto/`)

// Every line and every total can be taken apart, and what it is taken apart into comes
// to the figure by the operations alone, from leaves that each have a source.
func TestExplainEveryFigure(t *testing.T) {
	svc := newService(t)
	bodies := map[string][]byte{}
	for _, name := range []string{"demo/comparison.json", "scenarios/published-mix.json", "scenarios/sized.json"} {
		bodies[name] = file(t, "../testdata/"+name)
	}
	random := comparisons{rand.New(rand.NewPCG(2, 2026))}
	few := 6
	if os.Getenv("CI") == "true" && !storetest.Raced() {
		few = 15
	}
	for i := range few {
		body, err := json.Marshal(random.comparison(), json.Deterministic(true))
		if err != nil {
			t.Fatal(err)
		}
		bodies[fmt.Sprint("random ", i)] = body
		if body, err = json.Marshal(random.newest(random.comparison()), json.Deterministic(true)); err != nil {
			t.Fatal(err)
		}
		bodies[fmt.Sprint("random, newest ", i)] = body
	}
	explained, refused := 0, 0
	for name, body := range bodies {
		failed := 0
		err := svc.ExplainEach(t.Context(), body, figures, func(pointer string, f *service.Figure, err error) {
			if failed > 5 {
				return
			}
			if notTakenApart.MatchString(pointer) {
				if found := service.Faults(err); len(found) != 1 || (found[0].Code != "not-explainable" && found[0].Code != "pointer-unknown") {
					t.Errorf("%s: %s is listed as not explainable: %v", name, pointer, err)
					failed++
				}
				return
			}
			if err != nil {
				t.Errorf("%s: %s: %v %v", name, pointer, err, service.Faults(err))
				failed++
				return
			}
			if wrong := recomputed(f); wrong != "" {
				t.Errorf("%s: %s: %s", name, pointer, wrong)
				failed++
			}
			explained++
		})
		if err != nil && len(service.Faults(err)) == 0 {
			t.Fatal(err)
		}
		if refused += min(1, len(service.Faults(err))); refused > len(bodies)/4 {
			t.Fatalf("too many are refused: %v", service.Faults(err))
		}
	}
	t.Logf("%d figures were taken apart", explained)
	if explained < 5000 {
		t.Errorf("only %d figures", explained)
	}
}

// figures lists the pointers of a result that lead to a number.
func figures(document any) []string {
	var list []string
	for _, at := range leaves("", document) {
		if text, isText := found(document, string(at)).(string); isText {
			if _, err := decimal.NewFromString(text); err != nil {
				continue
			}
		}
		list = append(list, string(at))
	}
	return list
}

// recomputed evaluates the terms of a figure by what they say of themselves and tells
// what is wrong.
func recomputed(f *service.Figure) string {
	values := make([]decimal.Decimal, len(f.Terms))
	for i, term := range f.Terms {
		var operands []decimal.Decimal
		for _, o := range term.Operands {
			if o >= i {
				return fmt.Sprintf("term %d is made of the later term %d", i, o)
			}
			operands = append(operands, values[o])
		}
		switch s := term.Source; {
		case (term.Operation == service.OpGiven) != (s != nil):
			return fmt.Sprintf("term %d (%s) is a leaf without a source, or made and has one", i, term.Name)
		case s != nil && s.Pointer == "" && s.Item == "" && s.Definition == "":
			return fmt.Sprintf("the source of %s says nothing", term.Name)
		case s != nil && s.Item != "" && (strings.HasPrefix(s.Member, "price") || strings.HasPrefix(s.Member, "factors")) && s.Document == nil:
			return term.Name + " has no document behind it"
		}
		v, err := term.Evaluate(operands)
		if err != nil {
			return err.Error()
		}
		if !v.Equal(term.Value.Decimal) {
			return fmt.Sprintf("term %d (%s) says %s and comes to %s", i, term.Name, term.Value, v)
		}
		values[i] = v
	}
	printed, err := decimal.NewFromString(f.Printed)
	if err != nil {
		return err.Error()
	}
	if last := values[len(values)-1]; !last.Equal(printed) {
		return fmt.Sprintf("printed %s, explained %s", f.Printed, last)
	}
	return ""
}

// found is what a pointer leads to.
func found(document any, pointer string) any {
	for _, step := range strings.Split(pointer, "/")[1:] {
		switch inside := document.(type) {
		case map[string]any:
			document = inside[fault.Unescape(step)]
		case []any:
			i, _ := strconv.Atoi(step) // of leaves
			document = inside[i]
		}
	}
	return document
}
