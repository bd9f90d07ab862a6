package api_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/go-json-experiment/json"

	"slabledger/api"
	"slabledger/inventory"
	"slabledger/inventory/postgres"
	"slabledger/inventory/sqlite"
	"slabledger/inventory/storetest"
	"slabledger/service"
)

// contract is openapi.yaml, loaded once for all tests: it never changes.
var contract = sync.OnceValue(func() *api.Contract {
	text, err := os.ReadFile("../openapi.yaml")
	if err != nil {
		panic(err)
	}
	c, err := api.LoadContract(text)
	if err != nil {
		panic(err)
	}
	return c
})

// fixture is a server over a fresh database with the demo region in it.
type fixture struct {
	*api.Server
	store inventory.Store
}

// opener makes a server over a store of one kind.
type opener func(testing.TB, api.Options) fixture

// onEachStore runs a test of operations that store on SQLite and on PostgreSQL.
func onEachStore(t *testing.T, test func(*testing.T, opener)) {
	t.Run("SQLite", func(t *testing.T) { test(t, newServer) })
	t.Run("PostgreSQL", func(t *testing.T) {
		test(t, func(t testing.TB, options api.Options) fixture {
			t.Helper()
			store, err := postgres.Open(t.Context(), storetest.Postgres(t))
			if err != nil {
				t.Fatal(err)
			}
			if err := stock(t.Context(), store); err != nil {
				t.Fatal(err)
			}
			return newServerOver(t, store, options)
		})
	})
}

// stocked is a SQLite file with the demo region in it, made once: the schema takes most
// of the time of a short test.
var stocked = sync.OnceValues(func() (content []byte, err error) {
	folder, err := os.MkdirTemp("", "stocked-")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	path := filepath.Join(folder, "test.db")
	store, err := sqlite.Open(context.Background(), path)
	if err != nil {
		return nil, err
	}
	if err := errors.Join(stock(context.Background(), store), store.Close()); err != nil {
		return nil, err
	}
	return os.ReadFile(path)
})

// stock publishes the demo region.
func stock(ctx context.Context, store inventory.Store) error {
	text, err := os.ReadFile("../testdata/demo/inventory.json")
	if err != nil {
		return err
	}
	slug, meta, err := inventory.ReadMeta(text)
	if err != nil {
		return err
	}
	items, err := os.ReadFile("../testdata/demo/items.csv")
	if err != nil {
		return err
	}
	_, _, err = service.New(store).Import(ctx, slug, meta, bytes.NewReader(items), "first")
	return err
}

// newServer makes a server over a SQLite file of the test's own.
func newServer(t testing.TB, options api.Options) fixture {
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
	return newServerOver(t, store, options)
}

// newServerOver makes a server over a store that has the demo region.
func newServerOver(t testing.TB, store inventory.Store, options api.Options) fixture {
	t.Helper()
	options.Hosts = append(options.Hosts, "example.com", "a") // those of httptest and of the raw requests
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	return fixture{api.New(service.New(store), contract(), options), store}
}

// publish adds a version of an inventory of the test's own.
func (f fixture) publish(t testing.TB, slug, csv string) {
	t.Helper()
	meta := inventory.Meta{Name: slug, Region: "QZ", Currency: "EUR", Invented: true}
	if _, _, err := service.New(f.store).Import(t.Context(), slug, meta, strings.NewReader(csv), "test"); err != nil {
		t.Fatal(err)
	}
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// demo is the demo comparison.
func demo(t testing.TB) string { return string(read(t, "../testdata/demo/comparison.json")) }

// with changes one member, or takes it out where the value is nil, and gives
// the body as JSON.
func with(t testing.TB, body, pointer string, value any) string {
	t.Helper()
	var document any
	if err := json.Unmarshal([]byte(body), &document); err != nil {
		t.Fatal(err)
	}
	steps := strings.Split(pointer, "/")[1:]
	last := steps[len(steps)-1]
	at := document
	for _, step := range steps[:len(steps)-1] {
		if list, ok := at.([]any); ok {
			i, err := strconv.Atoi(step)
			if err != nil {
				t.Fatal(err)
			}
			at = list[i]
			continue
		}
		at = at.(map[string]any)[step]
	}
	switch at := at.(type) {
	case []any:
		i, err := strconv.Atoi(last)
		if err != nil {
			t.Fatal(err)
		}
		at[i] = value
	case map[string]any:
		if value == nil {
			delete(at, last)
		} else {
			at[last] = value
		}
	}
	out, err := json.Marshal(document)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

func get(path string, headers ...string) *http.Request {
	return request(http.MethodGet, path, nil, headers...)
}

func post(path, body string, headers ...string) *http.Request {
	return request(http.MethodPost, path, strings.NewReader(body), append([]string{"Content-Type", "application/json"}, headers...)...)
}

// request makes a request; headers are names and values in turn.
func request(method, path string, body io.Reader, headers ...string) *http.Request {
	r := httptest.NewRequest(method, path, body)
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	return r
}

func (f fixture) do(r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	f.ServeHTTP(w, r)
	return w
}

// problem is the document of RFC 9457 as a client reads it.
type problem struct {
	Type     string `json:"type"`
	Title    string `json:"title"`
	Status   int    `json:"status"`
	Detail   string `json:"detail"`
	Instance string `json:"instance"`
	Errors   []struct {
		Pointer string `json:"pointer"`
		Code    string `json:"code"`
		Detail  string `json:"detail"`
	} `json:"errors"`
}

// problemOf reads an answer that must be a problem of the contract.
func problemOf(t testing.TB, status int, header http.Header, body []byte) problem {
	t.Helper()
	var p problem
	if got := header.Get("Content-Type"); got != "application/problem+json" {
		t.Fatalf("status %d: Content-Type %q, body %.200q", status, got, body)
	}
	checkSchema(t, contract().Document().Components.Schemas["Problem"].Value, body)
	if err := json.Unmarshal(body, &p); err != nil {
		t.Fatal(err)
	}
	if p.Status != status {
		t.Errorf("the problem says status %d, the answer has %d", p.Status, status)
	}
	if p.Instance != "urn:uuid:"+header.Get("X-Request-Id") {
		t.Errorf("instance %q, request id %q", p.Instance, header.Get("X-Request-Id"))
	}
	return p
}

// checkAnswer checks an answer against what the contract says of the operation.
func checkAnswer(t testing.TB, operationID string, w *httptest.ResponseRecorder) {
	t.Helper()
	for _, o := range contract().Operations() {
		if o.ID != operationID {
			continue
		}
		responses := contract().Document().Paths.Value(o.Path).GetOperation(o.Method).Responses
		response := responses.Status(w.Code)
		if response == nil {
			response = responses.Default()
		}
		media := response.Value.Content.Get(w.Header().Get("Content-Type"))
		if media == nil {
			if w.Body.Len() > 0 {
				t.Errorf("%s %d: the contract has no content of type %q", operationID, w.Code, w.Header().Get("Content-Type"))
			}
			return
		}
		if strings.Contains(w.Header().Get("Content-Type"), "json") {
			checkSchema(t, media.Schema.Value, w.Body.Bytes())
		}
		return
	}
	t.Fatalf("the contract has no operation %s", operationID)
}

func checkSchema(t testing.TB, schema *openapi3.Schema, body []byte) {
	t.Helper()
	var value any
	if err := json.Unmarshal(body, &value); err != nil {
		t.Fatalf("not JSON: %v: %.200q", err, body)
	}
	if err := schema.VisitJSON(value, openapi3.MultiErrors(), openapi3.DisableSchemaErrorDetails()); err != nil {
		t.Errorf("the answer does not fit the contract: %v", err)
	}
}
