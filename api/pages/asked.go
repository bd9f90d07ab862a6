package pages

import (
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"

	"slabledger/lca/fault"
	"slabledger/service"
	"slabledger/service/report"
)

// askedComparison is what of a comparison tells which one it is.
type askedComparison struct {
	Inventory      string `json:"inventory"`
	FunctionalUnit struct {
		Area   string `json:"area"`
		Period int    `json:"analysis_period_years"`
	} `json:"functional_unit"`
	Baseline     string       `json:"baseline"`
	Alternatives []askedNamed `json:"alternatives"`
}

type askedNamed struct {
	Name string `json:"name"`
}

// askedRun is what of the request of a run tells what was asked, of any operation.
type askedRun struct {
	askedComparison
	Comparison *askedComparison `json:"comparison"`

	First    string              `json:"first"`
	Second   string              `json:"second"`
	Measure  string              `json:"measure"`
	Variable *service.Variable   `json:"variable"`
	Range    *service.ValueRange `json:"range"`

	Samples  int      `json:"samples"`
	Seed     any      `json:"seed"`
	Percent  string   `json:"percent"`
	Measures []string `json:"measures"`

	Boundaries  []string `json:"boundaries"`
	Allocations []string `json:"allocations"`
	Rates       []string `json:"real_discount_rates"`

	Alternative *askedNamed        `json:"alternative"`
	Axes        []askedAxis        `json:"axes"`
	Minimise    string             `json:"minimise"`
	Cap         *service.SearchCap `json:"cap"`
}

type askedAxis struct {
	Name     string       `json:"name"`
	Pointer  string       `json:"pointer"`
	Variants []askedNamed `json:"variants"`
	Values   []any        `json:"values"`
	From     string       `json:"from"`
	To       string       `json:"to"`
	Step     string       `json:"step"`
}

// askedOf lays out what a request asks of an operation; nil where it cannot be read.
func askedOf(kind string, request []byte, shown report.Shown) *figureTable {
	var asked askedRun
	if err := json.Unmarshal(request, &asked); err != nil {
		return nil
	}
	t := &figureTable{ID: "asked", Caption: "What is asked", Head: []string{"What", "As asked"}}
	row := func(name, value string) {
		if value != "" {
			t.row(name, value)
		}
	}
	list := func(name string, values []string) {
		for i := range values {
			values[i] = words(values[i])
		}
		row(name, strings.Join(values, ", "))
	}
	if k := kindOfRun(kind); k != nil {
		row("Kind", k.Title+" ("+kind+")")
	}
	of := asked.askedComparison
	if asked.Comparison != nil {
		of = *asked.Comparison
	}
	row("Inventory", of.Inventory)
	row("Area of pavement", of.FunctionalUnit.Area)
	if years := of.FunctionalUnit.Period; years > 0 {
		row("Analysis period", strconv.Itoa(years)+" years")
	}
	names := namesOf(of.Alternatives)
	row("Alternatives", namesInWords(names))
	row("Baseline", of.Baseline)
	if asked.Alternative != nil {
		row("Built on the alternative", asked.Alternative.Name)
	}
	if asked.First != "" || asked.Second != "" {
		row("Difference", asked.First+" less "+asked.Second)
	}
	row("Measure", words(asked.Measure))
	list("Measures", asked.Measures)
	if v := asked.Variable; v != nil {
		what := ""
		switch {
		case v.CarbonPrice:
			what = "a price of carbon"
		case v.Item != "":
			what = "the " + v.Of + " of " + v.Item
		default:
			what = memberInWords(v.Pointer, names)
		}
		row("Varied", what)
		if r := asked.Range; r != nil {
			row("Between", strings.TrimSpace(r.Low+" and "+r.High+" "+v.Unit))
		}
	}
	if asked.Samples > 0 {
		row("Samples", shown.Int(asked.Samples))
	}
	if asked.Seed != nil {
		row("Seed", shownAs(asked.Seed))
	}
	row("Scatter where no spread is stated", asked.Percent)
	list("Boundaries", asked.Boundaries)
	list("Allocations", asked.Allocations)
	list("Real discount rates", asked.Rates)
	for _, axis := range asked.Axes {
		row("Axis: "+axis.Name, axis.inWords(names))
	}
	row("As little as possible of", words(asked.Minimise))
	if c := asked.Cap; c != nil {
		row("At most", c.AtMost+", "+words(c.Measure))
	}
	return t
}

func (a askedAxis) inWords(names []string) string {
	along := ""
	switch {
	case a.From != "" || a.To != "":
		along = "from " + a.From + " to " + a.To + " by " + a.Step
	case len(a.Variants) > 0:
		along = namesInWords(namesOf(a.Variants))
	default:
		var values []string
		for _, v := range a.Values {
			values = append(values, shownAs(v))
		}
		along = strings.Join(values, ", ")
	}
	if a.Pointer != "" {
		along = memberInWords(a.Pointer, names) + ": " + along
	}
	return along
}

func namesOf(list []askedNamed) (names []string) {
	for _, entry := range list {
		names = append(names, entry.Name)
	}
	return names
}

// namesInWords are names one after the other, of which many are counted.
func namesInWords(names []string) string {
	said := slices.Clone(names[:min(len(names), namesTold)])
	for i := range said {
		said[i] = "“" + said[i] + "”"
	}
	if more := len(names) - len(said); more > 0 {
		said = append(said, "and "+strconv.Itoa(more)+" others")
	}
	return strings.Join(said, ", ")
}

// memberInWords is a member of a comparison, or of an alternative, by the labels of the
// form; the pointer itself, where the form has no field for it.
func memberInWords(pointer string, names []string) string {
	members, said := slices.Concat(questionMembers, alternativeMembers), []string{}
	steps := stepsOf(fault.Path(pointer))
	for i := 0; i < len(steps); i++ {
		n, err := strconv.Atoi(steps[i])
		at := slices.IndexFunc(members, func(m member) bool { return m.name == steps[i] })
		switch {
		case i == 0 && steps[i] == "alternatives":
		case i == 1 && steps[0] == "alternatives" && err == nil && n >= 0 && n < len(names):
			said = append(said, "“"+names[n]+"”")
		case err == nil && len(said) > 0:
			said[len(said)-1] += " " + strconv.Itoa(n+1)
		case at >= 0:
			said, members = append(said, members[at].label), members[at].parts
		default:
			return pointer
		}
	}
	return strings.Join(said, ", ")
}
