package service_test

import (
	"bytes"
	"database/sql"
	"encoding/csv"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"slabledger/inventory"
	"slabledger/inventory/postgres"
	"slabledger/inventory/sqlite"
	"slabledger/inventory/storetest"
	"slabledger/service"
)

// table is a CSV of so many items as regions have them: priced, declared, sourced.
func table(rows int) []byte {
	var b bytes.Buffer
	b.WriteString("code,category,name,unit,density_kg_per_m3,price,price_currency,price_date,price_basis,price_tax,price_source_kind,price_source_title,price_source_year,price_source_licence,gwp_a1_a3,factor_source_kind,factor_source_title,factor_source_year,factor_source_licence,note\n")
	for n := range rows {
		fmt.Fprintf(&b, "gravel-%06d,aggregate,\"Gravel 8-16, pit %d\",t,%d,%d.%03d,EUR,2026-01-15,ex-works,excluded,invented,Invented for measurement,2026,CC0-1.0,%d.%06d,invented,Invented for measurement,2026,CC0-1.0,\n",
			n, n, 2600+n%100, 8+n%9, n%1000, 3+n%3, n)
	}
	return b.Bytes()
}

// BenchmarkImport publishes 50,000 rows: parsed, validated, hashed and committed, on
// PostgreSQL and on SQLite, and beside it what psql's \copy takes for the same rows
// into the same table with the same constraints, in the same run. The ratio is rows a
// second of ours to those of \copy.
func BenchmarkImport(b *testing.B) {
	psql, err := exec.LookPath("psql")
	if err != nil {
		b.Skip("no psql to compare with: ", err)
	}
	const rows = 50_000
	file := table(rows)
	meta := inventory.Meta{Name: "Measured", Region: "XA", Currency: "EUR", Invented: true}
	var copied, ours, lite time.Duration
	for b.Loop() {
		copied += copyRows(b, psql, file)
		store, err := postgres.Open(b.Context(), storetest.Postgres(b))
		if err != nil {
			b.Fatal(err)
		}
		ours += importRows(b, store, meta, file)
		store2, err := sqlite.Open(b.Context(), filepath.Join(b.TempDir(), "measured.db"))
		if err != nil {
			b.Fatal(err)
		}
		lite += importRows(b, store2, meta, file)
	}
	n := float64(b.N) * rows
	b.ReportMetric(n/copied.Seconds(), "copy-rows/s")
	b.ReportMetric(n/ours.Seconds(), "postgres-rows/s")
	b.ReportMetric(n/lite.Seconds(), "sqlite-rows/s")
	b.ReportMetric(copied.Seconds()/ours.Seconds(), "postgres-to-copy")
}

func importRows(b *testing.B, store inventory.Store, meta inventory.Meta, file []byte) time.Duration {
	b.Helper()
	svc := service.New(store)
	begun := time.Now()
	in, err := svc.ImportTable(b.Context(), "measured", inventory.UploadOptions{Form: inventory.FormCSV, Meta: meta}, bytes.NewReader(file), "", false)
	took := time.Since(begun)
	if err != nil || !in.Published {
		b.Fatal(in, err)
	}
	if err := store.Close(); err != nil {
		b.Fatal(err)
	}
	return took
}

// copyRows copies the rows with psql into a database of the same schema.
func copyRows(b *testing.B, psql string, file []byte) time.Duration {
	b.Helper()
	dsn := storetest.Postgres(b)
	store, err := postgres.Open(b.Context(), dsn) // makes the schema
	if err != nil {
		b.Fatal(err)
	}
	if err := store.Close(); err != nil {
		b.Fatal(err)
	}
	records, err := csv.NewReader(bytes.NewReader(file)).ReadAll()
	if err != nil {
		b.Fatal(err)
	}
	var rows bytes.Buffer
	w := csv.NewWriter(&rows)
	for _, record := range records[1:] {
		if err := w.Write(append([]string{"measured", "1"}, record...)); err != nil {
			b.Fatal(err)
		}
	}
	w.Flush()
	path := filepath.Join(b.TempDir(), "rows.csv")
	if err := os.WriteFile(path, rows.Bytes(), 0o600); err != nil {
		b.Fatal(err)
	}
	script := "BEGIN;\n\\copy inventory_item (slug, number, " + strings.Join(records[0], ", ") + ") FROM '" + path + "' WITH (FORMAT csv)\n" +
		"INSERT INTO inventory_version (slug, number, name, region, currency, invented, hash, note, created_at) VALUES ('measured', 1, 'n', 'XA', 'EUR', true, repeat('0', 64), '', now());\nCOMMIT;\n"
	cmd := exec.Command(psql, "-X", "-q", "-v", "ON_ERROR_STOP=1", dsn)
	cmd.Stdin = strings.NewReader(script)
	begun := time.Now()
	if out, err := cmd.CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	took := time.Since(begun)
	db, err := sql.Open("pgx", dsn)
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	var n string
	if err := db.QueryRowContext(b.Context(), "SELECT count(*)::text FROM inventory_item").Scan(&n); err != nil || n != strconv.Itoa(len(records)-1) {
		b.Fatal(n, err)
	}
	return took
}
