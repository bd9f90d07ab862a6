package inventory_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"slabledger/inventory"
	"slabledger/inventory/storetest"
)

func read(text string, o inventory.UploadOptions) (inventory.Upload, error) {
	if o.Meta == (inventory.Meta{}) {
		o.Meta = meta
	}
	return inventory.ReadUpload(strings.NewReader(text), o)
}

func TestFormOf(t *testing.T) {
	for name, want := range map[string]inventory.Form{"a.csv": "csv", "A.CSV": "csv", "a.b.tsv": "csv", "x/a.txt": "csv", "a.xlsx": "xlsx", "a.json": "json",
		"a.xls": "", "a.xlsm": "", "a": "", "": "", "csv": ""} {
		if got := inventory.FormOf(name); got != want {
			t.Errorf("%q is %q, want %q", name, got, want)
		}
	}
}

// A file is what its content says; where the client says otherwise it is refused
// and told what it is.
func TestFormIsChecked(t *testing.T) {
	sand := []string{"sand", "aggregate", "Sand", "t"}
	files := map[string]string{
		"csv":  header + "\n" + strings.Join(sand, ",") + "\n",
		"json": `{"items":[{"code":"sand","category":"aggregate","name":"Sand","unit":"t"}]}`,
		"xlsx": string(workbook(t, strings.Split(header, ","), sand)),
	}
	for content, text := range files {
		for _, form := range append(forms, "") {
			u, err := read(text, inventory.UploadOptions{Form: form})
			if form == "" || string(form) == content {
				if err != nil || len(u.Items) != 1 || u.Items[0].Code != "sand" {
					t.Errorf("%s as %q: %v", content, form, err)
				}
				continue
			}
			t.Run(content+" as "+string(form), func(t *testing.T) { wantRefusal(t, u, err, inventory.RowError{Code: "file-form"}) })
		}
	}
	renamed := func(name, text string) string {
		return string(packed(t, map[string]string{name: text}))
	}
	for name, c := range map[string]struct{ text, found, says string }{
		"a web page":        {"\n<!DOCTYPE html><table><tr><td>code</td></tr></table>", "<!DOCTYPE html><table><tr><td>code</td><", "web page"},
		"XML":               {`<?xml version="1.0"?><Workbook/>`, `<?xml version="1.0"?><Workbook/>`, "XML"},
		"a PDF":             {"%PDF-1.7\nx", "%PDF-1.7\nx", "no CSV, JSON or XLSX"},
		"a picture":         {"\x89PNG\r\n\x1a\n\x00", "\ufffdPNG\r\n\x1a\n\x00", "no CSV, JSON or XLSX"},
		"another archive":   {renamed("a.txt", "x"), "", "no XLSX workbook"},
		"an OpenDocument":   {renamed("content.xml", "<x/>"), "", "OpenDocument"},
		"a binary workbook": {renamed("xl/workbook.bin", "x"), "", ".xlsb"},
		"a text document":   {renamed("word/document.xml", "<x/>"), "", "not a workbook"},
		"an empty archive":  {"PK\x05\x06" + strings.Repeat("\x00", 18), "", "no XLSX workbook"},
	} {
		t.Run(name, func(t *testing.T) {
			u, err := read(c.text, inventory.UploadOptions{})
			wantRefusal(t, u, err, inventory.RowError{Code: "file-form", Found: c.found})
			if !strings.Contains(err.Error(), c.says) {
				t.Errorf("%v does not say %q", err, c.says)
			}
		})
	}
}

// unread fails the test where it is read.
type unread struct{ t *testing.T }

func (u unread) Read([]byte) (int, error) { u.t.Error("the file was read"); return 0, io.EOF }

type sized struct {
	io.Reader
	n int
}

func (s sized) Len() int { return s.n }

// A file whose size is known to be too large is refused before a byte of it is
// read.
func TestDeclaredSizes(t *testing.T) {
	for name, c := range map[string]struct {
		form  inventory.Form
		bytes int
		limit int
	}{
		"100 MB of CSV": {"csv", 100_000_000, inventory.MaxFileBytes}, "64 MiB and a byte of CSV": {"csv", inventory.MaxFileBytes + 1, inventory.MaxFileBytes},
		"64 MiB and a byte of JSON": {"json", inventory.MaxFileBytes + 1, inventory.MaxFileBytes}, "16 MiB and a byte of XLSX": {"xlsx", inventory.MaxPackedBytes + 1, inventory.MaxPackedBytes},
		"100 MB of anything": {"", 100_000_000, inventory.MaxFileBytes},
	} {
		t.Run(name, func(t *testing.T) {
			u, err := inventory.ReadUpload(unread{t}, inventory.UploadOptions{Form: c.form, Meta: meta, Size: int64(c.bytes)})
			wantRefusal(t, u, err, inventory.RowError{Code: "file-too-large"})
			if want := fmt.Sprint(c.limit); !strings.Contains(err.Error(), want) {
				t.Errorf("%v does not name the limit of %s", err, want)
			}
			u, err = inventory.ReadUpload(sized{unread{t}, c.bytes}, inventory.UploadOptions{Form: c.form, Meta: meta})
			wantRefusal(t, u, err, inventory.RowError{Code: "file-too-large"})
		})
	}
	t.Run("a file on disk", func(t *testing.T) {
		f, err := os.Create(filepath.Join(t.TempDir(), "large.csv"))
		if err == nil {
			err = f.Truncate(100_000_000)
		}
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		u, err := inventory.ReadUpload(f, inventory.UploadOptions{Form: "csv", Meta: meta})
		wantRefusal(t, u, err, inventory.RowError{Code: "file-too-large"})
		if at, err := f.Seek(0, io.SeekCurrent); at != 0 || err != nil {
			t.Errorf("%d bytes were read (%v)", at, err)
		}
	})
	text := header + "\nsand,aggregate,Sand,t\n"
	if u, err := read(text, inventory.UploadOptions{Size: inventory.MaxFileBytes}); err != nil || len(u.Items) != 1 {
		t.Errorf("a size at the limit: %v", err)
	}
}

// Tables as people and programs write them.
func TestTables(t *testing.T) {
	sand := inventory.Item{Code: "sand", Category: inventory.Aggregate, Name: "Sand, washed", Unit: "t", Density: null("2650.5")}
	semicolons := "code;category;name;unit;density_kg_per_m3\nsand;aggregate;Sand, washed;t;"
	note := func(row int, code string) inventory.RowNote { return inventory.RowNote{Row: row, Code: code} }
	for name, c := range map[string]struct {
		text    string
		options inventory.UploadOptions
		notes   []inventory.RowNote
	}{
		"commas":                   {header + ",density_kg_per_m3\nsand,aggregate,\"Sand, washed\",t,2650.5\n", inventory.UploadOptions{}, nil},
		"semicolons":               {semicolons + "2650.5\n", inventory.UploadOptions{}, nil},
		"semicolons, given":        {semicolons + "2650.5\n", inventory.UploadOptions{Separator: ';'}, nil},
		"tabs":                     {strings.ReplaceAll(semicolons, ";", "\t") + "2650.5\n", inventory.UploadOptions{}, nil},
		"a decimal comma":          {semicolons + "2650,5\n", inventory.UploadOptions{DecimalComma: true}, nil},
		"a decimal comma, quoted":  {header + ",density_kg_per_m3\nsand,aggregate,\"Sand, washed\",t,\"2650,5\"\n", inventory.UploadOptions{DecimalComma: true}, nil},
		"a byte-order mark, CRLF":  {"\ufeff" + strings.ReplaceAll(semicolons+"2650.5\n", "\n", "\r\n"), inventory.UploadOptions{}, nil},
		"quoted throughout":        {"\"code\";\"category\";\"name\";\"unit\";\"density_kg_per_m3\"\n\"sand\";\"aggregate\";\"Sand, washed\";\"t\";\"2650.5\"", inventory.UploadOptions{}, nil},
		"title lines":              {"Prices of Sablon;;;;\n\n\"made \" by hand\n" + semicolons + "2650.5\n", inventory.UploadOptions{}, []inventory.RowNote{note(4, "header-found")}},
		"a line for a spreadsheet": {"sep=;\n" + semicolons + "2650.5\n", inventory.UploadOptions{}, []inventory.RowNote{note(2, "header-found")}},
		"header in line 10":        {strings.Repeat("\n", 9) + semicolons + "2650.5\n", inventory.UploadOptions{}, []inventory.RowNote{note(10, "header-found")}},
		"trailing blank rows":      {semicolons + "2650.5\n;;;;\n\n;;;;\n", inventory.UploadOptions{}, []inventory.RowNote{{Row: 3, Code: "blank-rows", More: 2}}},
		"columns without a name":   {"code;category;name;unit;;density_kg_per_m3;;\nsand;aggregate;Sand, washed;t;;2650.5;;\n", inventory.UploadOptions{}, nil},
		"notes that are not read":  {"code;notes;category;name;unit;density_kg_per_m3\nsand;1,000 =x €;aggregate;Sand, washed;t;2650.5\n", inventory.UploadOptions{}, nil},
		"a unit by another name": {semicolons[:len(semicolons)-2] + "tonnes;2650.5\n", inventory.UploadOptions{},
			[]inventory.RowNote{{Row: 2, Column: "unit", Code: "unit-synonym", Item: "sand"}}},
	} {
		t.Run(name, func(t *testing.T) {
			c.options.Form, c.options.Meta = "csv", meta
			u, err := inventory.ReadUpload(iotest.OneByteReader(strings.NewReader(c.text)), c.options)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(inventory.Upload{Meta: meta, Items: []inventory.Item{sand}, Notes: c.notes}, u, cmpopts.IgnoreFields(inventory.RowNote{}, "Detail")); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// What is true of many rows is told once.
func TestNotesAreCounted(t *testing.T) {
	u, err := read(header+"\na,water,A,tonnes\nb,water,B,litre\nc,water,C,tonnes\nd,water,D,tonnes\n", inventory.UploadOptions{})
	if err != nil {
		t.Fatal(err)
	}
	want := []inventory.RowNote{
		{Row: 2, Column: "unit", Code: "unit-synonym", Item: "a", Detail: `"tonnes" was read as t`, More: 2},
		{Row: 3, Column: "unit", Code: "unit-synonym", Item: "b", Detail: `"litre" was read as L`},
	}
	if diff := cmp.Diff(want, u.Notes); diff != "" {
		t.Error(diff)
	}
}

func TestTablesRefused(t *testing.T) {
	type row = inventory.RowError
	comma := inventory.UploadOptions{DecimalComma: true}
	one := func(cell string) string {
		return "code;category;name;unit;density_kg_per_m3\nsand;aggregate;Sand;t;" + cell + "\n"
	}
	number := func(found string) []row {
		return []row{{Row: 2, Item: "sand", Column: "density_kg_per_m3", Code: "decimal-invalid", Found: found}}
	}
	for name, c := range map[string]struct {
		text    string
		options inventory.UploadOptions
		want    []row
		says    string // by the first
	}{
		"a decimal comma that was not declared": {one("2650,5"), inventory.UploadOptions{}, number("2650,5"), "write 2650.5, or say that the file has a decimal comma"},
		"thousands by comma":                    {one("2,650"), inventory.UploadOptions{}, number("2,650"), "write 2650, or 2.650 if the mark is that of the decimals"},
		"thousands and decimals":                {one("2,650.5"), inventory.UploadOptions{}, number("2,650.5"), "thousands are not separated: write 2650.5"},
		"thousands by point, decimal comma":     {one("-2.650,5"), inventory.UploadOptions{}, number("-2.650,5"), "thousands are not separated: write -2650.5"},
		"millions":                              {one("1,234,567"), inventory.UploadOptions{}, number("1,234,567"), "thousands are not separated: write 1234567"},
		"thousands by space":                    {one("2 650"), inventory.UploadOptions{}, number("2 650"), "thousands are not separated: write 2650"},
		"thousands by narrow space":             {one("2\u202f650"), inventory.UploadOptions{}, number("2\u202f650"), "thousands are not separated: write 2650"},
		"thousands by apostrophe":               {one("2'650.5"), inventory.UploadOptions{}, number("2'650.5"), "thousands are not separated: write 2650.5"},
		"a point where the comma is declared":   {one("2.650"), comma, number("2.650"), "write 2650, or 2,650 if the mark is that of the decimals"},
		"a decimal point where the comma is":    {one("2.5"), comma, number("2.5"), "write 2,5"},
		"thousands where the comma is declared": {one("2.650,5"), comma, number("2.650,5"), "write 2650,5"},
		"two commas":                            {one("2,650,5"), comma, number("2,650,5"), "one comma and no point"},
		"a plus sign":                           {one("+5"), inventory.UploadOptions{}, number("+5"), "no plus sign"},
		"words":                                 {one("heavy"), inventory.UploadOptions{}, number("heavy"), "not a plain decimal"},
		"blanks around a number":                {one(" 2650"), inventory.UploadOptions{}, number(" 2650"), "not a plain decimal"},
		"sixteen digits":                        {one("1234567890123456"), inventory.UploadOptions{}, number("1234567890123456"), "at most 15 digits"},
		"thirteen decimals":                     {one("0.1234567890123"), inventory.UploadOptions{}, number("0.1234567890123"), "=ROUND(A1, 6)"},
		"a separator that was not given":        {one("2650"), inventory.UploadOptions{Separator: ','}, nil, ""},
		"a row of another separator":            {"code;category;name;unit\nsand,aggregate,Sand,t\n", inventory.UploadOptions{}, []row{{Row: 2, Code: "cell-count", Found: "sand,aggregate,Sand,t"}}, "1 cells; the header has 4"},
		"a value under no name":                 {"code;category;name;unit;\nsand;aggregate;Sand;t;stray\n", inventory.UploadOptions{}, []row{{Row: 2, Item: "sand", Code: "cell-count", Found: "stray"}}, "cell 5"},
		"a header in line 11":                   {strings.Repeat("x\n", 10) + one("1"), inventory.UploadOptions{}, nil, ""},
		"201 columns":                           {header + strings.Repeat(",x", 197) + "\na,water,A,t" + strings.Repeat(",", 197) + "\n", inventory.UploadOptions{}, []row{{Row: 1, Code: "file-too-large"}}, "201 columns"},
		"a column that is nearly one": {"code;category;nmae;unit\n", inventory.UploadOptions{}, []row{{Row: 1, Column: "nmae", Code: "header-invalid", Found: "nmae"},
			{Row: 1, Column: "name", Code: "header-invalid"}}, `did you mean "name"?`},
		"notes twice": {header + ",notes,notes\n", inventory.UploadOptions{}, []row{{Row: 1, Column: "notes", Code: "header-invalid", Found: "notes"}}, "twice"},
		"a line break in a cell": {header + ",note\nsand,aggregate,Sand,t,\"two\nlines\"\n", inventory.UploadOptions{},
			[]row{{Row: 2, Code: "quote-invalid", Found: "sand,aggregate,Sand,t,\"two"}, {Row: 3, Code: "quote-invalid", Found: "lines\""}}, "line break"},
		"the number of a day": {header + ",gwp_a1_a3,factor_source_kind,factor_source_title,factor_valid_until\nsand,aggregate,Sand,t,1,invented,T,46037\n", inventory.UploadOptions{},
			[]row{{Row: 2, Item: "sand", Column: "factor_valid_until", Code: "date-invalid", Found: "46037"}}, "2026-01-15"},
		"UTF-16":  {"\xff\xfec\x00o\x00", inventory.UploadOptions{}, []row{{Code: "encoding-invalid", Found: "\ufffdc\x00o\x00"}}, "CSV UTF-8"},
		"nothing": {"", inventory.UploadOptions{}, []row{{Row: 1, Code: "file-empty"}}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			u, err := read(c.text, c.options)
			if c.want == nil {
				var refused *inventory.UploadError
				if !errors.As(err, &refused) || refused.Rows[0].Code != "header-invalid" {
					t.Errorf("got %v, want a complaint about the header", err)
				}
				return
			}
			wantRefusal(t, u, err, c.want...)
			var refused *inventory.UploadError
			if errors.As(err, &refused) && !strings.Contains(refused.Rows[0].Detail, c.says) {
				t.Errorf("%q does not say %q", refused.Rows[0].Detail, c.says)
			}
		})
	}
}

// A decimal comma reaches into lists of amounts, and not into codes and names.
func TestDecimalCommaInLists(t *testing.T) {
	const text = "code;category;name;unit;recipe;gwp_process;factor_spread;factor_source_kind;factor_source_title;allocation;allocation_alternatives\n" +
		"cem-42.5;energy;Power 1,5;kWh;;0,055;\"triangular 0,8 1,3\";invented;T 1,5;mass;\"economic=0,1466; none=0\"\n" +
		"saw;operation;Sawing;m;cem-42.5=1,5;;;;;;\n"
	u, err := read(text, inventory.UploadOptions{DecimalComma: true})
	if err != nil {
		t.Fatal(err)
	}
	want := []inventory.Item{
		{Code: "cem-42.5", Category: "energy", Name: "Power 1,5", Unit: "kWh", Factors: factors("process", "0.055"), FactorSource: &inventory.Source{Kind: "invented", Title: "T 1,5"},
			FactorData: inventory.FactorData{Spread: &inventory.Spread{Distribution: "triangular", Low: null("0.8"), High: null("1.3")}, Allocation: "mass",
				Alternatives: []inventory.AllocatedFactor{{Allocation: "economic", Factor: dec("0.1466")}, {Allocation: "none"}}}},
		{Code: "saw", Category: "operation", Name: "Sawing", Unit: "m", Recipe: []inventory.RecipePart{{Item: "cem-42.5", Amount: dec("1.5")}}},
	}
	if diff := cmp.Diff(want, u.Items); diff != "" {
		t.Error(diff)
	}
	u, err = read(strings.Replace(strings.Replace(text, "cem-42.5=1,5", "cem-42.5=1.5", 1), "0,8 1,3", "0.8 1.3", 1), inventory.UploadOptions{DecimalComma: true})
	wantRefusal(t, u, err, inventory.RowError{Row: 2, Item: "cem-42.5", Column: "factor_spread", Code: "form-invalid", Found: "triangular 0.8 1.3"},
		inventory.RowError{Row: 3, Item: "saw", Column: "recipe", Code: "recipe-invalid", Found: "cem-42.5=1.5"})
}

func TestUnits(t *testing.T) {
	for text, want := range map[string]string{
		"kg": "kg", "Kg": "kg", "KG": "kg", "kgs": "kg", "kilogram": "kg", "Kilograms": "kg",
		"t": "t", "T": "t", "tonne": "t", "Tonnes": "t", "metric tons": "t",
		"m3": "m3", "M3": "m3", "m³": "m3", "m^3": "m3", "cum": "m3", "cu m": "m3", "cu. m": "", "cubic metres": "m3",
		"L": "L", "l": "L", "lt": "L", "Lt.": "L", "litre": "L", "liters": "L",
		"m2": "m2", "m²": "m2", "sqm": "m2", "sq m": "m2", "m": "m", "metres": "m", "M": "",
		"each": "each", "EA": "each", "ea.": "each", "pcs": "each", "pc": "each", "Stk": "each", "nr": "each",
		"kWh": "kWh", "kwh": "kWh", "KWH": "kWh", "MJ": "MJ", "mj": "MJ",
		"t.km": "t.km", "tkm": "t.km", "tonne-km": "t.km", "t·km": "t.km", "t  km": "t.km", "h": "h", "hr": "h", "Hrs": "h",
		"": "", "bag": "", "%": "", "day": "", "ton": "", "Tons": "", "lb": "", "gal": "", "yd3": "", "short_ton": "", "mm": "", "J": "",
	} {
		u, err := read(header+"\nx,water,X,"+text+"\n", inventory.UploadOptions{})
		switch {
		case want == "":
			wantRefusal(t, u, err, inventory.RowError{Row: 2, Item: "x", Column: "unit", Code: "unit-unknown", Found: text})
		case err != nil:
			t.Errorf("%q: %v", text, err)
		default:
			if got := u.Items[0].Unit; got != want || (len(u.Notes) > 0) != (text != want) {
				t.Errorf("%q was read as %q, noted %+v; want %q", text, got, u.Notes, want)
			}
		}
	}
	// A unit in which no item is declared is refused with the way to one that is.
	for text, want := range map[string]string{
		"lbs":        "one lb is 0.45359237 kg: divide the price and the factors by 0.45359237 and write kg",
		"gallons":    "one gal is 3.785411784 L: divide the price and the factors by 3.785411784 and write L",
		"cu yd":      "one yd3 is 0.764554857984 m3: divide",
		"SF":         "one ft2 is 0.09290304 m2: divide",
		"ton":        `"ton" is 1000 kg or 2000 lb: write t if it is 1000 kg; if it is 2000 lb, one short_ton is 0.90718474 t: divide`,
		"short tons": "one short_ton is 0.90718474 t: divide the price and the factors by 0.90718474 and write t",
		"cm":         "one cm is 0.01 m: divide",
	} {
		_, err := read(header+"\nx,water,X,"+text+"\n", inventory.UploadOptions{})
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "one of kg, t, m3") {
			t.Errorf("%q: %v", text, err)
		}
	}
}

func TestJSON(t *testing.T) {
	type row = inventory.RowError
	const sand = `{"code":"sand","category":"aggregate","name":"Sand","unit":"t"}`
	const about = `{"name":"Sablon Coast, 2026 prices","region":"XA-01","currency":"EUR","invented":true}`
	item := inventory.Item{Code: "sand", Category: "aggregate", Name: "Sand", Unit: "t"}
	for name, text := range map[string]string{
		"items alone":            `{"items":[` + sand + `]}`,
		"with meta":              `{"meta":` + about + `,"items":[` + sand + `]}`,
		"with meta at the end":   "\ufeff \n" + `{"items":[` + sand + `],"meta":` + about + `}` + "\n",
		"as an export has it":    `{"slug":"demo","number":3,"hash":"00","withheld":[],"meta":` + about + `,"items":[` + sand + `]}`,
		"a unit by another name": `{"items":[` + strings.Replace(sand, `"t"`, `"tonne"`, 1) + `]}`,
	} {
		for _, o := range []inventory.UploadOptions{{Form: "json", Meta: meta}, {Form: "json"}} {
			u, err := inventory.ReadUpload(iotest.OneByteReader(strings.NewReader(text)), o)
			if o.Meta == (inventory.Meta{}) && !strings.Contains(text, "meta") {
				var refused *inventory.UploadError
				if !errors.As(err, &refused) || refused.Rows[0].Column != "name" || refused.Rows[0].Row != 0 {
					t.Errorf("%s: without any meta: %v", name, err)
				}
				continue
			}
			if err != nil || u.Meta != meta {
				t.Fatalf("%s: %+v, %v", name, u.Meta, err)
			}
			if diff := cmp.Diff([]inventory.Item{item}, u.Items); diff != "" {
				t.Errorf("%s: %s", name, diff)
			}
			if strings.Contains(text, "tonne") != (len(u.Notes) == 1 && u.Notes[0].Item == "sand" && u.Notes[0].Row == 1) {
				t.Errorf("%s: noted %+v", name, u.Notes)
			}
		}
	}
	for name, c := range map[string]struct {
		text string
		want []row
	}{
		"every bad entry": {`{"items":[{"code":"a","colour":1},` + sand + `,{"code":"b","density_kg_per_m3":2650},{"code":"c","density_kg_per_m3":"1e3"},{"code":"d","code":"e"},` +
			"{\"code\":\"f\",\"name\":\"\xff\"}," + `{"code":"g","price":{"amount":"1","source":{"year":"x"}}},7,{"code":"h","category":"glue","name":"H","unit":"ton"},{"code":"i","price":{"currency":"EUR"}},` +
			`{"code":"j","factor_source":{"year":2025.5}},{"code":"k","factors":{"A1-A3":null}}]}`, []row{
			{Row: 1, Item: "a", Column: "/colour", Code: "member-invalid", Found: "1"},
			{Row: 3, Item: "b", Column: "/density_kg_per_m3", Code: "member-invalid", Found: "2650"},
			{Row: 4, Item: "c", Column: "/density_kg_per_m3", Code: "decimal-invalid", Found: `"1e3"`},
			{Row: 5, Item: "e", Column: "/code", Code: "member-invalid", Found: `"d"`},
			{Row: 6, Item: "f", Column: "/name", Code: "encoding-invalid", Found: "\"\ufffd\""},
			{Row: 7, Item: "g", Column: "/price/source/year", Code: "member-invalid", Found: `"x"`},
			{Row: 8, Code: "member-invalid"},
			{Row: 9, Item: "h", Column: "unit", Code: "unit-unknown", Found: "ton"},
			{Row: 9, Item: "h", Column: "category", Code: "value-unknown", Found: "glue"},
			{Row: 10, Item: "i", Code: "member-invalid"},
			{Row: 11, Item: "j", Column: "/factor_source/year", Code: "member-invalid", Found: "2025.5"},
			{Row: 12, Item: "k", Column: "/factors/A1-A3", Code: "member-invalid", Found: "null"},
		}},
		"a code twice": {`{"items":[` + sand + `,` + sand + `]}`, []row{{Row: 1, Item: "sand", Column: "code", Code: "duplicate-code", Found: "sand"},
			{Row: 2, Item: "sand", Column: "code", Code: "duplicate-code", Found: "sand"}}},
		"a bad element of a list": {`{"items":[{"code":"a","recipe":[{"item":"b","amount":"1"},{"item":"c","amount":2}]}]}`, []row{{Row: 1, Item: "a", Column: "/recipe/1/amount", Code: "member-invalid", Found: "2"}}},
		"a list":                  {`[` + sand + `]`, []row{{Code: "member-invalid"}}},
		"items that are none":     {`{"items":{}}`, []row{{Column: "/items", Code: "member-invalid"}}},
		"no items":                {`{"meta":` + about + `}`, []row{{Column: "/items", Code: "member-invalid"}}},
		"an empty list":           {`{"items":[]}`, []row{{Row: 1, Code: "file-empty"}}},
		"items twice":             {`{"items":[],"items":[]}`, []row{{Column: "/items", Code: "member-invalid"}}},
		"an unknown member":       {`{"colour":"x"}`, []row{{Column: "/colour", Code: "member-invalid"}}},
		"an unknown part of meta": {`{"meta":{"slug":"x"},"items":[` + sand + `]}`, []row{{Column: "/meta/slug", Code: "member-invalid", Found: `"x"`}}},
		"text after the end":      {`{"items":[` + sand + `]} true`, []row{{Code: "member-invalid"}}},
		"cut short":               {`{"items":[` + sand, []row{{Row: 2, Code: "file-damaged"}}},
		"cut in an entry":         {`{"items":[` + sand + `,{"code":"a`, []row{{Row: 2, Code: "file-damaged"}}},
		"not JSON":                {`{"items":[` + sand + `,}]}`, []row{{Row: 2, Code: "file-damaged"}}},
		"leading zeros":           {`{"items":[01]}`, []row{{Row: 1, Code: "member-invalid"}, {Row: 2, Code: "file-damaged"}}},
		"nested without end":      {`{"items":[` + strings.Repeat("[", 100_000), []row{{Row: 1, Code: "file-damaged"}}},
	} {
		t.Run(name, func(t *testing.T) {
			u, err := read(c.text, inventory.UploadOptions{Form: "json"})
			wantRefusal(t, u, err, c.want...)
		})
	}
}

// Two hundred thousand items are read, and not one more, in any form.
func TestMostRows(t *testing.T) {
	if testing.Short() || os.Getenv("CI") != "true" {
		t.Skip("reads a million rows, which takes half a minute: run in CI")
	}
	if storetest.Raced() {
		t.Skip("a million rows under the race detector take minutes; run without it")
	}
	rows := func(n int, form inventory.Form) []byte {
		var b bytes.Buffer
		switch form {
		case inventory.FormCSV:
			b.WriteString(header + "\n")
			for i := range n {
				fmt.Fprintf(&b, "a%d,water,A,kg\n", i)
			}
		case inventory.FormJSON:
			b.WriteString(`{"items":[`)
			for i := range n {
				fmt.Fprintf(&b, `%s{"code":"a%d","category":"water","name":"A","unit":"kg"}`, strings.Repeat(",", min(i, 1)), i)
			}
			b.WriteString(`]}`)
		case inventory.FormXLSX:
			items := make([]inventory.Item, n)
			for i := range items {
				items[i] = inventory.Item{Code: fmt.Sprint("a", i), Category: "water", Name: "A", Unit: "kg"}
			}
			if err := inventory.WriteXLSX(&b, items); err != nil {
				t.Fatal(err)
			}
		}
		return b.Bytes()
	}
	for _, form := range forms {
		t.Run(string(form), func(t *testing.T) {
			u, err := inventory.ReadUpload(bytes.NewReader(rows(inventory.MaxRows, form)), inventory.UploadOptions{Form: form, Meta: meta})
			if err != nil || len(u.Items) != inventory.MaxRows {
				t.Errorf("%d items, %v", len(u.Items), err)
			}
			u, err = inventory.ReadUpload(bytes.NewReader(rows(inventory.MaxRows+1, form)), inventory.UploadOptions{Form: form, Meta: meta})
			first := 2 // the row of the first item
			if form == inventory.FormJSON {
				first = 1
			}
			wantRefusal(t, u, err, inventory.RowError{Row: inventory.MaxRows + first, Code: "file-too-large"})
		})
	}
}

// A row that is wrong anywhere stores none, and only that one is reported, with
// what stands there cut short.
func TestOneBadRowAmongFiftyThousand(t *testing.T) {
	var b strings.Builder
	b.WriteString(header + ",density_kg_per_m3\n")
	for n := range 50_000 {
		density := "2650"
		if n == 31_415 {
			density = "2650" + strings.Repeat("x", 500)
		}
		fmt.Fprintf(&b, "s%d,aggregate,Sand,t,%s\n", n, density)
	}
	u, err := read(b.String(), inventory.UploadOptions{})
	wantRefusal(t, u, err, inventory.RowError{Row: 31_417, Item: "s31415", Column: "density_kg_per_m3", Code: "decimal-invalid", Found: "2650" + strings.Repeat("x", 76)})
}

// What is shown of a cell is valid, whole characters, and never more than 80 bytes,
// though a byte that is no UTF-8 is shown as three.
func TestFoundIsCutToCharacters(t *testing.T) {
	for found, want := range map[string]string{
		strings.Repeat("x", 77) + "😀":        strings.Repeat("x", 77),
		strings.Repeat("x", 76) + "😀y":       strings.Repeat("x", 76) + "😀",
		strings.Repeat("\xffx", 40):          strings.Repeat("\ufffdx", 20),
		strings.Repeat("x", 78) + "\xff\xff": strings.Repeat("x", 78),
	} {
		u, err := read(header+"\nsand,"+found+",Sand,t\n", inventory.UploadOptions{})
		code := "value-unknown"
		if strings.Contains(found, "\xff") {
			code = "encoding-invalid"
		}
		wantRefusal(t, u, err, inventory.RowError{Row: 2, Item: "sand", Column: "category", Code: code, Found: want})
	}
}

// A broken upload is no fault of the file, whatever its form and wherever it
// breaks.
func TestReadersErrorIsReturned(t *testing.T) {
	broken := errors.New("connection lost")
	for _, form := range forms {
		file := written(t, form, sample())
		for _, at := range []int{0, 3, len(file) / 2, len(file) - 1} {
			u, err := inventory.ReadUpload(io.MultiReader(bytes.NewReader(file[:at]), iotest.ErrReader(broken)), inventory.UploadOptions{Form: form, Meta: meta})
			if !errors.Is(err, broken) || u.Items != nil {
				t.Errorf("%s broken at byte %d: %d items, %v", form, at, len(u.Items), err)
			}
		}
	}
}

// The same inventory comes back from every form, to the last digit and character.
func TestRoundTripOfEveryForm(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		items := drawItems(rt)
		want, err := inventory.Hash(meta, items)
		if err != nil {
			rt.Fatal(err)
		}
		for _, form := range forms {
			u, err := inventory.ReadUpload(bytes.NewReader(written(t, form, items)), inventory.UploadOptions{Form: form, Meta: meta})
			if err != nil {
				rt.Fatalf("%s: %v", form, err)
			}
			got, err := inventory.Hash(meta, u.Items)
			if err != nil {
				rt.Fatal(err)
			}
			if got != want {
				rt.Fatalf("%s: %s", form, cmp.Diff(items, u.Items))
			}
			for _, n := range u.Notes {
				if n.Code != "number-stored-as-text" {
					rt.Fatalf("%s: our own file is read otherwise than it stands: %+v", form, n)
				}
			}
		}
	})
}

// What XML cannot have, what looks like its escapes, what a spreadsheet runs, and
// what it cuts: every one survives every form.
func TestRoundTripOfHardTexts(t *testing.T) {
	for _, text := range []string{"a\ufffeb\uffffc", "_x0041_", "_x0041_x0042_", "_x005F_x0041_", "__x0041__", "_xD83D__xDE00_", "_x", "_x00g0_", "&amp; <b> ]]> \"'", "=1+1", "+1", "-1", "@a", "'=1", "''",
		"😀 e\u0323\u0302"[:len("😀 ")] + "ệ", "2.50", "TRUE", "2026-01-15", "46037", "1e5", "a  b", "\u00a0", strings.Repeat("ß", 100)} {
		item := inventory.Item{Code: "a", Category: "water", Name: text, Unit: "kg", Note: text}
		if text == "\u00a0" {
			item.Name, item.Note = "a\u00a0b", ""
		}
		for _, form := range forms {
			u, err := inventory.ReadUpload(bytes.NewReader(written(t, form, []inventory.Item{item})), inventory.UploadOptions{Form: form, Meta: meta})
			if err != nil {
				t.Errorf("%s of %q: %v", form, text, err)
				continue
			}
			if diff := cmp.Diff([]inventory.Item{item}, u.Items); diff != "" {
				t.Errorf("%s of %q: %s", form, text, diff)
			}
		}
	}
}

// Every column is told of in the template: what it means, whether it is needed,
// what it takes, and an example that it does take.
func TestTemplates(t *testing.T) {
	names := append(inventory.ColumnNames(inventory.Columns()), "notes")
	var csv, xlsx bytes.Buffer
	if err := errors.Join(inventory.WriteTemplate(&csv, inventory.FormCSV), inventory.WriteTemplate(&xlsx, inventory.FormXLSX)); err != nil {
		t.Fatal(err)
	}
	if err := inventory.WriteTemplate(io.Discard, inventory.FormJSON); err == nil {
		t.Error("there is a template of JSON")
	}
	if diff := cmp.Diff(strings.Join(names, ",")+"\r\n", csv.String()); diff != "" {
		t.Error(diff)
	}
	sheets := open(t, xlsx.Bytes())
	if diff := cmp.Diff([][]string{names}, rowsOf(t, sheets, "Items")); diff != "" {
		t.Error(diff)
	}
	told := rowsOf(t, sheets, "Columns")
	if diff := cmp.Diff([]string{"column", "meaning", "required", "accepted", "example"}, told[0]); diff != "" {
		t.Error(diff)
	}
	for n, row := range told[1:] {
		if len(row) != 5 || row[0] != names[n] || slices.Contains(row, "") {
			t.Errorf("row %d says %q of %s", n+2, row, names[n])
			continue
		}
		if n == len(inventory.Columns()) {
			continue // the notes
		}
		column := inventory.Columns()[n]
		if (row[2] == "yes") != column.Required {
			t.Errorf("%s is said to be required: %s", row[0], row[2])
		}
		var item inventory.Item
		if err := column.Set(&item, row[4]); err != nil || column.Text(&item) != row[4] {
			t.Errorf("the example %q of %s is read as %q, %v", row[4], row[0], column.Text(&item), err)
		}
	}
	// A template that is filled in is a file.
	for _, file := range []string{csv.String() + "sand,aggregate,Sand,t" + strings.Repeat(",", len(names)-5) + ",asked\r\n"} {
		if u, err := read(file, inventory.UploadOptions{}); err != nil || len(u.Items) != 1 {
			t.Errorf("%v", err)
		}
	}
	// An empty one says that it is empty.
	u, err := readXLSX(xlsx.Bytes())
	wantRefusal(t, u, err, inventory.RowError{Row: 1, Code: "file-empty"})
}

// The options are checked before anything is read.
func TestOptions(t *testing.T) {
	rate := inventory.Rate{From: "USD", To: "EUR", Rate: dec("0.92"), Date: "2026-01-02", Source: "Bank"}
	index := inventory.Index{Category: "cement", Series: "PPI", Points: factors("2026-01", "132", "2025-01", "120")}
	with := func(change func(o *inventory.UploadOptions)) inventory.UploadOptions {
		o := inventory.UploadOptions{Form: "csv", Meta: meta, Rates: []inventory.Rate{rate}, Indices: []inventory.Index{index}, BaseMonth: "2026-01"}
		change(&o)
		return o
	}
	for name, c := range map[string]struct {
		change func(o *inventory.UploadOptions)
		column string
	}{
		"an unknown form":       {func(o *inventory.UploadOptions) { o.Form = "xls" }, "form"},
		"another separator":     {func(o *inventory.UploadOptions) { o.Separator = '|' }, "separator"},
		"a rate to itself":      {func(o *inventory.UploadOptions) { o.Rates[0].From = "EUR" }, "rates"},
		"a rate from nothing":   {func(o *inventory.UploadOptions) { o.Rates[0].From = "" }, "rates"},
		"a rate twice":          {func(o *inventory.UploadOptions) { o.Rates = append(o.Rates, rate) }, "rates"},
		"a rate of nought":      {func(o *inventory.UploadOptions) { o.Rates[0].Rate = dec("0") }, "rates"},
		"a rate below nought":   {func(o *inventory.UploadOptions) { o.Rates[0].Rate = dec("-1") }, "rates"},
		"a rate without a day":  {func(o *inventory.UploadOptions) { o.Rates[0].Date = "" }, "rates"},
		"a rate of no source":   {func(o *inventory.UploadOptions) { o.Rates[0].Source = " " }, "rates"},
		"no month":              {func(o *inventory.UploadOptions) { o.BaseMonth = "" }, "base_month"},
		"no indices":            {func(o *inventory.UploadOptions) { o.Indices = nil }, "base_month"},
		"a day for a month":     {func(o *inventory.UploadOptions) { o.BaseMonth = "2026-01-01" }, "base_month"},
		"a thirteenth month":    {func(o *inventory.UploadOptions) { o.BaseMonth = "2026-13" }, "base_month"},
		"an unknown category":   {func(o *inventory.UploadOptions) { o.Indices[0].Category = "glue" }, "indices"},
		"a category twice":      {func(o *inventory.UploadOptions) { o.Indices = append(o.Indices, index) }, "indices"},
		"a series of no name":   {func(o *inventory.UploadOptions) { o.Indices[0].Series = "" }, "indices"},
		"a month of no form":    {func(o *inventory.UploadOptions) { o.Indices[0].Points = factors("2026-01", "1", "Jan 26", "1") }, "indices"},
		"an index of nought":    {func(o *inventory.UploadOptions) { o.Indices[0].Points = factors("2026-01", "1", "2025-01", "0") }, "indices"},
		"no index of the month": {func(o *inventory.UploadOptions) { o.BaseMonth = "2026-02" }, "indices"},
	} {
		t.Run(name, func(t *testing.T) {
			u, err := inventory.ReadUpload(unread{t}, with(c.change))
			var refused *inventory.UploadError
			if !errors.As(err, &refused) || len(refused.Rows) != 1 || refused.Rows[0].Code != "option-invalid" || refused.Rows[0].Column != c.column || refused.Rows[0].Detail == "" || u.Items != nil {
				t.Errorf("got %v, want a complaint about %s", err, c.column)
			}
		})
	}
}

// Beside the items the same JSON can be written by hand.
func TestJSONOfAnExport(t *testing.T) {
	text, err := json.Marshal(map[string]any{"meta": meta, "items": sample()})
	if err != nil {
		t.Fatal(err)
	}
	u, err := inventory.ReadUpload(bytes.NewReader(text), inventory.UploadOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(inventory.Upload{Meta: meta, Items: sample()}, u); diff != "" {
		t.Error(diff)
	}
}
