package pages

import (
	"fmt"
	"html/template"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"
)

// Term is a word of the trade with its meaning and the standard that it is from.
type Term struct{ Name, Meaning, Standard string }

// ID is where the page of terms has it.
func (t Term) ID() string { return strings.ReplaceAll(strings.ToLower(t.Name), " ", "-") }

// Terms are the words that pages use and explain, in alphabetical order. The meanings are
// in our words, after the standard named; they and the clauses are from memory, which the
// page says.
var Terms = []Term{
	{"A1-A3", "The product stage: raw materials, their transport to the plant, and making the concrete there.", "EN 15804, 6.2.2"},
	{"A4", "Transport of products from the plant to the site.", "EN 15804, 6.2.3"},
	{"A5", "Construction on site, with the making, transport and disposal of what is wasted there.", "EN 15804, 6.2.3"},
	{"Abatement cost", "Extra whole-life cost for each tonne of CO2e that an alternative saves against the baseline. It means something only where the alternative is dearer and cleaner.", "common practice, no source"},
	{"Analysis period", "The years over which costs and carbon are counted; the same for all alternatives.", "ISO 15686-5, 3.3"},
	{"Alternative", "One slab with its mix, thickness, hauls, works and maintenance, set against others.", "ISO 15686-5"},
	{"B1", "Use: here the carbon dioxide that concrete takes up again by carbonation.", "EN 16757, 6.3.5"},
	{"B2-B5", "Maintenance, repair, replacement and refurbishment of the slab in use.", "EN 15804, 6.2.4"},
	{"Baseline", "The alternative against which all others are measured.", "common practice, no source"},
	{"C1-C4", "The end of life: demolition, transport, processing and disposal of what is left.", "EN 15804, 6.2.5"},
	{"Characteristic value", "The value that no more than 5 % of results are expected to lie below, from the mean, the scatter and how many were tested.", "EN 1990, annex D"},
	{"D", "Loads and benefits beyond the system boundary, such as recycling; told beside a total, never inside it.", "EN 15804, 6.2.6"},
	{"Declared unit", "The quantity that a price or an emission factor is stated for: a kilogram, a cubic metre, a tonne-kilometre.", "EN 15804, 6.3.3"},
	{"Discount rate", "By how much a cost weighs less for each year that it lies in the future; real, without inflation.", "ISO 15686-5, 3.3"},
	{"Emission factor", "Greenhouse gas emitted for one declared unit, in kg CO2e: the global warming potential over 100 years.", "EN 15804, annex C; ISO 14067"},
	{"Equivalent annual cost", "The net present value as an equal yearly payment over the analysis period.", "ISO 15686-5"},
	{"Erosion", "The pumping of what lies under joints and corners by passing axles: the other of the two ways in which traffic ends the life of a slab.", "EB109P (1984)"},
	{"Fatigue", "Cracking of the slab after many loads, each of them below its strength.", "EB109P (1984)"},
	{"Functional unit", "The service that every alternative gives: so many square metres for so much traffic over so many years.", "ISO 14044, 4.2.3.2"},
	{"Inventory", "The prices and emission factors of a region; a published version never changes.", "ISO 14040, 3.21 (life cycle inventory)"},
	{"Initial cost", "What building the slab costs now.", "ISO 15686-5"},
	{"Limit of proportionality", "The strength at the highest load of a notched beam up to a small opening of its mouth.", "EN 14651"},
	{"Load safety factor", "What every axle load is multiplied by in a thickness design, by the class of the road.", "EB109P (1984)"},
	{"Modulus of rupture", "The flexural strength of plain concrete in a beam loaded at its third points.", "ASTM C78/C78M"},
	{"Modulus of subgrade reaction", "The pressure under the slab for each unit of its settlement, on top of the base where there is one.", "EB109P (1984)"},
	{"Net present value", "The whole-life cost in today's money: initial cost and discounted maintenance, less the discounted residual value.", "ISO 15686-5, 3.3"},
	{"Pareto front", "The alternatives that none other beats in cost and in carbon at once.", "common practice, no source"},
	{"Residual strength", "The flexural stress that a cracked fibre beam still bears at a given deflection; f150 is that at a deflection of 1/150 of the span.", "ASTM C1609/C1609M"},
	{"Residual strength ratio", "The flexural strength that a fibre concrete keeps after cracking, as a share of that at first crack.", "ASTM C1609/C1609M"},
	{"Residual value", "What the slab is still worth at the end of the period, discounted and credited.", "ISO 15686-5"},
	{"Staged mixing", "Mixing in more than one step, such as a slurry of part of the binder and water first.", "common practice, no source"},
	{"System boundary", "Which modules of the life cycle a total covers.", "ISO 14044, 4.2.3.3"},
	{"Toughness", "The area under the curve of load over deflection, up to a given deflection: the energy that a beam takes up.", "ASTM C1609/C1609M"},
	{"Whole-life cost", "All costs of the slab over the analysis period, in today's money.", "ISO 15686-5, 3.1"},
}

var termByName = func() map[string]Term {
	m := make(map[string]Term, len(Terms))
	for _, t := range Terms {
		m[strings.ToLower(t.Name)] = t
	}
	return m
}()

// term is a word with a link to what it means. A word that is not explained is a mistake
// in a template, which the first rendering tells.
func term(name string, shown ...string) (template.HTML, error) {
	t, known := termByName[strings.ToLower(name)]
	if !known {
		return "", fmt.Errorf("pages: no term %q", name)
	}
	text := name
	if len(shown) > 0 {
		text = shown[0]
	}
	return template.HTML(fmt.Sprintf(`<a class="term" href="/terms#%s" title="%s">%s</a>`, t.ID(), template.HTMLEscapeString(t.Meaning), template.HTMLEscapeString(text))), nil //nolint:gosec // escaped above
}

// ShowTerms is the page of words and their meanings.
func (p *Pages) ShowTerms(c echo.Context) error {
	return p.Render(c, http.StatusOK, "terms", "Terms", Terms)
}
