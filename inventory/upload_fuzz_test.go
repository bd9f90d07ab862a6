package inventory_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"slabledger/inventory"
)

// checkUpload holds whatever is read to the promises of ReadUpload: all or
// nothing, a report that says something of each fault, and items that are valid and
// come back the same from every form.
func checkUpload(t *testing.T, u inventory.Upload, err error) {
	t.Helper()
	if err != nil {
		var refused *inventory.UploadError
		if !errors.As(err, &refused) || len(refused.Rows) == 0 || len(refused.Rows) > inventory.MaxReported || u.Items != nil {
			t.Fatalf("%d items came with the error %v", len(u.Items), err)
		}
		last := 0
		for _, r := range refused.Rows {
			if r.Code == "" || r.Detail == "" || len(r.Found) > 80 || r.Row < last {
				t.Errorf("%+v after row %d", r, last)
			}
			last = r.Row
		}
		return
	}
	if problems := inventory.Validate(u.Meta, u.Items); problems != nil {
		t.Errorf("accepted in spite of %+v", problems)
	}
	want := mustHash(t, u.Meta, u.Items)
	for _, form := range forms {
		again, err := inventory.ReadUpload(bytes.NewReader(written(t, form, u.Items)), inventory.UploadOptions{Form: form, Meta: u.Meta})
		if err != nil {
			t.Fatalf("%s: %v", form, err)
		}
		if mustHash(t, u.Meta, again.Items) != want {
			t.Errorf("%s: %s", form, cmp.Diff(u.Items, again.Items))
		}
	}
}

func FuzzReadCSV(f *testing.F) {
	f.Add(writeCSV(f, sample()), false)
	f.Add("\ufeff"+header+",price,recipe\r\na,operation,A,m2,,b=1; c=2\r\n", false)
	f.Add(header+"\n\"a\n\",,,\n", false)
	f.Add("Prices;;;\n\ncode;category;name;unit;density_kg_per_m3;notes\nsand;aggregate;Sand;tonne;2650,5;x\n;;;;;\n", true)
	f.Add("code\tcategory\tname\tunit\tdensity_kg_per_m3\nsand\taggregate\tSand\tt\t2.650,5\n", true)
	f.Add(priced("155 USD 2024-06-15", "100 EUR 2024-06-15", "1 GBP 2026-01-01", "1,5 USD 46037"), false)
	f.Fuzz(func(t *testing.T, text string, comma bool) {
		u, err := read(text, inventory.UploadOptions{Form: "csv", DecimalComma: comma, Rates: []inventory.Rate{dollars},
			Indices: []inventory.Index{cement}, BaseMonth: "2026-01"})
		checkUpload(t, u, err)
	})
}

func FuzzReadJSON(f *testing.F) {
	f.Add(string(written(f, inventory.FormJSON, sample())))
	f.Add(`{"meta":{"name":"N","region":"XA","currency":"EUR","invented":true},"items":[{"code":"sand","category":"aggregate","name":"Sand","unit":"tonne"}]}`)
	f.Add(`{"items":[{"code":"a","colour":1},{"code":"b","density_kg_per_m3":2650},7,{"code":"c","code":"d"}]}`)
	f.Add(`{"items":[{"code":"a","recipe":[{"item":"b","amount":"1"},{"item":"c","amount":2}]}]} x`)
	f.Fuzz(func(t *testing.T, text string) {
		u, err := inventory.ReadUpload(strings.NewReader(text), inventory.UploadOptions{Form: "json"})
		checkUpload(t, u, err)
		u, err = read(text, inventory.UploadOptions{Form: "json"})
		checkUpload(t, u, err)
	})
}

// FuzzReadXLSX changes the parts of a workbook, or where the first is none, the
// packed file as it stands.
func FuzzReadXLSX(f *testing.F) {
	const sand = `</row><row r="2"><c r="A2" t="inlineStr"><is><t>sand</t></is></c><c r="B2" t="inlineStr"><is><t>aggregate</t></is></c><c r="C2" t="s"><v>1</v></c>` +
		`<c r="D2" t="str"><f>"t"</f><v>t</v></c><c r="E2" s="4"><v>2650.1499999999999</v></c></row>`
	head := sheet([]string{"code", "category", "name", "unit", "density_kg_per_m3", "note", "notes"})
	whole := strings.Replace(head, "</row>", sand, 1)
	f.Add([]byte(whole), bookTexts, bookStyle, bookMain)
	f.Add([]byte(strings.Replace(whole, "</worksheet>", `<mergeCells><mergeCell ref="A2:B3"/></mergeCells></worksheet>`, 1)), `<sst/>`, `<styleSheet/>`, bookMain)
	f.Add([]byte(sheet(nil, []string{"Prices"}, strings.Split(pricedColumns, ","), []string{"c", "cement", "C", "t", "1", "EUR", `<c r="%s" s="1"><v>46037</v></c>`, "ex-works", "excluded", "quotation", "Offer"})),
		bookTexts, bookStyle, strings.Replace(bookMain, "workbookPr", `workbookPr date1904="1"`, 1))
	f.Add(written(f, inventory.FormXLSX, sample()), "", "", "")
	f.Add(workbook(f, strings.Split(header, ","), []string{"sand", "aggregate", "Sand", "t"}), "", "", "")
	f.Fuzz(func(t *testing.T, file []byte, texts, styles, main string) {
		if !bytes.HasPrefix(file, []byte("PK")) {
			p := parts(string(file))
			p["xl/sharedStrings.xml"], p["xl/styles.xml"], p["xl/workbook.xml"] = texts, styles, main
			file = packed(t, p)
		}
		u, err := readXLSX(file)
		checkUpload(t, u, err)
	})
}
