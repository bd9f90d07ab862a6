package epd_test

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/shopspring/decimal"

	"slabledger/inventory/epd"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// d is a decimal literal.
func d(s string) decimal.Decimal {
	v, err := num.Parse(s)
	if err != nil {
		panic(s + ": " + err.Error())
	}
	return v
}

// sample is a data set in testdata. All of them are invented.
func sample(t testing.TB, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func read(t testing.TB, text string, o epd.Options) epd.DataSet {
	t.Helper()
	ds, err := epd.Read(strings.NewReader(text), o)
	if err != nil {
		t.Fatal(err)
	}
	return ds
}

// faults lists what is wrong as "code pointer".
func faults(t testing.TB, text string, o epd.Options) []string {
	t.Helper()
	_, err := epd.Read(strings.NewReader(text), o)
	if err == nil {
		return nil
	}
	var e *epd.Error
	if !errors.As(err, &e) {
		t.Fatalf("the error is a %T, %v", err, err)
	}
	var list []string
	for _, f := range e.Faults {
		if f.Detail == "" {
			t.Errorf("%s says nothing", f.Code)
		}
		list = append(list, strings.TrimSpace(f.Code+" "+string(f.Pointer)))
	}
	return list
}

// All faults come at once, each with its element, what was found and what is
// accepted. Here the unit, a part of GWP-total and the year of validity are wrong.
func ExampleRead() {
	text, err := os.ReadFile("testdata/a2.xml")
	if err != nil {
		fmt.Println(err)
		return
	}
	broken := strings.NewReplacer("Units of mass (kg)", "ton", ">4.18<", ">4.08<", ">2030<", ">2030-12<").Replace(string(text))
	_, err = epd.Read(strings.NewReader(broken), epd.Options{})
	var e *epd.Error
	if errors.As(err, &e) {
		for _, f := range e.Faults {
			fmt.Printf("%s\n  %s: %s\n", f.Pointer, f.Code, f.Detail)
		}
	}
	// Output:
	// /processDataSet/processInformation/time/common:dataSetValidUntil
	//   year-invalid: "2030-12"; accepted: a year from 1900 to 2100
	// /processDataSet/exchanges/exchange[1]/common:other/epd:referenceToUnitGroupDataSet/common:shortDescription
	//   unit-unknown: "ton"; accepted: kg, t, m3, L, m2, m, each, kWh, MJ, t.km, h
	// /processDataSet/LCIAResults/LCIAResult[1]/common:other/epd:amount[6]
	//   sum-mismatch: GWP-total C2 is 4.2, but fossil + biogenic + luluc is 4.1; accepted: a difference of up to 0.056, half a unit of the last printed digit of each number
}

func TestReadsWhatIsDeclared(t *testing.T) {
	var (
		landfill, recycled = "landfill", "recycled"
		v                  = func(module, scenario, gwp string) epd.Value {
			return epd.Value{Module: module, Scenario: scenario, GWP: d(gwp)}
		}
	)
	want := epd.DataSet{
		UUID: "0a1b2c3d-0000-4000-8000-00000000a2a2", Version: "01.02.000",
		Name:                  "Blast furnace cement, bulk (invented)",
		SubType:               epd.Specific,
		Owner:                 "Sablon Binder Works (invented)",
		RegistrationNumber:    "INV-2025-0007",
		RegistrationAuthority: "Sablon Registry of Declarations (invented)",
		ReferenceYear:         2025, ValidUntil: 2030, Geography: "XA",
		Licence: "Free of charge for all users and uses", Copyright: true, Restrictions: "None & nothing",
		DeclaredUnit: epd.Quantity{Amount: d("1000"), Unit: "kg"},
		Scenarios: []epd.Scenario{
			{Name: recycled, Group: "end of life", Default: true, Description: "Crushed and used as road base"},
			{Name: landfill, Group: "end of life", Description: "Inert landfill"},
		},
		Indicators: []epd.Indicator{
			{Name: epd.GWPTotal, Values: []epd.Value{v("A1-A3", "", "615.3"), v("A4", "", "12.1"), v("C1", "", "1.5"), v("C2", "", "4.2"),
				v("C3", landfill, "0"), v("C3", recycled, "2.05"), v("C4", landfill, "5.27"), v("C4", recycled, "0"),
				v("D", landfill, "0"), v("D", recycled, "-3.75")}},
			{Name: epd.GWPFossil, Values: []epd.Value{v("A1-A3", "", "612.1"), v("A4", "", "12"), v("C1", "", "1.49"), v("C2", "", "4.18"),
				v("C3", landfill, "0"), v("C3", recycled, "2.04"), v("C4", landfill, "5.23"), v("C4", recycled, "0"),
				v("D", landfill, "0"), v("D", recycled, "-3.7")}},
			{Name: epd.GWPBiogenic, Values: []epd.Value{v("A1-A3", "", "2.9"), v("A4", "", "0.08"), v("C1", "", "0.008"), v("C2", "", "0.015"),
				v("C3", landfill, "0"), v("C3", recycled, "0.007"), v("C4", landfill, "0.03"), v("C4", recycled, "0"),
				v("D", landfill, "0"), v("D", recycled, "-0.04")}},
			{Name: epd.GWPLuluc, Values: []epd.Value{v("A1-A3", "", "0.3"), v("A4", "", "0.02"), v("C1", "", "0.002"), v("C2", "", "0.005"),
				v("C3", landfill, "0"), v("C3", recycled, "0.003"), v("C4", landfill, "0.01"), v("C4", recycled, "0"),
				v("D", landfill, "0"), v("D", recycled, "-0.01")}},
		},
		Notices: []epd.Notice{{Code: epd.NoticeEmpty, Detail: "GWP-total names modules without a number, which are not declared: A5, B1"}},
	}
	if diff := cmp.Diff(want, read(t, sample(t, "a2.xml"), epd.Options{})); diff != "" {
		t.Error(diff)
	}
}

// One data set in both forms is one DataSet.
func TestBothFormsSayTheSame(t *testing.T) {
	kg := epd.Options{Unit: "kg"} // the +A1 sample leaves it to the flow data set
	for _, name := range []string{"a1", "a2"} {
		if diff := cmp.Diff(read(t, sample(t, name+".xml"), kg), read(t, sample(t, name+".json"), kg)); diff != "" {
			t.Error(name, diff)
		}
	}
}

// The extended JSON has the flow data set's part too: the unit, and properties.
func TestReadsTheExtendedExport(t *testing.T) {
	plain, extended := read(t, sample(t, "a2.json"), epd.Options{}), read(t, sample(t, "a2-extended.json"), epd.Options{})
	if diff := cmp.Diff(plain, extended, cmpopts.IgnoreFields(epd.DataSet{}, "Properties")); diff != "" {
		t.Error(diff)
	}
	want := []epd.Property{
		{Name: "Volume", Value: d("0.337"), Unit: "m3"},
		{Name: "gross density", Value: d("2970"), Unit: "kg/m^3"},
		{Name: "conversion factor to 1 kg", Value: d("0.001"), Unit: "-"},
	}
	if diff := cmp.Diff(want, extended.Properties); diff != "" {
		t.Error(diff)
	}
}

func TestReadsTheFirstAmendmentToo(t *testing.T) {
	ds := read(t, sample(t, "a1.xml"), epd.Options{Form: epd.XML, Unit: "t"})
	want := []epd.Indicator{{Name: epd.GWP, Values: []epd.Value{
		{Module: "A1", GWP: d("1.52")}, {Module: "A2", GWP: d("0.061")}, {Module: "A3", GWP: d("0.3012")}, {Module: "A1-A3", GWP: d("1.88")},
		{Module: "B1-B7", GWP: d("0")}, {Module: "C4", GWP: d("1234567890.123456").Shift(-11)}, {Module: "D", GWP: d("-0.4")}}}}
	if diff := cmp.Diff(want, ds.Indicators); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(epd.Quantity{Amount: d("1"), Unit: "t"}, ds.DeclaredUnit); diff != "" {
		t.Error(diff)
	}
	if ds.Name != "Stahlfaser (erfunden)" || ds.SubType != epd.Generic || ds.RegistrationNumber != "" || ds.Copyright {
		t.Errorf("%+v", ds)
	}
}

// Each row changes a sample in one place and expects exactly these faults.
func TestEveryFaultNamesItsElement(t *testing.T) {
	const (
		process     = "/processDataSet"
		info        = process + "/processInformation"
		publication = process + "/administrativeInformation/publicationAndOwnership"
		result      = process + "/LCIAResults/LCIAResult"
		amounts     = "/common:other/epd:amount"
		fossil      = `<epd:amount epd:module="A1-A3">6.121E2</epd:amount>`
		nth         = " " + result
	)
	tests := []struct {
		name     string
		file     string
		old, new string
		unit     string
		want     []string
	}{
		{"another data set", "a2.xml", "processDataSet", "flowDataSet", "",
			[]string{"root-wrong"}},
		{"another namespace", "a2.xml", "http://lca.jrc.it/ILCD/Process", "http://example.org/Process", "",
			[]string{"root-wrong"}},
		{"no UUID", "a2.xml", "<common:UUID>0A1B2C3D-0000-4000-8000-00000000a2a2</common:UUID>", "", "",
			[]string{"value-missing " + info + "/dataSetInformation/common:UUID"}},
		{"not a UUID", "a2.xml", "0A1B2C3D-0000-4000-8000-00000000a2a2", "INV-1", "",
			[]string{"text-invalid " + info + "/dataSetInformation/common:UUID"}},
		{"no name", "a1.xml", `<p:baseName xml:lang="de">Stahlfaser (erfunden)</p:baseName>`, "", "kg",
			[]string{"value-missing " + info + "/dataSetInformation/name/baseName"}},
		{"a mark of writing direction", "a1.xml", "Stahlfaser", "Stahl\u202efaser", "kg",
			[]string{"text-invalid " + info + "/dataSetInformation/name/baseName"}},
		{"not an EPD", "a2.xml", "<typeOfDataSet>EPD", "<typeOfDataSet>Unit process, black box", "",
			[]string{"value-unknown " + process + "/modellingAndValidation/LCIMethodAndAllocation/typeOfDataSet"}},
		{"unknown subtype", "a2.xml", "specific dataset", "splendid dataset", "",
			[]string{"value-unknown " + process + "/modellingAndValidation/LCIMethodAndAllocation/common:other/epd:subType"}},
		{"no validity", "a2.xml", "<common:dataSetValidUntil>2030</common:dataSetValidUntil>", "", "",
			[]string{"value-missing " + info + "/time/common:dataSetValidUntil"}},
		{"no time at all", "a1.json", `"time": {"referenceYear": 2021, "dataSetValidUntil": 2026}`, `"time": {}`, "kg",
			[]string{"value-missing /processInformation/time/dataSetValidUntil"}},
		{"validity that is no year", "a2.xml", "Until>2030<", "Until>31.12.2030<", "",
			[]string{"year-invalid " + info + "/time/common:dataSetValidUntil"}},
		{"no owner", "a1.xml", `<c:shortDescription xml:lang="de">Datenbank Sablon (erfunden)</c:shortDescription>`, "", "kg",
			[]string{"value-missing " + publication + "/common:referenceToOwnershipOfDataSet/common:shortDescription"}},
		{"copyright that is neither", "a2.xml", "<common:copyright>true", "<common:copyright>perhaps", "",
			[]string{"value-unknown " + publication + "/common:copyright"}},

		{"no reference flow", "a2.xml", "<referenceToReferenceFlow>0</referenceToReferenceFlow>", "", "",
			[]string{"reference-flow-unclear " + info + "/quantitativeReference/referenceToReferenceFlow"}},
		{"a reference to nothing", "a2.xml", "<referenceToReferenceFlow>0<", "<referenceToReferenceFlow>7<", "",
			[]string{"reference-flow-unclear " + process + "/exchanges"}},
		{"no amount", "a1.xml", "<p:meanAmount>1</p:meanAmount>", "", "kg",
			[]string{"value-missing " + process + "/exchanges/exchange/resultingAmount"}},
		{"nothing declared", "a1.xml", "<p:meanAmount>1<", "<p:meanAmount>0<", "kg",
			[]string{"number-out-of-range " + process + "/exchanges/exchange/meanAmount"}},
		{"an amount that the property contradicts", "a2-extended.json", `"resultingflowAmount": 1000.0`, `"resultingflowAmount": 1`, "",
			[]string{"reference-flow-unclear /exchanges/exchange/0/resultingflowAmount"}},
		{"no unit", "a1.xml", "", "", "",
			[]string{"unit-missing " + process + "/exchanges/exchange/common:other/epd:referenceToUnitGroupDataSet"}},
		{"no unit in JSON", "a1.json", "", "", "",
			[]string{"unit-missing /exchanges/exchange/0/other/referenceToUnitGroupDataSet"}},
		{"unknown unit", "a2.xml", "Units of mass (kg)", "bag", "",
			[]string{"unit-unknown " + process + "/exchanges/exchange[1]/common:other/epd:referenceToUnitGroupDataSet/common:shortDescription"}},
		{"unknown unit in the extended export", "a2-extended.json", `"referenceUnit": "kg"`, `"referenceUnit": "ton"`, "",
			[]string{"unit-unknown /exchanges/exchange/0/flowProperties/1/referenceUnit"}},
		{"unknown unit beside it", "a1.xml", "", "", "ton",
			[]string{"unit-unknown"}},
		{"another unit beside it", "a2.xml", "", "", "t",
			[]string{"unit-contradiction " + process + "/exchanges/exchange[1]/common:other/epd:referenceToUnitGroupDataSet/common:shortDescription"}},

		{"no climate indicator", "a1.xml", `refObjectId="77E416EB-A363-4258-A04E-171D843A6460"`, `refObjectId="0a1b2c3d-0000-4000-8000-000000000000"`, "kg",
			[]string{"indicator-missing " + process + "/LCIAResults"}}, // the name is not English
		{"no total", "a2.xml", "6a37f984-a4b3-458a-a20a-64418c145fa2\" uri=\"../lciamethods/total.xml\">\n        <common:shortDescription xml:lang=\"en\">Global Warming Potential - total (GWP-total)", "\">\n<common:shortDescription>Ozone depletion", "",
			[]string{"indicator-missing " + process + "/LCIAResults"}},
		{"no fossil part", "a2.xml", "5f635281-343e-44fb-83df-1971b155e6b6\" uri=\"../lciamethods/fossil.xml\">\n        <common:shortDescription xml:lang=\"en\">Global Warming Potential - fossil fuels (GWP-fossil)", "\">\n<common:shortDescription>Ozone depletion", "",
			[]string{"indicator-missing " + process + "/LCIAResults"}},
		{"an indicator twice", "a2.xml", "2356e1ab-0185-4db5-86e5-16de51c7485c\" uri=\"../lciamethods/biogenic.xml\">\n        <common:shortDescription xml:lang=\"en\">Global Warming Potential - biogenic (GWP-biogenic)", "\">\n<common:shortDescription>GWP-fossil", "",
			[]string{"indicator-twice" + nth + "[3]", "indicator-missing " + process + "/LCIAResults"}},
		{"a name that says otherwise than the identifier", "a2.xml", "Global Warming Potential - fossil fuels (GWP-fossil)", "GWP-luluc", "",
			[]string{"indicator-contradiction" + nth + "[2]/referenceToLCIAMethodDataSet"}},
		{"results in another unit", "a1.xml", "kg CO2-Äq.", "kg SO2-Äq.", "kg",
			[]string{"unit-unknown " + process + "/LCIAResults/LCIAResult/common:other/epd:referenceToUnitGroupDataSet/common:shortDescription"}},

		{"no A1-A3", "a2.xml", fossil, "", "",
			[]string{"module-missing" + nth + "[2]/common:other"}},
		{"A1-A3 not declared", "a2.xml", fossil, `<epd:amount epd:module="A1-A3">MND</epd:amount>`, "",
			[]string{"module-missing" + nth + "[2]/common:other"}},
		{"a module of no standard", "a2.xml", `<epd:amount epd:module="A5"/>`, `<epd:amount epd:module="E1">1</epd:amount>`, "",
			[]string{"module-unknown" + nth + "[1]" + amounts + "[3]/@epd:module"}},
		{"an amount of no module", "a2.xml", `<epd:amount epd:module="A5"/>`, `<epd:amount>1</epd:amount>`, "",
			[]string{"module-unknown" + nth + "[1]" + amounts + "[3]/epd:module"}},
		{"an amount of no module, in JSON", "a1.json", `{"module": "C4", `, `{`, "kg",
			[]string{"module-unknown /LCIAResults/LCIAResult/0/other/anies/5/module"}},
		{"a range backwards", "a1.json", "B1-B7", "B7-B1", "kg",
			[]string{"module-unknown /LCIAResults/LCIAResult/0/other/anies/4/module"}},
		{"a module twice", "a2.xml", `epd:module="C3" epd:scenario="landfill">0</epd:amount>
        <epd:amount epd:module="C4" epd:scenario="recycled">0</epd:amount>
        <epd:amount epd:module="C4" epd:scenario="landfill">5.27E0`, `epd:module="C3" epd:scenario="recycled">0</epd:amount>
        <epd:amount epd:module="C4" epd:scenario="recycled">0</epd:amount>
        <epd:amount epd:module="C4" epd:scenario="landfill">5.27E0`, "",
			[]string{"module-twice" + nth + "[1]" + amounts + "[8]"}},
		{"not a number", "a2.xml", "6.121E2", "NaN", "",
			[]string{"decimal-invalid" + nth + "[2]" + amounts + "[1]"}},
		{"infinite", "a2.xml", "6.121E2", "-INF", "",
			[]string{"decimal-invalid" + nth + "[2]" + amounts + "[1]"}},
		{"a decimal comma", "a2.xml", "6.121E2", "612,1", "",
			[]string{"decimal-invalid" + nth + "[2]" + amounts + "[1]"}},
		{"an exponent beyond reason", "a1.json", "1.234567890123456E-2", "1E-31", "kg",
			[]string{"number-out-of-range /LCIAResults/LCIAResult/0/other/anies/5"}},
		{"a text for a number in JSON", "a1.json", `"1.52"`, `"NaN"`, "kg",
			[]string{"decimal-invalid /LCIAResults/LCIAResult/0/other/anies/0"}},
		{"parts that are not A1-A3", "a1.xml", ">1.88<", ">1.90<", "kg",
			[]string{"sum-mismatch " + process + "/LCIAResults/LCIAResult/common:other/epd:amount[4]"}},
		{"parts that are not A1-A3, in JSON", "a1.json", `"value": 1.88`, `"value": 1.90`, "kg",
			[]string{"sum-mismatch /LCIAResults/LCIAResult/0/other/anies/3"}},
		{"parts that are not the total", "a2.xml", ">4.18<", ">4.08<", "",
			[]string{"sum-mismatch" + nth + "[1]" + amounts + "[6]"}},
		{"parts of a scenario that are not the total", "a2.xml", ">5.23<", ">5.33<", "",
			[]string{"sum-mismatch" + nth + "[1]" + amounts + "[10]"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			text := sample(t, tt.file)
			if !strings.Contains(text, tt.old) {
				t.Fatalf("%s does not hold %q", tt.file, tt.old)
			}
			if tt.old != "" {
				text = strings.ReplaceAll(text, tt.old, tt.new)
			}
			got := faults(t, text, epd.Options{Unit: tt.unit})
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// What cannot be taken apart is one fault.
func TestRefusesWhatIsNotADataSet(t *testing.T) {
	const open = `<processDataSet xmlns="http://lca.jrc.it/ILCD/Process">`
	bomb := `<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;">]>` + open + `&b;</processDataSet>`
	tests := []struct {
		name, text string
		form       epd.Form
		want       string
	}{
		{"nothing", "", "", "form-unknown"},
		{"a table", "code;name\n", "", "form-unknown"},
		{"a JSON list", "[{}]", "", "form-unknown"},
		{"JSON announced as XML", "{}", epd.XML, "form-unknown"},
		{"XML announced as JSON", open + "</processDataSet>", epd.JSON, "form-unknown"},
		{"UTF-16", "\xff\xfe<\x00p\x00", "", "encoding-unsupported"},
		{"Latin-1 without saying so", open + "Geb\xe4ude</processDataSet>", "", "encoding-unsupported"},
		{"Latin-1", `<?xml version="1.0" encoding="ISO-8859-1"?>` + open + `</processDataSet>`, "", "encoding-unsupported"},
		{"XML 1.1", `<?xml version="1.1"?>` + open + `</processDataSet>`, "", "malformed"},
		{"a document type", "<!DOCTYPE processDataSet>" + open + "</processDataSet>", "", "dtd-refused"},
		{"entities", bomb, "", "dtd-refused"},
		{"a file as an entity", `<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>` + open + `&a;</processDataSet>`, "", "dtd-refused"},
		{"an entity out of the air", open + "&nbsp;</processDataSet>", "", "malformed /processDataSet"},
		{"no end", open, "", "malformed /processDataSet"},
		{"crossed tags", open + "<a></processDataSet>", "", "malformed /processDataSet/a"},
		{"no element", "<!-- nothing -->", "", "malformed"},
		{"two roots", open + "</processDataSet>" + open + "</processDataSet>", "", "malformed"},
		{"text behind the root", open + "</processDataSet>more", "", "malformed"},
		{"an attribute twice", open + `<exchanges a="1" a="2"/></processDataSet>`, "", "malformed /processDataSet/exchanges"},
		{"too deep", open + strings.Repeat("<a>", 40) + strings.Repeat("</a>", 40) + "</processDataSet>", "",
			"too-large /processDataSet" + strings.Repeat("/a", 31)},
		{"too many attributes", open + "<a " + manyAttributes(65) + "/></processDataSet>", "", "too-large /processDataSet"},
		{"a tag without end", open + "<a " + manyAttributes(40_000) + "/></processDataSet>", "", "too-large /processDataSet"},
		{"too many elements", open + strings.Repeat("<a/>", 100_000) + "</processDataSet>", "", "too-large /processDataSet"},
		{"too large", open + strings.Repeat(" ", epd.MaxBytes) + "</processDataSet>", "", "too-large"},

		{"another JSON", `{"flowInformation":{}}`, "", "root-wrong"},
		{"a member twice", `{"processInformation":{"time":{},"time":{}}}`, "", "malformed /processInformation/time"},
		{"no end of JSON", `{"processInformation":{"time":`, "", "malformed /processInformation/time"},
		{"JSON with a comma too many", `{"processInformation":{},}`, "", "malformed"},
		{"more behind the JSON", `{"processInformation":{}} {}`, "", "malformed"},
		{"JSON too deep", `{"processInformation":` + strings.Repeat(`[`, 40) + strings.Repeat("]", 40) + "}", "",
			"too-large /processInformation" + strings.Repeat("/0", 31)},
		{"too many values", `{"processInformation":[` + strings.Repeat("0,", 100_000) + "0]}", "", "too-large /processInformation/99998"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff([]string{tt.want}, faults(t, tt.text, epd.Options{Form: tt.form})); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func manyAttributes(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "a%d='' ", i)
	}
	return b.String()
}

// Everything is reported at once, and no more than can be read.
func TestListsAllFaults(t *testing.T) {
	text := strings.NewReplacer("2030", "soon", "Units of mass (kg)", "bag", "6.121E2", "INF", ">4.18<", ">4.08<").Replace(sample(t, "a2.xml"))
	want := []string{
		"year-invalid /processDataSet/processInformation/time/common:dataSetValidUntil",
		"unit-unknown /processDataSet/exchanges/exchange[1]/common:other/epd:referenceToUnitGroupDataSet/common:shortDescription",
		"decimal-invalid /processDataSet/LCIAResults/LCIAResult[2]/common:other/epd:amount[1]",
		"sum-mismatch /processDataSet/LCIAResults/LCIAResult[1]/common:other/epd:amount[6]",
	}
	if diff := cmp.Diff(want, faults(t, text, epd.Options{})); diff != "" {
		t.Error(diff)
	}

	_, err := epd.Read(strings.NewReader(strings.Replace(sample(t, "a2.xml"), `<epd:amount epd:module="A5"/>`,
		strings.Repeat(`<epd:amount epd:module="E1">1</epd:amount>`, 250), 1)), epd.Options{})
	var e *epd.Error
	if !errors.As(err, &e) || len(e.Faults) != epd.MaxReported || e.More != 150 || e.Form != epd.XML {
		t.Errorf("%v", err)
	}
}

func TestTheMessageShowsTheFirstFault(t *testing.T) {
	e := epd.Error{Faults: []fault.Fault{{Code: "a", Detail: "b", Pointer: "/c"}, {}}, More: 3}
	if got := e.Error(); got != "/c: a: b (and 4 more)" {
		t.Error(got)
	}
}

func TestAByteOrderMarkIsTakenOff(t *testing.T) {
	for _, name := range []string{"a2.xml", "a2.json"} {
		if diff := cmp.Diff(read(t, sample(t, name), epd.Options{}), read(t, "\ufeff"+sample(t, name), epd.Options{})); diff != "" {
			t.Error(name, diff)
		}
	}
}

func TestTheReadersOwnErrorComesBack(t *testing.T) {
	broken := errors.New("cable pulled")
	_, err := epd.Read(io.MultiReader(strings.NewReader("<a"), iotest.ErrReader(broken)), epd.Options{})
	if !errors.Is(err, broken) {
		t.Error(err)
	}
}

// What the data set leaves unsaid, or says oddly, is told and not guessed.
func TestNotices(t *testing.T) {
	unit := `<e:referenceToUnitGroupDataSet>
          <c:shortDescription xml:lang="de">kg CO2-Äq.</c:shortDescription>
        </e:referenceToUnitGroupDataSet>`
	luluc := sample(t, "a2.xml")
	luluc = luluc[strings.Index(luluc, `    <LCIAResult>
      <referenceToLCIAMethodDataSet type="LCIA method data set" refObjectId="4331`):]
	luluc = luluc[:strings.Index(luluc, "</LCIAResult>")+len("</LCIAResult>")]
	tests := []struct {
		name, file, old, new string
		want                 epd.Notice
	}{
		{"no unit of the results", "a1.xml", unit, "",
			epd.Notice{Code: epd.NoticeUnit, Detail: "GWP has no unit; taken as kg CO2 eq., the unit of EN 15804"}},
		{"two amounts", "a2.xml", "<meanAmount>1000.0", "<meanAmount>1",
			epd.Notice{Code: epd.NoticeAmounts, Detail: "the reference flow has a mean amount of 1 and a resulting amount of 1000, which was taken"}},
		{"a template", "a2.xml", "specific dataset", "template dataset",
			epd.Notice{Code: epd.NoticeTemplate, Detail: "the data set is a template: its numbers stand for no product"}},
		{"no GWP-luluc", "a2.xml", luluc, "",
			epd.Notice{Code: epd.NoticeUnchecked, Detail: "GWP-total could not be compared with fossil + biogenic + luluc, which are not all there, in A1-A3, A4, C1, C2, C3, C4, D"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			text := sample(t, tt.file)
			if !strings.Contains(text, tt.old) {
				t.Fatalf("%s does not hold %q", tt.file, tt.old)
			}
			ds := read(t, strings.Replace(text, tt.old, tt.new, 1), epd.Options{Unit: "kg"})
			if !slices.Contains(ds.Notices, tt.want) {
				t.Errorf("no such notice in %v", ds.Notices)
			}
		})
	}
}

// Hostile files of the greatest size are refused without much memory.
func TestMemoryIsBounded(t *testing.T) {
	const open = `<processDataSet xmlns="http://lca.jrc.it/ILCD/Process">`
	fill := func(piece string, around int) string { return strings.Repeat(piece, (epd.MaxBytes-around)/len(piece)) }
	for name, text := range map[string]string{
		"elements":       open + fill("<a/>", 200) + "</processDataSet>",
		"open elements":  open + fill("<a>", 200),
		"attributes":     open + "<a" + fill(` a=""`, 200) + "/></processDataSet>",
		"quoted bracket": open + "<a" + fill(` a=">"`, 200) + "/></processDataSet>",
		"a comment":      open + "<!--" + fill("x", 200) + "--></processDataSet>",
		"a text":         open + fill("x", 200) + "</processDataSet>",
		"character data": open + fill("<![CDATA[x]]>", 200) + "</processDataSet>",
		"lists":          `{"processInformation":` + fill("[", 200),
		"objects":        `{"processInformation":[` + fill("{},", 200) + "0]}",
		"members":        `{"processInformation":"` + fill("x", 200) + `"}`,
		"a number":       strings.Replace(sample(t, "a1.json"), "1.234567890123456E-2", fill("9", 4000), 1),
	} {
		t.Run(name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			if faults(t, text, epd.Options{Unit: "kg"}) == nil {
				t.Error("accepted")
			}
			runtime.ReadMemStats(&after)
			t.Logf("%d MiB allocated", (after.TotalAlloc-before.TotalAlloc)>>20)
			if used := after.TotalAlloc - before.TotalAlloc; used > 128<<20 {
				t.Errorf("%d MiB allocated for %d MiB", used>>20, len(text)>>20)
			}
		})
	}
}
