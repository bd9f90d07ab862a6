package inventory_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"slabledger/inventory"
)

const header = "code,category,name,unit"

func writeCSV(t testing.TB, items []inventory.Item) string {
	t.Helper()
	var b strings.Builder
	if err := inventory.WriteCSV(&b, items); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestCSVRoundTripOfTheSample(t *testing.T) {
	got, err := inventory.ReadCSV(strings.NewReader(writeCSV(t, sample())), meta)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(sample(), got); diff != "" {
		t.Error(diff)
	}
	if hash := mustHash(t, meta, got); hash != sampleHash {
		t.Errorf("hash %s, want %s", hash, sampleHash)
	}
}

func TestCSVRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		items := drawItems(t)
		var b bytes.Buffer
		if err := inventory.WriteCSV(&b, items); err != nil {
			t.Fatal(err)
		}
		got, err := inventory.ReadCSV(&b, meta)
		if err != nil {
			t.Fatal(err)
		}
		want, err := inventory.Hash(meta, items)
		if err != nil {
			t.Fatal(err)
		}
		hash, err := inventory.Hash(meta, got)
		if err != nil {
			t.Fatal(err)
		}
		if hash != want {
			t.Fatal(cmp.Diff(items, got))
		}
	})
}

// What spreadsheets make of a good file is still a good file.
func TestReadCSVForms(t *testing.T) {
	want := []inventory.Item{
		{Code: "sand", Category: inventory.Aggregate, Name: "Sand, washed", Unit: "t"},
		{Code: "water", Category: inventory.Water, Name: "Mains", Unit: "m3"},
	}
	const plain = header + "\nsand,aggregate,\"Sand, washed\",t\nwater,water,Mains,m3\n"
	for name, text := range map[string]string{
		"plain":              plain,
		"no last line break": strings.TrimSuffix(plain, "\n"),
		"byte-order mark":    "\ufeff" + plain,
		"CRLF":               strings.ReplaceAll(plain, "\n", "\r\n"),
		"blank rows":         plain + ",,,\n\n,,,\n",
		"other order":        "unit,name,code,category\nt,\"Sand, washed\",sand,aggregate\nm3,Mains,water,water\n",
		"empty cells":        header + ",density_kg_per_m3,price,recipe,note\nsand,aggregate,\"Sand, washed\",t,,,,\nwater,water,Mains,m3,,,,\n",
	} {
		t.Run(name, func(t *testing.T) {
			got, err := inventory.ReadCSV(iotest.OneByteReader(strings.NewReader(text)), meta)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// An empty cell is absent; a zero is zero.
func TestReadCSVTellsEmptyFromZero(t *testing.T) {
	const columns = header + ",gwp_a1_a3,gwp_d,factor_source_kind,factor_source_title\n"
	items, err := inventory.ReadCSV(strings.NewReader(columns+"sand,aggregate,Sand,t,0,,invented,t\ngravel,aggregate,Gravel,t,,,,\n"), meta)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(factors("A1-A3", "0"), items[0].Factors); diff != "" {
		t.Error(diff)
	}
	if items[1].Factors != nil || items[1].FactorSource != nil || items[1].Price != nil {
		t.Errorf("empty cells were read as %+v", items[1])
	}
}

// refusal reads a file that must be refused.
func refusal(t testing.TB, r io.Reader) *inventory.UploadError {
	t.Helper()
	items, err := inventory.ReadCSV(r, meta)
	var refused *inventory.UploadError
	if !errors.As(err, &refused) {
		t.Fatalf("%d items and the error %v, want a UploadError", len(items), err)
	}
	if items != nil {
		t.Errorf("%d items came with the error", len(items))
	}
	return refused
}

func TestReadCSVRefuses(t *testing.T) {
	type row = inventory.RowError
	for name, test := range map[string]struct {
		text string
		want []row // details are checked to be there
	}{
		"an empty file":   {"", []row{{Row: 1, Code: "file-empty"}}},
		"a header alone":  {header + "\n", []row{{Row: 1, Code: "file-empty"}}},
		"an unknown name": {header + ",colour\n", []row{{Row: 1, Column: "colour", Code: "header-invalid", Found: "colour"}}},
		"an unknown name over bad rows": {header + ",colour,density_kg_per_m3\nsand,aggregate,Sand,t,red,heavy\nx,glue,X,t,,\n", []row{{Row: 1, Column: "colour", Code: "header-invalid", Found: "colour"},
			{Row: 2, Item: "sand", Column: "density_kg_per_m3", Code: "decimal-invalid", Found: "heavy"}, {Row: 3, Item: "x", Column: "category", Code: "value-unknown", Found: "glue"}}},
		"a name that may mean a price, of which no more is said": {header + ",prize,price_currency,price_date,price_basis,price_tax,price_source_kind,price_source_title\n" +
			"sand,aggregate,Sand,t,5,EUR,2026-01-31,delivered,excluded,invented,t\nx,glue,X,t,5,EUR,2026-01-31,delivered,excluded,invented,t\n",
			[]row{{Row: 1, Column: "prize", Code: "header-invalid", Found: "prize"}, {Row: 3, Item: "x", Column: "category", Code: "value-unknown", Found: "glue"}}},
		"a name twice":     {header + ",unit\n", []row{{Row: 1, Column: "unit", Code: "header-invalid", Found: "unit"}}},
		"a missing column": {"code,name,unit\n", []row{{Row: 1, Column: "category", Code: "header-invalid"}}},
		"a separator that is none": {"code|category|name|unit\nsand|aggregate|Sand|t\n", []row{
			{Row: 1, Column: "code|category|name|unit", Code: "header-invalid", Found: "code|category|name|unit"},
			{Row: 1, Column: "code", Code: "header-invalid"}, {Row: 1, Column: "category", Code: "header-invalid"},
			{Row: 1, Column: "name", Code: "header-invalid"}, {Row: 1, Column: "unit", Code: "header-invalid"}}},
		"CR alone": {header + "\rsand,aggregate,Sand,t\r",
			[]row{{Row: 1, Code: "header-invalid", Found: "unit\rsand"}}},
		"UTF-16": {"\xff\xfec\x00o\x00", []row{{Code: "encoding-invalid", Found: "\ufffdc\x00o\x00"}}},
		"a cell in Latin-1": {header + "\nsand,aggregate,gr\xe8s,t\n",
			[]row{{Row: 2, Item: "sand", Column: "name", Code: "encoding-invalid", Found: "gr\ufffds"}}},
		"a stray quote that swallows the file": {header + "\nsand,aggregate,\"Sand,t\nwater,water,Mains,m3\n",
			[]row{{Row: 2, Code: "quote-invalid", Found: "sand,aggregate,\"Sand,t"}}},
		"a quote in the middle, and more": {header + "\nsand,aggregate,8\" sand,t\nx,glue,X,t\n",
			[]row{{Row: 2, Code: "quote-invalid", Found: "sand,aggregate,8\" sand,t"}, {Row: 3, Item: "x", Column: "category", Code: "value-unknown", Found: "glue"}}},
		"a quote in the header": {"code,category,name,\"unit\nsand,aggregate,Sand,t\n", []row{{Row: 1, Code: "quote-invalid", Found: "code,category,name,\"unit"}}},
		"blank lines":           {"\n,,,\n", []row{{Row: 1, Code: "file-empty"}}},
		"cells too few and too many, and more": {header + "\nsand,aggregate,Sand\nwater,water,Mains,m3,9\nx,glue,X,t\n",
			[]row{{Row: 2, Item: "sand", Code: "cell-count", Found: "sand,aggregate,Sand"}, {Row: 3, Item: "water", Code: "cell-count", Found: "water,water,Mains,m3,9"},
				{Row: 4, Item: "x", Column: "category", Code: "value-unknown", Found: "glue"}}},
		"a decimal comma": {header + ",density_kg_per_m3\nsand,aggregate,Sand,t,\"2650,5\"\n",
			[]row{{Row: 2, Item: "sand", Column: "density_kg_per_m3", Code: "decimal-invalid", Found: "2650,5"}}},
		"an exponent": {header + ",density_kg_per_m3\nsand,aggregate,Sand,t,1e999999\n",
			[]row{{Row: 2, Item: "sand", Column: "density_kg_per_m3", Code: "decimal-invalid", Found: "1e999999"}}},
		"many digits": {header + ",density_kg_per_m3\nsand,aggregate,Sand,t," + strings.Repeat("9", 60_000) + "\n",
			[]row{{Row: 2, Item: "sand", Column: "density_kg_per_m3", Code: "cell-too-large", Found: strings.Repeat("9", 80)}}},
		"a line without end": {header + "\nsand,glue,Sand,t\n" + strings.Repeat("9", 1<<20),
			[]row{{Row: 2, Item: "sand", Column: "category", Code: "value-unknown", Found: "glue"}, {Row: 3, Code: "file-too-large"}}},
		"a year in words": {header + ",price_source_year,price\nsand,aggregate,Sand,t,last,1\n", []row{
			{Row: 2, Item: "sand", Column: "price_source_year", Code: "year-invalid", Found: "last"}, {Row: 2, Item: "sand", Column: "price_currency", Code: "value-missing"},
			{Row: 2, Item: "sand", Column: "price_date", Code: "value-missing"}, {Row: 2, Item: "sand", Column: "price_basis", Code: "value-missing"}, {Row: 2, Item: "sand", Column: "price_tax", Code: "value-missing"},
			{Row: 2, Item: "sand", Column: "price_source_kind", Code: "value-missing"}, {Row: 2, Item: "sand", Column: "price_source_title", Code: "value-missing"}}},
		"a date without a price": {header + ",price,price_currency,price_date,price_basis,price_tax,price_source_kind,price_source_title\n" +
			"sand,aggregate,Sand,t,,EUR,2026-01-31,delivered,excluded,invented,t\n",
			[]row{{Row: 2, Item: "sand", Column: "price", Code: "value-missing"}}},
		"a recipe of words":    {header + ",recipe\nsaw,operation,Sawing,m,a lot of power\n", []row{{Row: 2, Item: "saw", Column: "recipe", Code: "recipe-invalid", Found: "a lot of power"}}},
		"a recipe with a word": {header + ",recipe\nsaw,operation,Sawing,m,power=much\n", []row{{Row: 2, Item: "saw", Column: "recipe", Code: "recipe-invalid", Found: "power=much"}}},
		"a code twice": {header + "\nsand,aggregate,Sand,t\n\nsand,aggregate,Sand,t\n",
			[]row{{Row: 2, Item: "sand", Column: "code", Code: "duplicate-code", Found: "sand"}, {Row: 4, Item: "sand", Column: "code", Code: "duplicate-code", Found: "sand"}}},
		"a long cell cut at a whole character": {header + "\nsand," + strings.Repeat("é", 30) + strings.Repeat("€", 30) + ",Sand,t\n",
			[]row{{Row: 2, Item: "sand", Column: "category", Code: "value-unknown", Found: strings.Repeat("é", 30) + strings.Repeat("€", 6)}}},
	} {
		t.Run(name, func(t *testing.T) {
			refused := refusal(t, strings.NewReader(test.text))
			if diff := cmp.Diff(test.want, refused.Rows, cmpopts.IgnoreFields(row{}, "Detail")); diff != "" {
				t.Error(diff)
			}
			for _, r := range refused.Rows {
				if r.Detail == "" {
					t.Errorf("no detail: %+v", r)
				}
			}
		})
	}
}

// The report stops at a hundred rows and counts the rest; it is in the order of
// the lines, whoever found the fault.
func TestReadCSVCountsWhatItDoesNotShow(t *testing.T) {
	var b strings.Builder
	b.WriteString(header + ",density_kg_per_m3\n")
	for n := range 500 {
		if n%2 == 0 {
			fmt.Fprintf(&b, "s%d,aggregate,Sand,t,heavy\n", n)
		} else {
			fmt.Fprintf(&b, "s%d,aggregate,Sand,ton,2650\n", n)
		}
	}
	refused := refusal(t, strings.NewReader(b.String()))
	if len(refused.Rows) != 100 || refused.More != 400 {
		t.Errorf("%d shown and %d more, want 100 and 400", len(refused.Rows), refused.More)
	}
	for n, r := range refused.Rows {
		if r.Row != n+2 {
			t.Fatalf("row %d of the report is of line %d", n, r.Row)
		}
	}
	if got, want := refused.Error(), `row 2 (s0), column density_kg_per_m3: decimal-invalid, found "heavy": `; !strings.HasPrefix(got, want) || !strings.HasSuffix(got, "(and 499 more)") {
		t.Errorf("got %q", got)
	}
}

// endless yields a row for ever and counts how often it was asked.
type endless struct {
	row  string
	sent int
}

func (e *endless) Read(p []byte) (int, error) {
	if e.sent == 0 {
		e.sent = len(header) + 1
		return copy(p, header+"\n"), nil
	}
	n := copy(p, e.row)
	e.sent += n
	return n, nil
}

func TestReadCSVStopsAtTheCaps(t *testing.T) {
	for name, test := range map[string]struct {
		row  string
		last int // bytes by which reading must have stopped
		line int // of the complaint
	}{
		"rows":  {"a,water,A,kg\n", 13*inventory.MaxRows + 1<<17, inventory.MaxRows + 2},
		"line":  {strings.Repeat(",", 1000), 1 << 18, 2},
		"quote": {"\"" + strings.Repeat("x", 1000), 1 << 18, 2},
		"bytes": {strings.Repeat(",", 1000) + "\n", inventory.MaxFileBytes + 1<<17, inventory.MaxFileBytes/1001 + 2},
	} {
		t.Run(name, func(t *testing.T) {
			rows := &endless{row: test.row}
			var f []inventory.RowError
			_, err := inventory.ReadCSV(rows, meta)
			var refused *inventory.UploadError
			if errors.As(err, &refused) {
				f = refused.Rows
			}
			if rows.sent > test.last {
				t.Errorf("%d bytes were read, want at most %d", rows.sent, test.last)
			}
			if name == "rows" { // every row is a duplicate, so the complaint is among those counted
				if refused == nil || refused.More != inventory.MaxRows+1-inventory.MaxReported {
					t.Errorf("got %v", err)
				}
				return
			}
			at := slices.IndexFunc(f, func(r inventory.RowError) bool { return r.Code == "file-too-large" })
			if at < 0 || f[at].Row < test.line-1 || f[at].Row > test.line {
				t.Errorf("got %+v, want a complaint about line %d", f, test.line)
			}
		})
	}
}

// A broken upload is no fault of the file.
func TestReadCSVReturnsTheReadersError(t *testing.T) {
	broken := errors.New("connection lost")
	_, err := inventory.ReadCSV(io.MultiReader(strings.NewReader(header+"\nsand,"), iotest.ErrReader(broken)), meta)
	if !errors.Is(err, broken) {
		t.Errorf("got %v", err)
	}
}

// No text of an export runs as a formula, numbers stay numbers, and nobody's
// apostrophe is lost.
func TestCSVEscapesFormulas(t *testing.T) {
	for name, cell := range map[string]string{
		`=HYPERLINK("http://example.invalid")`: `'=HYPERLINK("http://example.invalid")`,
		"+1":                                   "'+1",
		"-x":                                   "'-x",
		"@SUM(A1)":                             "'@SUM(A1)",
		"'=1":                                  "''=1",
		"''x":                                  "'''x",
		"'t Zand":                              "'t Zand",
		"'":                                    "'",
		"''":                                   "'''",
		"sand - 2":                             "sand - 2",
		"sand, '05":                            "sand, '05",
	} {
		item := inventory.Item{Code: "a", Category: inventory.Reinforcement, Name: name, Unit: "kg",
			Factors: factors("A1-A3", "1", "D", "-12.5"), FactorSource: &inventory.Source{Kind: "invented", Title: name}}
		text := writeCSV(t, []inventory.Item{item})
		records, err := csv.NewReader(strings.NewReader(text)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		at := func(column string) string { return records[1][slices.Index(records[0], column)] }
		if at("name") != cell || at("factor_source_title") != cell {
			t.Errorf("%q is written %q and %q, want %q", name, at("name"), at("factor_source_title"), cell)
		}
		if at("gwp_d") != "-12.5" {
			t.Errorf("a negative number is written %q", at("gwp_d"))
		}
		got, err := inventory.ReadCSV(strings.NewReader(text), meta)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff([]inventory.Item{item}, got); diff != "" {
			t.Error(diff)
		}
	}
}

func TestColumns(t *testing.T) {
	const want = "code,category,name,unit,density_kg_per_m3,unit_mass_kg,solids_percent,batch_volume_m3,module,default_for,boundary," +
		"price,price_currency,price_date,price_basis,price_tax,price_valid_until,price_spread,price_min_quantity,price_quoted,price_quoted_currency,price_quoted_date,price_exchange_rate,price_exchange_date,price_exchange_source,price_index_series,price_index_from,price_index_to," +
		"price_source_kind,price_source_title,price_source_publisher,price_source_year,price_source_reference,price_source_licence," +
		"gwp_a1_a3,gwp_process,gwp_a2,gwp_a4,gwp_c1,gwp_c2,gwp_c3,gwp_c4,gwp_d," +
		"factor_source_kind,factor_source_title,factor_source_publisher,factor_source_year,factor_source_reference,factor_source_licence,factor_valid_until,factor_spread,factor_pedigree," +
		"characterisation,gwp_fossil,gwp_biogenic,gwp_land_use,allocation,allocation_alternatives,layer,recipe,note\n"
	if diff := cmp.Diff(want, writeCSV(t, nil)); diff != "" {
		t.Error(diff)
	}
}
