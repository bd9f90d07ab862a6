package epd_test

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/inventory/epd"
	"slabledger/lca/num"
)

// The invented cement is declared per 1000 kg; an inventory holds it per kg.
func ExampleFactors() {
	file, err := os.Open("testdata/a2.xml")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer file.Close()
	ds, err := epd.Read(file, epd.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	m, err := epd.Factors(ds, epd.Choice{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s, valid until %d\n", ds.Name, ds.ValidUntil)
	for _, key := range inventory.FactorKeys() {
		if factor, ok := m.Factors[key]; ok {
			fmt.Printf("%-5s %s kg CO2e per %s\n", key, num.Canonical(factor), m.Unit)
		}
	}
	// Output:
	// Blast furnace cement, bulk (invented), valid until 2030
	// A1-A3 0.6153 kg CO2e per kg
	// C1    0.0015 kg CO2e per kg
	// C2    0.0042 kg CO2e per kg
	// C3    0.00205 kg CO2e per kg
	// C4    0 kg CO2e per kg
	// D     -0.00375 kg CO2e per kg
}

func TestEveryValueIsAFactorOrSaysWhyNot(t *testing.T) {
	ds := read(t, sample(t, "a2.xml"), epd.Options{})
	got, err := epd.Factors(ds, epd.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	unused := func(indicator, reason string, places ...string) (list []epd.Unused) {
		for _, p := range places {
			module, scenario, _ := strings.Cut(p, " ")
			list = append(list, epd.Unused{Indicator: indicator, Module: module, Scenario: scenario, Reason: reason})
		}
		return list
	}
	rest := []string{"A4", "C1", "C2", "C3 landfill", "C3 recycled", "C4 landfill", "C4 recycled", "D landfill", "D recycled"}
	want := epd.Mapping{
		Indicator: epd.GWPTotal, Unit: "kg",
		Factors: map[string]decimal.Decimal{inventory.FactorA1A3: d("0.6153"), inventory.FactorC1: d("0.0015"), inventory.FactorC2: d("0.0042"),
			inventory.FactorC3: d("0.00205"), inventory.FactorC4: d("0"), inventory.FactorD: d("-0.00375")},
		Data: inventory.FactorData{ValidUntil: "2030-12-31", Fossil: some("0.6121"), Biogenic: some("0.0029"), LandUse: some("0.0003")},
		Source: inventory.Source{Kind: inventory.EPD, Title: "Blast furnace cement, bulk (invented)", Publisher: "Sablon Binder Works (invented)",
			Year: 2025, Reference: "INV-2025-0007", Licence: "Free of charge for all users and uses; copyright; None & nothing"},
		Unused: concat(
			unused(epd.GWPTotal, "a distance of the owner's choice; an inventory computes transport from distances unless A4 is asked for", "A4"),
			unused(epd.GWPTotal, `scenario "recycled" was taken`, "C3 landfill", "C4 landfill", "D landfill"),
			unused(epd.GWPFossil, "part of GWP-total", rest...),
			unused(epd.GWPBiogenic, "part of GWP-total", rest...),
			unused(epd.GWPLuluc, "part of GWP-total", rest...)),
		Notices: []epd.Notice{
			{Code: epd.NoticeScenario, Detail: `GWP-total C3 is that of the default scenario "recycled"`},
			{Code: epd.NoticeScenario, Detail: `GWP-total C4 is that of the default scenario "recycled"`},
			{Code: epd.NoticeScenario, Detail: `GWP-total D is that of the default scenario "recycled"`},
		},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func some(s string) decimal.NullDecimal { return decimal.NewNullDecimal(d(s)) }

func concat[T any](lists ...[]T) (all []T) {
	for _, l := range lists {
		all = append(all, l...)
	}
	return all
}

// What comes out is an item that an inventory takes.
func TestAnInventoryTakesWhatIsMapped(t *testing.T) {
	for _, name := range []string{"a1.json", "a2.json"} {
		ds := read(t, sample(t, name), epd.Options{Unit: "kg"})
		m, err := epd.Factors(ds, epd.Choice{Transport: true})
		if err != nil {
			t.Fatal(name, err)
		}
		item := inventory.Item{Code: "from-epd", Category: inventory.Cement, Name: ds.Name, Unit: m.Unit, Factors: m.Factors, FactorSource: &m.Source, FactorData: m.Data}
		if problems := inventory.Validate(inventory.Meta{Name: "Sablon Coast (invented)", Region: "XA", Currency: "EUR", Invented: true},
			[]inventory.Item{item}); problems != nil {
			t.Error(name, problems)
		}
	}
}

func TestTheFirstAmendmentIsMappedByItsGWP(t *testing.T) {
	m, err := epd.Factors(read(t, sample(t, "a1.xml"), epd.Options{Unit: "kg"}), epd.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	want := epd.Mapping{
		Indicator: epd.GWP, Unit: "kg",
		Factors: map[string]decimal.Decimal{inventory.FactorA1A3: d("1.88"), inventory.FactorC4: d("0.012345678901"), inventory.FactorD: d("-0.4")},
		Data:    inventory.FactorData{ValidUntil: "2026-12-31"},
		// A generic data set is not a product's declaration.
		Source: inventory.Source{Kind: inventory.Generic, Title: "Stahlfaser (erfunden)", Publisher: "Datenbank Sablon (erfunden)", Year: 2021,
			Reference: "UUID 0a1b2c3d-0000-4000-8000-00000000a1a1 00.01.000"},
		Unused: []epd.Unused{
			{Indicator: epd.GWP, Module: "A1", Reason: "inside A1-A3"},
			{Indicator: epd.GWP, Module: "A2", Reason: "inside A1-A3"},
			{Indicator: epd.GWP, Module: "A3", Reason: "inside A1-A3"},
			{Indicator: epd.GWP, Module: "B1-B7", Reason: "several modules in one; an inventory has them apart"},
		},
		Notices: []epd.Notice{{Code: epd.NoticeRounded,
			Detail: "GWP C4 is 0.01234567890123456 per kg; rounded to 0.012345678901, 12 decimals"}},
	}
	if diff := cmp.Diff(want, m); diff != "" {
		t.Error(diff)
	}
}

// dataSet has one indicator with values "module scenario=number".
func dataSet(amount string, values ...string) epd.DataSet {
	i := epd.Indicator{Name: epd.GWP}
	for _, v := range values {
		at, number, _ := strings.Cut(v, "=")
		module, scenario, _ := strings.Cut(at, " ")
		i.Values = append(i.Values, epd.Value{Module: module, Scenario: scenario, GWP: d(number)})
	}
	return epd.DataSet{DeclaredUnit: epd.Quantity{Amount: d(amount), Unit: "t"}, Indicators: []epd.Indicator{i},
		Scenarios: []epd.Scenario{{Name: "usual", Default: true}, {Name: "other"}, {Name: "third", Default: true}}}
}

func TestFactorsByRule(t *testing.T) {
	tests := []struct {
		name    string
		data    epd.DataSet
		choice  epd.Choice
		want    map[string]string
		notices []string
		unused  []string // "module scenario: reason"
	}{
		{name: "A1-A3 is summed where it is not printed", data: dataSet("1", "A1=1.5", "A2=0.25", "A3=0.125"),
			want:    map[string]string{"A1-A3": "1.875"},
			notices: []string{"GWP A1-A3 is the exact sum of A1, A2 and A3"},
			unused:  []string{"A1: inside A1-A3", "A2: inside A1-A3", "A3: inside A1-A3"}},
		{name: "and not where a part has two values", data: dataSet("1", "A1=1.5", "A2=0.25", "A3 other=1", "A3=2"),
			want: map[string]string{},
			unused: []string{"A3 other: several scenarios; choose one", "A3: several scenarios; choose one",
				"A1: A1-A3 needs one value of each of its parts", "A2: A1-A3 needs one value of each of its parts"}},
		{name: "divided by the declared amount, then rounded once", data: dataSet("3", "A1-A3=2", "C1=6"),
			want:    map[string]string{"A1-A3": "0.666666666667", "C1": "2"},
			notices: []string{"GWP A1-A3 is 0.6666666666666666666666666666666667 per t; rounded to 0.666666666667, 12 decimals"}},
		{name: "half to even", data: dataSet("10", "A1-A3=0.000000000005", "C1=0.000000000015"),
			want: map[string]string{"A1-A3": "0", "C1": "0.000000000002"},
			notices: []string{"GWP A1-A3 is 0.0000000000005 per t; rounded to 0, 12 decimals",
				"GWP C1 is 0.0000000000015 per t; rounded to 0.000000000002, 12 decimals"}},
		{name: "A4 when asked for", data: dataSet("1", "A1-A3=2", "A4=0.3"), choice: epd.Choice{Transport: true},
			want: map[string]string{"A1-A3": "2", "A4": "0.3"}},
		{name: "A2 of a declaration is never the A2 of an item", data: dataSet("1", "A1-A3=2", "A2=0.3"), choice: epd.Choice{Transport: true},
			want: map[string]string{"A1-A3": "2"}, unused: []string{"A2: inside A1-A3"}},
		{name: "use and construction are no factors", data: dataSet("1", "A1-A3=2", "A5=1", "B1=-0.5"),
			want:   map[string]string{"A1-A3": "2"},
			unused: []string{"A5: not a factor of an item: the comparison says what happens in A5", "B1: not a factor of an item: the comparison says what happens in B1"}},
		{name: "negative only in D", data: dataSet("1", "A1-A3=-2", "C3=3", "D=-1"),
			want:   map[string]string{"C3": "3", "D": "-1"},
			unused: []string{"A1-A3: -2 is negative; an inventory takes 0 or more, and less than 0 in D alone"}},
		{name: "too large for an inventory", data: dataSet("0.000001", "A1-A3=1000000000", "C1=1"),
			want: map[string]string{"C1": "1000000"}, unused: []string{"A1-A3: an inventory takes less than 1E15"}},
		{name: "a chosen scenario", data: dataSet("1", "A1-A3=2", "C4 usual=1", "C4 other=3"), choice: epd.Choice{Scenarios: []string{"other"}},
			want: map[string]string{"A1-A3": "2", "C4": "3"}, unused: []string{`C4 usual: scenario "other" was taken`}},
		{name: "the default scenario", data: dataSet("1", "A1-A3=2", "C4 usual=1", "C4 other=3"),
			want: map[string]string{"A1-A3": "2", "C4": "1"}, unused: []string{`C4 other: scenario "usual" was taken`},
			notices: []string{`GWP C4 is that of the default scenario "usual"`}},
		{name: "the only scenario, whatever was chosen for others", data: dataSet("1", "A1-A3=2", "C4 usual=1"), choice: epd.Choice{Scenarios: []string{"other"}},
			want: map[string]string{"A1-A3": "2", "C4": "1"}},
		{name: "two defaults", data: dataSet("1", "A1-A3=2", "C4 usual=1", "C4 third=3"),
			want:   map[string]string{"A1-A3": "2"},
			unused: []string{"C4 usual: several scenarios; choose one", "C4 third: several scenarios; choose one"}},
		{name: "two chosen", data: dataSet("1", "A1-A3=2", "C4 usual=1", "C4 third=3"), choice: epd.Choice{Scenarios: []string{"usual", "third"}},
			want:   map[string]string{"A1-A3": "2"},
			unused: []string{"C4 usual: several scenarios; choose one", "C4 third: several scenarios; choose one"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m, err := epd.Factors(tt.data, tt.choice)
			if err != nil {
				t.Fatal(err)
			}
			got := map[string]string{}
			for key, factor := range m.Factors {
				got[key] = num.Canonical(factor)
			}
			var notices, unused []string
			for _, n := range m.Notices {
				notices = append(notices, n.Detail)
			}
			for _, u := range m.Unused {
				unused = append(unused, strings.TrimSpace(u.Module+" "+u.Scenario)+": "+u.Reason)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Error(diff)
			}
			if diff := cmp.Diff(tt.notices, notices); diff != "" {
				t.Error(diff)
			}
			if diff := cmp.Diff(tt.unused, unused); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// Parts that are right as printed may still be further apart than an inventory
// takes, and its fossil part is not negative: then they stay out, with the reason.
func TestPartsThatAnInventoryRefusesStayOut(t *testing.T) {
	for name, tt := range map[string]struct{ total, fossil, biogenic, luluc, reason string }{
		"rounded too coarsely": {"0.1", "1.22", "-1.11", "0.0", "fossil, biogenic and land use sum to 0.11, the factor is 0.1; at most 0.5 % apart"},
		"negative":             {"0.1", "-0.1", "0.1", "0.1", "0 or more; only biogenic carbon may be negative"},
	} {
		text := strings.NewReplacer(`"A1-A3">6.153E2<`, `"A1-A3">`+tt.total+"<", `"A1-A3">6.121E2<`, `"A1-A3">`+tt.fossil+"<",
			`"A1-A3">2.9<`, `"A1-A3">`+tt.biogenic+"<", `"A1-A3">0.3<`, `"A1-A3">`+tt.luluc+"<", "1.0E3", "1").Replace(sample(t, "a2.xml"))
		m, err := epd.Factors(read(t, text, epd.Options{}), epd.Choice{})
		if err != nil {
			t.Fatal(name, err)
		}
		if diff := cmp.Diff(inventory.FactorData{ValidUntil: "2030-12-31"}, m.Data); diff != "" {
			t.Error(name, diff)
		}
		if !slices.Contains(m.Unused, epd.Unused{Indicator: epd.GWPFossil, Module: "A1-A3", Reason: "an inventory does not take these parts: " + tt.reason}) {
			t.Error(name, m.Unused)
		}
	}
}

func TestBothAmendmentsInOneDataSet(t *testing.T) {
	ds := dataSet("1", "A1-A3=2")
	total := dataSet("1", "A1-A3=3").Indicators[0]
	total.Name = epd.GWPTotal
	ds.Indicators = append(ds.Indicators, total)
	m, err := epd.Factors(ds, epd.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	if m.Indicator != epd.GWPTotal || !m.Factors[inventory.FactorA1A3].Equal(d("3")) ||
		len(m.Notices) != 1 || m.Notices[0].Code != epd.NoticeBothSets || len(m.Unused) != 1 {
		t.Errorf("%+v", m)
	}
}

func TestWhatNoFactorsCanBeMadeOf(t *testing.T) {
	for name, tt := range map[string]struct {
		data   epd.DataSet
		choice epd.Choice
		want   []string
	}{
		"nothing at all":       {want: []string{epd.FaultRange, epd.FaultIndicator}},
		"an amount of nothing": {data: dataSet("0", "A1-A3=2"), want: []string{epd.FaultRange}},
		"no such scenario":     {data: dataSet("1", "A1-A3=2"), choice: epd.Choice{Scenarios: []string{"usual", "typo", ""}}, want: []string{epd.FaultScenario, epd.FaultScenario}},
	} {
		_, err := epd.Factors(tt.data, tt.choice)
		var e *epd.Error
		if !errors.As(err, &e) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var got []string
		for _, f := range e.Faults {
			got = append(got, f.Code)
		}
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Error(name, diff)
		}
	}
}

func TestLongTextsAreShortenedForTheSource(t *testing.T) {
	ds := dataSet("1", "A1-A3=2")
	ds.Name, ds.Restrictions = "Cement", strings.Repeat("ä", inventory.MaxTextBytes)
	m, err := epd.Factors(ds, epd.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	if l := m.Source.Licence; len(l) > inventory.MaxTextBytes || !strings.HasSuffix(l, "ä…") || len(m.Notices) != 1 || m.Notices[0].Code != epd.NoticeShortened {
		t.Errorf("%d bytes, %v", len(l), m.Notices)
	}
}
