package service_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/inventory/sqlite"
	"slabledger/lca/fault"
	"slabledger/service"
)

// stocked is a SQLite file with the demo region and the published factors in it, made
// once: the schema takes most of the time of a short test.
var stocked = sync.OnceValues(func() (content []byte, err error) {
	folder, err := os.MkdirTemp("", "stocked-")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	path, ctx := filepath.Join(folder, "test.db"), context.Background()
	store, err := sqlite.Open(ctx, path)
	if err != nil {
		return nil, err
	}
	svc := service.New(store)
	for _, folder := range []string{"../testdata/demo", "../testdata/published/carbon-checks"} {
		text, err := os.ReadFile(folder + "/inventory.json")
		if err != nil {
			return nil, err
		}
		slug, meta, err := inventory.ReadMeta(text)
		if err != nil {
			return nil, err
		}
		items, err := os.ReadFile(folder + "/items.csv")
		if err != nil {
			return nil, err
		}
		if _, _, err := svc.Import(ctx, slug, meta, bytes.NewReader(items), "test"); err != nil {
			return nil, err
		}
	}
	if err := store.Close(); err != nil {
		return nil, err
	}
	return os.ReadFile(path)
})

// newService is a service over a SQLite file of the test's own with the demo region and
// the published factors in it.
func newService(t testing.TB) *service.Service {
	t.Helper()
	content, err := stocked()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "test.db")
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	store, err := sqlite.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	return service.New(store)
}

// publish adds an inventory of the test's own.
func publish(t testing.TB, svc *service.Service, slug, csv string) {
	t.Helper()
	meta := inventory.Meta{Name: slug, Region: "QZ", Currency: "EUR", Invented: true}
	if _, _, err := svc.Import(t.Context(), slug, meta, strings.NewReader(csv), "test"); err != nil {
		t.Fatal(err)
	}
}

func file(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// edit changes one member of a request by its RFC 6901 pointer; "-" appends to
// a list, and remove takes the member out.
type edit struct {
	pointer string
	value   any
}

type removed struct{}

var remove = removed{}

// request is the demo comparison with changes.
func request(t testing.TB, edits ...edit) []byte {
	t.Helper()
	return changed(t, file(t, "../testdata/demo/comparison.json"), edits...)
}

func changed(t testing.TB, body []byte, edits ...edit) []byte {
	t.Helper()
	var doc any
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatal(err)
	}
	for _, e := range edits {
		doc = apply(t, doc, strings.Split(e.pointer, "/")[1:], e.value)
	}
	out, err := json.Marshal(doc, json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func apply(t testing.TB, at any, steps []string, value any) any {
	t.Helper()
	if len(steps) == 0 {
		return value
	}
	switch node := at.(type) {
	case map[string]any:
		if len(steps) == 1 && value == any(remove) {
			delete(node, steps[0])
			return node
		}
		next, ok := node[steps[0]]
		if !ok && len(steps) > 1 {
			next = map[string]any{}
		}
		node[steps[0]] = apply(t, next, steps[1:], value)
		return node
	case []any:
		if steps[0] == "-" {
			return append(node, value)
		}
		i, err := strconv.Atoi(steps[0])
		if err != nil || i >= len(node) {
			t.Fatalf("no place %v", steps)
		}
		node[i] = apply(t, node[i], steps[1:], value)
		return node
	}
	t.Fatalf("no place %v in %T", steps, at)
	return nil
}

// compare runs a request that must succeed.
func compare(t testing.TB, svc *service.Service, body []byte) *service.ComparisonResponse {
	t.Helper()
	r, err := svc.Compare(context.Background(), body)
	if err != nil {
		for _, f := range service.Faults(err) {
			t.Log(f.Pointer, f.Code, f.Detail)
		}
		t.Fatal(err)
	}
	return r
}

// faults runs a request that must fail as one that cannot be computed.
func faults(t testing.TB, svc *service.Service, body []byte) []fault.Fault {
	t.Helper()
	_, err := svc.Compare(context.Background(), body)
	var e *service.Error
	if !errors.As(err, &e) || e.Code != service.Invalid {
		t.Fatalf("want a request that cannot be computed, got %v", err)
	}
	return e.Faults
}

// wantFault finds a fault by pointer and code; its detail must have every part.
func wantFault(t *testing.T, list []fault.Fault, pointer, code string, parts ...string) {
	t.Helper()
	for _, f := range list {
		if string(f.Pointer) != pointer || f.Code != code {
			continue
		}
		for _, p := range parts {
			if !strings.Contains(f.Detail, p) {
				t.Errorf("%s %s: %q does not say %q", pointer, code, f.Detail, p)
			}
		}
		return
	}
	t.Errorf("no fault %s at %s in %+v", code, pointer, list)
}

func wantStatement(t *testing.T, list []service.Statement, code string, parts ...string) {
	t.Helper()
	for _, s := range list {
		if s.Code != code {
			continue
		}
		for _, p := range parts {
			if !strings.Contains(s.Message, p) {
				t.Errorf("%s: %q does not say %q", code, s.Message, p)
			}
		}
		return
	}
	t.Errorf("nothing says %s: %+v", code, list)
}

// printed rounds to the digits that a source prints.
func printed(d decimal.Decimal, places int32) string { return d.RoundBank(places).StringFixed(places) }

func dec(s string) decimal.Decimal { return decimal.RequireFromString(s) }

func demoMeta(t testing.TB) inventory.Meta {
	t.Helper()
	_, meta, err := inventory.ReadMeta(file(t, "../testdata/demo/inventory.json"))
	if err != nil {
		t.Fatal(err)
	}
	return meta
}

// evaluation is the plain alternative of the demo alone.
func evaluation(t testing.TB) []byte {
	t.Helper()
	var doc map[string]any
	if err := json.Unmarshal(request(t), &doc); err != nil {
		t.Fatal(err)
	}
	doc["alternative"] = doc["alternatives"].([]any)[0]
	delete(doc, "alternatives")
	delete(doc, "baseline")
	body, err := json.Marshal(doc, json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return body
}
