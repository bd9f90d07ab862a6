package api_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"
	"github.com/labstack/echo/v4"

	"slabledger/api"
	"slabledger/inventory"
	"slabledger/service"
)

// keyAnswer is a key as a client reads it.
type keyAnswer struct {
	ID     string `json:"id"`
	Name   string `json:"name"`
	Role   string `json:"role"`
	State  string `json:"state"`
	Secret string `json:"secret"`
}

func keyOf(t testing.TB, w *httptest.ResponseRecorder) (k keyAnswer) {
	t.Helper()
	checkAnswer(t, "createKey", w)
	if err := json.Unmarshal(w.Body.Bytes(), &k); err != nil || w.Code != http.StatusCreated {
		t.Fatalf("%d %v %s", w.Code, err, w.Body)
	}
	return k
}

// createKey makes a key over HTTP, with a request of that name.
func createKey(t testing.TB, server fixture, name, role, secret string) keyAnswer {
	t.Helper()
	r := post("/v1/keys", `{"name":"`+name+`","role":"`+role+`"}`, "Idempotency-Key", name)
	if secret != "" {
		bearer(r, secret)
	}
	return keyOf(t, server.do(r))
}

// A name is text of visible ASCII, bare or as a string of RFC 8941; both forms are one
// name.
func TestIdempotencyKeyHeader(t *testing.T) { onEachStore(t, testIdempotencyKeyHeader) }

func testIdempotencyKeyHeader(t *testing.T, newServer opener) {
	server := newServer.keyed(t, api.Options{})
	body := `{"name":"a","role":"viewer"}`
	send := func(names ...string) *httptest.ResponseRecorder {
		r := bearer(post("/v1/keys", body), server.secrets["admin"])
		r.Header["Idempotency-Key"] = names
		return server.do(r)
	}
	w := send()
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != 400 || p.Type != "/docs/problems/idempotency-key-missing" {
		t.Errorf("none: %d %s", w.Code, p.Type)
	}
	for _, names := range [][]string{{""}, {`""`}, {`"`}, {"a", "a"}, {"a b"}, {"a\tb"}, {"é"}, {`"é"`}, {`"a`}, {`"a"b"`}, {`"a\n"`}, {`"a\"`}, {"a\x7f"},
		{strings.Repeat("x", 256)}, {`"` + strings.Repeat("x", 256) + `"`}, {strings.Repeat("x", 10_000)}} {
		w := send(names...)
		if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != 400 || p.Type != "/docs/problems/malformed-request" {
			t.Errorf("%.40q: %d %s", names, w.Code, p.Type)
		}
	}
	for _, same := range [][2]string{{"7f1c-22", `"7f1c-22"`}, {`a\b"c`, `"a\\b\"c"`}, {`"two words"`, ` "two words"  `}, {strings.Repeat("x", 255), `"` + strings.Repeat("x", 255) + `"`}, {`"!~"`, "!~"}} {
		first, second := keyOf(t, send(same[0])), send(same[1])
		if again := keyOf(t, second); again.ID != first.ID || second.Header().Get("Idempotent-Replayed") != "true" {
			t.Errorf("%q and %q: %s, %s", same[0], same[1], first.ID, again.ID)
		}
	}
	if w := send("7F1C-22"); w.Header().Get("Idempotent-Replayed") != "" {
		t.Error("names that differ in case are taken for one")
	}
}

// A request whose answer was lost is sent again, to another server on the same
// database: it makes nothing twice and has the same answer, but for the secret, which
// is kept nowhere.
func TestLostAnswer(t *testing.T) { onEachStore(t, testLostAnswer) }

func testLostAnswer(t *testing.T, newServer opener) {
	server := newServer.keyed(t, api.Options{})
	restarted := fixture{api.New(service.New(server.store), contract(), api.Options{Hosts: []string{"example.com"}}), server.store}
	request := func(body string) *http.Request {
		return bearer(post("/v1/keys", body, "Idempotency-Key", "lost"), server.secrets["admin"])
	}
	const body = `{"name":"a","role":"viewer","expires_at":"2099-12-31"}`
	lost := server.do(request(body))
	first := keyOf(t, lost)
	if first.Secret == "" || lost.Header().Get("Idempotent-Replayed") != "" || lost.Header().Get("Cache-Control") != "no-store" {
		t.Errorf("%+v %v", first, lost.Header())
	}
	without := strings.Replace(lost.Body.String(), `,"secret":"`+first.Secret+`"`, "", 1)
	for _, again := range []fixture{server.fixture, restarted} {
		w := again.do(request(body))
		if diff := cmp.Diff(without, w.Body.String()); diff != "" || w.Code != http.StatusCreated {
			t.Errorf("%d: %s", w.Code, diff)
		}
		checkAnswer(t, "createKey", w)
		for _, header := range []string{"Location", "Content-Type", "Cache-Control"} {
			if w.Header().Get(header) != lost.Header().Get(header) {
				t.Errorf("%s: %q, was %q", header, w.Header().Get(header), lost.Header().Get(header))
			}
		}
		if w.Header().Get("Idempotent-Replayed") != "true" {
			t.Error("it does not say that it was replayed")
		}
	}
	if w := server.do(bearer(get(lost.Header().Get("Location")), server.secrets["admin"])); w.Code != http.StatusOK || w.Body.String() != without {
		t.Errorf("at its location: %d %s", w.Code, w.Body)
	}
	// Another body under the name is another request.
	for _, body := range []string{`{"name":"b","role":"viewer"}`, body + " "} {
		w := server.do(request(body))
		if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != 422 || p.Type != "/docs/problems/idempotency-key-reused" {
			t.Errorf("%d %s", w.Code, p.Type)
		}
	}
	// Of another key the name is another name.
	other := createKey(t, server.fixture, "another-admin", "admin", server.secrets["admin"])
	r := request(body)
	if w := server.do(bearer(r, other.Secret)); w.Header().Get("Idempotent-Replayed") != "" || keyOf(t, w).ID == first.ID {
		t.Errorf("the request of another: %s", w.Body)
	}
	keys, err := server.store.Keys(t.Context())
	if err != nil || len(keys) != 4+3 {
		t.Errorf("%d keys, %v", len(keys), err)
	}
}

// What was refused is not remembered: mended, it may come under the same name.
func TestRefusedIsNotRemembered(t *testing.T) { onEachStore(t, testRefusedIsNotRemembered) }

func testRefusedIsNotRemembered(t *testing.T, newServer opener) {
	server := newServer.keyed(t, api.Options{})
	for body, want := range map[string]int{
		`{"name":"a"}`:                                           422,
		`{"name":"a","role":"root"}`:                             422,
		`{"name":"a","role":"viewer","id":"key"}`:                422,
		`{"name":"a\u202e","role":"viewer"}`:                     422,
		`{"name":"a","role":"viewer","role":"x"}`:                400,
		`{"name":"a","role":"viewer","hash":"00"}`:               422,
		`{"name":"a","role":"viewer","expires_at":"2020-01-01"}`: 422,
		`{"name":"a","role":"viewer","created_at":"2020-01-01T00:00:00Z","state":"live","revoked_at":null}`: 422,
		`{"name":"` + strings.Repeat("x", 121) + `","role":"viewer"}`:                                       422,
		`{"name":"a","role":"viewer","expires_at":"2099-12-31","expires_at":"2099-12-31"}`:                  400,
		`{"name":"a","role":"viewer","expires_at":"2099-02-30"}`:                                            422,
	} {
		w := server.do(bearer(post("/v1/keys", body, "Idempotency-Key", "name"), server.secrets["admin"]))
		problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		if w.Code != want {
			t.Errorf("%.60s: %d, want %d: %s", body, w.Code, want, w.Body)
		}
	}
	createKey(t, server.fixture, "name", "viewer", server.secrets["admin"])
}

// Fifty equal requests at once make one key; one answer has its secret, and the others
// say that they are replayed.
func TestFiftyEqualRequests(t *testing.T) { onEachStore(t, testFiftyEqualRequests) }

func testFiftyEqualRequests(t *testing.T, newServer opener) {
	server := newServer.keyed(t, api.Options{})
	answers := make([]*httptest.ResponseRecorder, 50)
	var group sync.WaitGroup
	start := make(chan struct{})
	for n := range answers {
		group.Go(func() {
			<-start
			answers[n] = server.do(bearer(post("/v1/keys", `{"name":"a","role":"viewer"}`, "Idempotency-Key", "name"), server.secrets["admin"]))
		})
	}
	close(start)
	group.Wait()
	secrets, ids := 0, map[string]bool{}
	for _, w := range answers {
		k := keyOf(t, w)
		ids[k.ID] = true
		if (k.Secret == "") != (w.Header().Get("Idempotent-Replayed") == "true") {
			t.Errorf("%s %v", w.Body, w.Header())
		}
		if k.Secret != "" {
			secrets++
		}
	}
	if secrets != 1 || len(ids) != 1 {
		t.Errorf("%d secrets of %d keys", secrets, len(ids))
	}
}

// The answer to a request that stores is the result as GET shows it, byte for byte,
// the first time and every later time.
func TestAnswerIsTheResource(t *testing.T) { onEachStore(t, testAnswerIsTheResource) }

func testAnswerIsTheResource(t *testing.T, newServer opener) {
	server := newServer.keyed(t, api.Options{})
	const location = "/v1/inventories/demo/versions/1"
	svc := service.New(server.store)
	server.Router().POST("/test/store", func(c echo.Context) error {
		return server.Once(c, http.StatusCreated, []byte(c.Request().Header.Get("X-Content")), func(retry *inventory.Retry) (string, any, error) {
			_, _, err := svc.CreateKey(c.Request().Context(), service.NewKey{Name: "a", Role: "viewer"}, retry) // anything that stores
			return location, nil, err
		})
	})
	send := func(content string) *httptest.ResponseRecorder {
		r := bearer(post("/test/store", "", "Idempotency-Key", "name", "X-Content", content, "If-None-Match", "*"), server.secrets["viewer"])
		return server.do(r)
	}
	shown := server.do(bearer(get(location), server.secrets["viewer"]))
	first := send("a")
	if first.Code != http.StatusCreated || first.Body.String() != shown.Body.String() || first.Header().Get("Location") != location ||
		first.Header().Get("Cache-Control") != "no-store" || first.Header().Get("ETag") != shown.Header().Get("ETag") {
		t.Errorf("%d %v %s", first.Code, first.Header(), first.Body)
	}
	if other := send("b"); other.Code != http.StatusUnprocessableEntity {
		t.Errorf("another content: %d", other.Code)
	}
}

// A name belongs to one address: at another it is taken, whichever operation is there.
func TestNameBelongsToOneAddress(t *testing.T) { onEachStore(t, testNameBelongsToOneAddress) }

func testNameBelongsToOneAddress(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	request := with(t, demo(t), "/inventory", "demo@1")
	study := func() *http.Request {
		return post("/v1/studies", `{"name":"a","request":`+request+`}`, "Idempotency-Key", "name")
	}
	if w := server.do(study()); w.Code != http.StatusCreated {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	w := server.do(post("/v1/jobs", jobBody("comparison", request), "Idempotency-Key", "name"))
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != http.StatusUnprocessableEntity || p.Type != "/docs/problems/idempotency-key-reused" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := server.do(study()); w.Code != http.StatusCreated || w.Header().Get("Idempotent-Replayed") != "true" {
		t.Errorf("again: %d %s", w.Code, w.Body)
	}
}
