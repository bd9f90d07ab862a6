package inventory_test

import (
	"bytes"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/xuri/excelize/v2"

	"slabledger/inventory"
)

func open(t testing.TB, file []byte) *excelize.File {
	t.Helper()
	f, err := excelize.OpenReader(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func rowsOf(t testing.TB, f *excelize.File, sheet string) [][]string {
	t.Helper()
	rows, err := f.GetRows(sheet, excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// A library reads what is written, with numbers as numbers and texts as texts.
func TestWriteXLSXAgainstALibrary(t *testing.T) {
	items := sample()
	items[0].Name = "=HYPERLINK(\"http://example.invalid\")"
	items[0].Density = null("3150.123456789012") // sixteen digits
	items[0].UnitMass = null("123456789012.345") // fifteen
	f := open(t, written(t, inventory.FormXLSX, items))
	rows := rowsOf(t, f, "Items")
	if diff := cmp.Diff(inventory.ColumnNames(inventory.Columns()), rows[0]); diff != "" {
		t.Error(diff)
	}
	for n := range items {
		for at, c := range inventory.Columns() {
			want := c.Text(&items[n])
			if c.Kind == inventory.TextColumn {
				want = inventory.EscapeCell(want)
			}
			name := cellName(at+1, n+2)
			got, err := f.GetCellValue("Items", name, excelize.Options{RawCellValue: true})
			if err != nil || got != want {
				t.Errorf("%s of %s is %q (%v), want %q", c.Name, items[n].Code, got, err, want)
			}
			formula, err := f.GetCellFormula("Items", name)
			if err != nil || formula != "" {
				t.Errorf("%s of %s has the formula %q (%v)", c.Name, items[n].Code, formula, err)
			}
			kind, err := f.GetCellType("Items", name)
			text := c.Kind != inventory.DecimalColumn && c.Kind != inventory.YearColumn || want == "3150.123456789012"
			if err != nil || want != "" && (kind == excelize.CellTypeInlineString) != text {
				t.Errorf("%s of %s, %q, is of type %v (%v)", c.Name, items[n].Code, want, kind, err)
			}
		}
	}
	if got, _ := f.GetCellValue("Items", "C2"); !strings.HasPrefix(got, "'=") {
		t.Errorf("the formula is not inert: %q", got)
	}
}

// The same items are the same bytes.
func TestWriteXLSXIsRepeatable(t *testing.T) {
	if !bytes.Equal(written(t, inventory.FormXLSX, sample()), written(t, inventory.FormXLSX, sample())) {
		t.Error("two writings differ")
	}
}
