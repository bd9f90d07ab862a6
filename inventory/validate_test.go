package inventory_test

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/inventory"
)

// The grammar of slugs, as a regular expression has it.
func TestValidSlug(t *testing.T) {
	grammar := regexp.MustCompile(`^[a-z0-9][a-z0-9.-]{0,62}$`)
	slug := rapid.OneOf(rapid.StringMatching(`[a-z0-9.-]{0,66}`), rapid.StringMatching(`[a-z0-9A-Zé.\n_/-]{0,4}`), rapid.String())
	rapid.Check(t, func(t *rapid.T) {
		if s := slug.Draw(t, "slug"); inventory.ValidSlug(s) != grammar.MatchString(s) {
			t.Fatalf("%q is taken for valid: %v", s, inventory.ValidSlug(s))
		}
	})
}

func TestValidateAcceptsTheSample(t *testing.T) {
	if problems := inventory.Validate(meta, sample()); problems != nil {
		t.Errorf("%+v", problems)
	}
}

func TestValidateAcceptsWhatIsDrawn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		if problems := inventory.Validate(meta, drawItems(t)); problems != nil {
			t.Fatalf("%+v", problems)
		}
	})
}

// Each case breaks one rule of the valid sample; the problems are written as
// "column code".
func TestValidate(t *testing.T) {
	const cement, electricity, sawing, landfill, mixer, admixture = 0, 1, 2, 3, 4, 5
	type items = []inventory.Item
	for name, test := range map[string]struct {
		at    int
		spoil func(items)
		want  []string
	}{
		"code in capitals":         {cement, func(i items) { i[cement].Code = "Cement" }, []string{"code slug-invalid"}},
		"code too long":            {cement, func(i items) { i[cement].Code = strings.Repeat("a", 64) }, []string{"code slug-invalid"}},
		"code begins with a dot":   {cement, func(i items) { i[cement].Code = ".a" }, []string{"code slug-invalid"}},
		"code ends in a newline":   {cement, func(i items) { i[cement].Code = "a\n" }, []string{"code slug-invalid"}},
		"no code":                  {cement, func(i items) { i[cement].Code = "" }, []string{"code slug-invalid"}},
		"unknown category":         {admixture, func(i items) { i[admixture].Category = "glue"; i[admixture].Solids.Valid = false }, []string{"category value-unknown"}},
		"no name":                  {cement, func(i items) { i[cement].Name = "" }, []string{"name value-missing"}},
		"name of 201 bytes":        {cement, func(i items) { i[cement].Name = strings.Repeat("é", 100) + "x" }, []string{"name text-invalid"}},
		"name of two lines":        {cement, func(i items) { i[cement].Name = "a\nb" }, []string{"name text-invalid"}},
		"name turned about":        {cement, func(i items) { i[cement].Name = "a\u202eb" }, []string{"name text-invalid"}},
		"name not composed":        {cement, func(i items) { i[cement].Name = "e\u0301" }, []string{"name text-invalid"}},
		"name not UTF-8":           {cement, func(i items) { i[cement].Name = "\xff" }, []string{"name text-invalid"}},
		"name ends in a space":     {cement, func(i items) { i[cement].Name = "a " }, []string{"name text-invalid"}},
		"unit that is not a unit":  {cement, func(i items) { i[cement].Unit = "ton" }, []string{"unit unit-unknown"}},
		"unit that is not priced":  {cement, func(i items) { i[cement].Unit = "km" }, []string{"unit unit-unknown"}},
		"no unit":                  {cement, func(i items) { i[cement].Unit = "" }, []string{"unit unit-unknown"}},
		"density of 0":             {cement, func(i items) { i[cement].Density = null("0") }, []string{"density_kg_per_m3 number-out-of-range"}},
		"negative density":         {cement, func(i items) { i[cement].Density = null("-1") }, []string{"density_kg_per_m3 number-out-of-range"}},
		"density of 10^15":         {cement, func(i items) { i[cement].Density = decimal.NewNullDecimal(decimal.New(1, 15)) }, []string{"density_kg_per_m3 number-out-of-range"}},
		"thirteen decimals":        {cement, func(i items) { i[cement].Density = decimal.NewNullDecimal(decimal.New(1, -13)) }, []string{"density_kg_per_m3 number-out-of-range"}},
		"unit mass of 0":           {admixture, func(i items) { i[admixture].UnitMass = null("0") }, []string{"unit_mass_kg number-out-of-range"}},
		"unit mass of a kilogram":  {cement, func(i items) { i[cement].UnitMass = null("2") }, []string{"unit_mass_kg value-not-allowed"}},
		"solids of 101 %":          {admixture, func(i items) { i[admixture].Solids = null("100.1") }, []string{"solids_percent number-out-of-range"}},
		"negative solids":          {admixture, func(i items) { i[admixture].Solids = null("-0.1") }, []string{"solids_percent number-out-of-range"}},
		"solids of cement":         {cement, func(i items) { i[cement].Solids = null("35") }, []string{"solids_percent value-not-allowed"}},
		"batch of electricity":     {electricity, func(i items) { i[electricity].BatchVolume = null("2") }, []string{"batch_volume_m3 value-not-allowed"}},
		"batch of plant per tonne": {mixer, func(i items) { i[mixer].Unit = "t" }, []string{"batch_volume_m3 value-not-allowed"}},
		"batch of 0":               {mixer, func(i items) { i[mixer].BatchVolume = null("0") }, []string{"batch_volume_m3 number-out-of-range"}},
		"module of a material":     {cement, func(i items) { i[cement].Module = "B2" }, []string{"module value-not-allowed"}},
		"module B6":                {sawing, func(i items) { i[sawing].Module = "B6" }, []string{"module value-unknown"}},
		"boundary of cement":       {cement, func(i items) { i[cement].Boundary = "well-to-wheel" }, []string{"boundary value-not-allowed"}},
		"unknown boundary":         {electricity, func(i items) { i[electricity].Boundary = "cradle" }, []string{"boundary value-unknown"}},
		"default of the wrong sort": {electricity, func(i items) { i[electricity].DefaultFor, i[mixer].DefaultFor = "mixing", "" },
			[]string{"default_for value-not-allowed"}},
		"waste default of plant": {mixer, func(i items) { i[mixer].DefaultFor, i[landfill].DefaultFor = "waste-disposal", "" },
			[]string{"default_for value-not-allowed"}},
		"unknown default": {mixer, func(i items) { i[mixer].DefaultFor = "paving" }, []string{"default_for value-unknown"}},

		"negative price":          {cement, func(i items) { i[cement].Price.Amount = dec("-0.01") }, []string{"price number-out-of-range"}},
		"price of 10^15":          {cement, func(i items) { i[cement].Price.Amount = decimal.New(1, 15) }, []string{"price number-out-of-range"}},
		"price in dollars":        {cement, func(i items) { i[cement].Price.Currency = "USD" }, []string{"price_currency currency-mismatch"}},
		"unknown currency":        {cement, func(i items) { i[cement].Price.Currency = "QQQ" }, []string{"price_currency currency-unknown"}},
		"currency in small":       {cement, func(i items) { i[cement].Price.Currency = "eur" }, []string{"price_currency currency-unknown"}},
		"no currency":             {cement, func(i items) { i[cement].Price.Currency = "" }, []string{"price_currency value-missing"}},
		"30 February":             {cement, func(i items) { i[cement].Price.Date = "2026-02-30" }, []string{"price_date date-invalid"}},
		"29 February 2026":        {cement, func(i items) { i[cement].Price.Date = "2026-02-29" }, []string{"price_date date-invalid"}},
		"date with time":          {cement, func(i items) { i[cement].Price.Date = "2026-02-01T00:00:00Z" }, []string{"price_date date-invalid"}},
		"no date":                 {cement, func(i items) { i[cement].Price.Date = "" }, []string{"price_date value-missing"}},
		"no basis":                {electricity, func(i items) { i[electricity].Price.Basis = "" }, []string{"price_basis value-missing"}},
		"unknown tax":             {cement, func(i items) { i[cement].Price.Tax = "VAT" }, []string{"price_tax value-unknown"}},
		"no source of a price":    {cement, func(i items) { i[cement].Price.Source = inventory.Source{} }, []string{"price_source_kind value-missing", "price_source_title value-missing"}},
		"source kind unknown":     {cement, func(i items) { i[cement].Price.Source.Kind = "hearsay" }, []string{"price_source_kind value-unknown"}},
		"year of the source":      {cement, func(i items) { i[cement].Price.Source.Year = 1899 }, []string{"price_source_year number-out-of-range"}},
		"own transport, ex works": {cement, func(i items) { i[cement].Price.Basis = "ex-works" }, []string{"price_basis value-not-allowed"}},

		"negative factor":               {cement, func(i items) { i[cement].Factors["A1-A3"] = dec("-1") }, []string{"gwp_a1_a3 number-out-of-range"}},
		"D of -10^15":                   {cement, func(i items) { i[cement].Factors["D"] = decimal.New(-1, 15) }, []string{"gwp_d number-out-of-range"}},
		"unknown factor":                {cement, func(i items) { i[cement].Factors["B6"] = dec("1") }, []string{"factors value-unknown"}},
		"process factor of cement":      {cement, func(i items) { i[cement].Factors["process"] = dec("1") }, []string{"gwp_process value-not-allowed"}},
		"no A1-A3":                      {cement, func(i items) { delete(i[cement].Factors, "A1-A3") }, []string{"gwp_a1_a3 value-missing"}},
		"cradle to gate of electricity": {electricity, func(i items) { i[electricity].Factors["A1-A3"] = dec("1") }, []string{"gwp_a1_a3 value-not-allowed"}},
		"end of life of electricity":    {electricity, func(i items) { i[electricity].Factors["C4"] = dec("1") }, []string{"gwp_c4 value-not-allowed"}},
		"own transport of a process":    {electricity, func(i items) { i[electricity].Factors["A4"] = dec("1") }, []string{"gwp_a4 value-not-allowed"}},
		"factors without a source":      {electricity, func(i items) { i[electricity].FactorSource = nil }, []string{"factor_source_kind value-missing"}},
		"source without a factor":       {electricity, func(i items) { i[electricity].Factors = nil }, []string{"factor_source_kind value-not-allowed"}},

		"recipe with a price":   {sawing, func(i items) { i[sawing].Price = price("1") }, []string{"price value-not-allowed"}},
		"recipe with factors":   {sawing, func(i items) { i[sawing].Factors, i[sawing].FactorSource = factors("process", "1"), i[0].FactorSource }, []string{"factor_source_kind value-not-allowed"}},
		"recipe of a material":  {sawing, func(i items) { i[sawing].Category, i[sawing].Module = "water", "" }, []string{"recipe value-not-allowed"}},
		"recipe of the unknown": {sawing, func(i items) { i[sawing].Recipe[0].Item = "steam" }, []string{"recipe recipe-part-unknown"}},
		"recipe part of 0":      {sawing, func(i items) { i[sawing].Recipe[0].Amount = dec("0") }, []string{"recipe number-out-of-range"}},
		"recipe part twice":     {sawing, func(i items) { i[sawing].Recipe[1] = i[sawing].Recipe[0] }, []string{"recipe recipe-invalid"}},
		"recipe of itself":      {sawing, func(i items) { i[sawing].Recipe[0].Item = "joint-sawing" }, []string{"recipe recipe-cycle"}},
	} {
		t.Run(name, func(t *testing.T) {
			list := sample()
			test.spoil(list)
			var got []string
			for _, p := range inventory.Validate(meta, list) {
				if p.Item != test.at {
					// A changed item may leave others without their part.
					if p.Code == inventory.ProblemPart {
						continue
					}
					t.Errorf("problem of item %d: %+v", p.Item, p)
				}
				if p.Detail == "" {
					t.Errorf("no detail: %+v", p)
				}
				got = append(got, p.Column+" "+p.Code)
			}
			if diff := cmp.Diff(test.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestValidateMeta(t *testing.T) {
	want := []inventory.Problem{
		{Item: -1, Column: "name", Code: "value-missing", Detail: "a text is required"},
		{Item: -1, Column: "region", Code: "region-invalid", Found: "xa", Detail: `an ISO 3166-1 alpha-2 or ISO 3166-2 code, as in "XA" or "XA-01"`},
		{Item: -1, Column: "currency", Code: "currency-unknown", Found: "euro", Detail: `an ISO 4217 code in capitals, as in "EUR"`},
	}
	got := inventory.Validate(inventory.Meta{Region: "xa", Currency: "euro"}, nil)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// Both rows of a code are named, so that either can be mended.
func TestValidateNamesBothDuplicates(t *testing.T) {
	items := append(sample(), sample()[0])
	want := []inventory.Problem{
		{Item: 0, Column: "code", Code: "duplicate-code", Found: "cement-cem-i", Detail: "the code stands on 2 items; a code is unique"},
		{Item: 6, Column: "code", Code: "duplicate-code", Found: "cement-cem-i", Detail: "the code stands on 2 items; a code is unique"},
	}
	if diff := cmp.Diff(want, inventory.Validate(meta, items)); diff != "" {
		t.Error(diff)
	}
}

func TestValidateNamesBothDefaults(t *testing.T) {
	items := sample()
	items = append(items, inventory.Item{Code: "mixer-small", Category: inventory.Plant, Name: "Small mixer", Unit: "h", DefaultFor: inventory.DefaultMixing})
	var got []int
	for _, p := range inventory.Validate(meta, items) {
		if p.Code == inventory.ProblemDefault {
			got = append(got, p.Item)
		}
	}
	if diff := cmp.Diff([]int{4, 6}, got); diff != "" {
		t.Error(diff)
	}
}

// operation is a recipe of one unit of each part.
func operation(code string, parts ...string) inventory.Item {
	i := inventory.Item{Code: code, Category: inventory.Operation, Name: code, Unit: "m2"}
	for _, part := range parts {
		i.Recipe = append(i.Recipe, inventory.RecipePart{Item: part, Amount: dec("1")})
	}
	return i
}

func TestValidateNamesTheCycle(t *testing.T) {
	items := []inventory.Item{operation("z", "a"), operation("a", "b"), operation("b", "c"), operation("c", "a")}
	want := []inventory.Problem{{Item: 0, Column: "recipe", Code: "recipe-cycle", Found: "a",
		Detail: "a recipe cannot contain itself: a → b → c → a"}}
	if diff := cmp.Diff(want, inventory.Validate(meta, items)); diff != "" {
		t.Error(diff)
	}
}

// Many long cycles are named in part: what is said stays short.
func TestValidateNamesFewCycles(t *testing.T) {
	items := []inventory.Item{operation("o0", "o1")}
	for n := 1; n < 2000; n++ {
		items = append(items, operation(fmt.Sprintf("o%d", n), fmt.Sprintf("o%d", (n+1)%2000), "o0"))
	}
	named := 0
	for _, p := range inventory.Validate(meta, items) {
		if p.Code == inventory.ProblemCycle {
			if named++; len(p.Detail) > 200 {
				t.Fatalf("%d bytes: %s", len(p.Detail), p.Detail)
			}
		}
	}
	if named != 100 {
		t.Errorf("%d cycles are named, want 100", named)
	}
}

func TestValidateRecipeDepth(t *testing.T) {
	items := []inventory.Item{operation("o0")}
	for n := 1; n <= 5; n++ {
		items = append(items, operation(fmt.Sprintf("o%d", n), fmt.Sprintf("o%d", n-1)))
	}
	want := []inventory.Problem{{Item: 5, Column: "recipe", Code: "recipe-too-deep", Found: "o4=1",
		Detail: "recipes inside recipes, 5 deep; at most 4"}}
	if diff := cmp.Diff(want, inventory.Validate(meta, items)); diff != "" {
		t.Error(diff)
	}
}

// A diamond of recipes is followed once, not once for each path: thirty storeys
// of two parts each would be a thousand million paths.
func TestValidateFollowsSharedPartsOnce(t *testing.T) {
	items := []inventory.Item{operation("l0"), operation("r0")}
	for n := 1; n <= 30; n++ {
		below := []string{fmt.Sprintf("l%d", n-1), fmt.Sprintf("r%d", n-1)}
		items = append(items, operation(fmt.Sprintf("l%d", n), below...), operation(fmt.Sprintf("r%d", n), below...))
	}
	got := map[string]int{}
	for _, p := range inventory.Validate(meta, items) {
		got[p.Code]++
	}
	// From the eighth storey on there are more than 200 paths.
	want := map[string]int{inventory.ProblemDepth: 2 * (30 - inventory.MaxRecipeDepth), inventory.ProblemFlows: 2 * (30 - 7)}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// Few recipes of many parts inside each other are too many flows for one use.
func TestValidateRecipeFlows(t *testing.T) {
	items := []inventory.Item{}
	var parts, wholes []string
	for n := range 15 {
		parts = append(parts, fmt.Sprintf("part%d", n))
		wholes = append(wholes, fmt.Sprintf("whole%d", n))
		items = append(items, operation(parts[n]))
	}
	for _, code := range wholes {
		items = append(items, operation(code, parts...))
	}
	if found := inventory.Validate(meta, items); len(found) != 0 {
		t.Fatalf("15 parts each: %+v", found)
	}
	found := inventory.Validate(meta, append(items, operation("all", wholes...)))
	if len(found) != 1 || found[0].Code != inventory.ProblemFlows {
		t.Errorf("225 flows: %+v", found)
	}
}
