package api_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"
	"github.com/labstack/echo/v4"

	"slabledger/api"
	"slabledger/api/pages"
)

const fixedID = "00000000-0000-4000-8000-000000000000"

// withPanic is a server with a route that fails, which no real one has.
func withPanic(t *testing.T, options api.Options) fixture {
	server := newServer(t, options)
	server.Router().GET("/test/panic", func(echo.Context) error { panic("the secret of the house") })
	return server
}

var hashOfStyle = regexp.MustCompile(`'sha256-[A-Za-z0-9+/]{43}='`)

// hashOf is the hash of a request.
func hashOf(t testing.TB, server fixture, request string) string {
	t.Helper()
	var answer struct {
		RequestHash string `json:"request_hash"`
	}
	if err := json.Unmarshal(server.do(post("/v1/comparisons", request)).Body.Bytes(), &answer); err != nil {
		t.Fatal(err)
	}
	return answer.RequestHash
}

// The headers of every kind of answer, in full.
func TestHeadersOfEveryStatus(t *testing.T) {
	server := withPanic(t, api.Options{NewID: func() string { return fixedID }})
	broken := newServer(t, api.Options{NewID: func() string { return fixedID }})
	if err := broken.store.Close(); err != nil {
		t.Fatal(err)
	}
	closed := newKeyed(t, api.Options{NewID: func() string { return fixedID }})
	now := time.Now()
	limited := newKeyed(t, api.Options{NewID: func() string { return fixedID }, Now: func() time.Time { return now }})
	for range 10 {
		limited.do(bearer(get("/v1/inventories"), "slk_0"))
	}
	base := demo(t)
	published := server.do(get("/v1/inventories/demo/versions/1/items/ggbs")).Header().Get("ETag")

	const (
		apiPolicy   = "default-src 'none'; frame-ancestors 'none'"
		pagePolicy  = "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
		formPolicy  = "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
		sheetPolicy = "default-src 'none'; style-src 'hash'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
		forever     = "private, max-age=31536000, immutable"
	)
	headers := func(contentType, policy, cache string, more ...string) map[string]string {
		h := map[string]string{"X-Request-Id": fixedID, "X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer",
			"Content-Security-Policy": policy, "Cache-Control": cache, "Vary": "Accept-Encoding"}
		if contentType != "" {
			h["Content-Type"] = contentType
		}
		for i := 0; i < len(more); i += 2 {
			h[more[i]] = more[i+1]
		}
		return h
	}
	refused := func(more ...string) map[string]string {
		return headers("application/problem+json", apiPolicy, "no-store", more...)
	}
	for _, c := range []struct {
		status  int
		server  fixture
		request *http.Request
		want    map[string]string
	}{
		{200, server, post("/v1/comparisons", base), headers("application/json", apiPolicy, "no-store", "Vary", "Accept-Encoding, Accept")},
		{200, server, post("/v1/comparisons", base, "Accept", workbookType), headers(workbookType, apiPolicy, "no-store", "Vary", "Accept-Encoding, Accept", "Etag", "hash", "Content-Disposition", `attachment; filename="comparison-`+hashOf(t, server, base)[:12]+`.xlsx"`)},
		{200, server, post("/v1/grids", gridOf(t)), headers("application/json", apiPolicy, "no-store", "Vary", "Accept-Encoding, Accept")},
		{200, server, post("/v1/grids", gridOf(t), "Accept", "text/csv"), headers("text/csv; charset=utf-8", apiPolicy, "no-store", "Vary", "Accept-Encoding, Accept")},
		{200, server, post("/v1/mixes/check", planned), headers("application/json", apiPolicy, "no-store", "Vary", "Accept-Encoding, Accept")},
		{200, server, post("/v1/mixes/check", planned, "Accept", "text/html"), headers("text/html; charset=utf-8", sheetPolicy, "no-store", "Vary", "Accept-Encoding, Accept")},
		{200, server, get("/v1/inventories"), headers("application/json", apiPolicy, "no-store")},
		{200, server, get("/v1/inventories/demo/versions/1/items/ggbs"), headers("application/json", apiPolicy, forever, "Etag", "hash")},
		{200, server, get("/v1/inventories/demo/versions/1/items?limit=1"), headers("application/json", apiPolicy, forever, "Etag", "hash", "Link", "next")},
		{200, server, get("/v1/inventories/demo/versions/1/items/diesel"), headers("application/json", apiPolicy, forever, "Etag", "hash")},
		{200, server, get("/docs"), headers("text/html; charset=utf-8", pagePolicy, "no-cache", "Etag", "hash")},
		{200, server, get("/upload"), headers("text/html; charset=utf-8", formPolicy, "no-store", "Referrer-Policy", "same-origin")},
		{200, server, filled(t, false, "inventory", "demo", "file:a.csv", "code,category,name,unit\nx,water,X,m3\n"), headers("text/html; charset=utf-8", formPolicy, "no-store", "Referrer-Policy", "same-origin")},
		{201, server, filled(t, true, "inventory", "demo", "note", "n", "file:a.csv", "code,category,name,unit\nx,water,X,m3\n"), headers("text/html; charset=utf-8", formPolicy, "no-store", "Referrer-Policy", "same-origin", "Location", "/v1/inventories/demo/versions/2")},
		{200, server, get("/docs/style.css"), headers("text/css; charset=utf-8", apiPolicy, "no-cache", "Etag", "hash")},
		{200, server, get("/docs/problems/not-found"), headers("text/html; charset=utf-8", pagePolicy, "no-cache", "Etag", "hash")},
		{200, server, get("/openapi.yaml"), headers("application/yaml", apiPolicy, "no-cache", "Etag", "hash")},
		{200, server, get("/healthz"), headers("application/json", apiPolicy, "no-store")},
		{200, server, get("/readyz"), headers("application/json", apiPolicy, "no-store")},
		{200, server, get("/metrics"), headers("text/plain; version=0.0.4; charset=utf-8; escaping=underscores", apiPolicy, "no-store", "Vary", "Accept-Encoding, Accept")},
		{204, server, request(http.MethodOptions, "/v1/inventories", nil), headers("", apiPolicy, "no-store", "Allow", "OPTIONS, GET, HEAD")},
		{200, server, get("/"), headers("text/html; charset=utf-8", pages.Policy, "no-store", "Referrer-Policy", "same-origin", "Vary", "Accept-Encoding, Accept-Language, Cookie")},
		{303, closed.fixture, get("/"), headers("", apiPolicy, "no-store", "Location", "/sign-in?to=%2F")},
		{404, server, get("/comparison"), headers("text/html; charset=utf-8", pages.Policy, "no-store", "Referrer-Policy", "same-origin", "Vary", "Accept-Encoding, Accept-Language, Cookie")},
		{304, server, get("/v1/inventories/demo/versions/1/items/ggbs", "If-None-Match", published), headers("", apiPolicy, forever, "Etag", "hash")},
		{400, server, post("/v1/comparisons", "{"), refused()},
		{401, closed.fixture, get("/v1/inventories"), refused("Www-Authenticate", `Bearer realm="slabledger"`)},
		{401, closed.fixture, bearer(get("/v1/inventories"), "slk_0"), refused("Www-Authenticate", `Bearer realm="slabledger", error="invalid_token"`)},
		{401, closed.fixture, filled(t, false, "file:a.csv", "x"), headers("text/html; charset=utf-8", formPolicy, "no-store", "Referrer-Policy", "same-origin", "Www-Authenticate", `Bearer realm="slabledger"`)},
		{403, closed.fixture, bearer(get("/v1/journal"), closed.secrets["analyst"]), refused("Www-Authenticate", `Bearer realm="slabledger", error="insufficient_scope", scope="admin"`)},
		{404, server, get("/nowhere"), refused()},
		{404, server, get("/v1/inventories/demo/versions/7/items"), refused()},
		{405, server, request(http.MethodPut, "/v1/inventories", nil), refused("Allow", "OPTIONS, GET, HEAD")},
		{405, server, request(http.MethodTrace, "/v1/comparisons", nil), refused("Allow", "OPTIONS, POST")},
		{406, server, get("/v1/inventories", "Accept", "text/html"), refused()},
		{413, server, post("/v1/comparisons", strings.Repeat(" ", api.MaxBodyBytes+1)), refused("Connection", "close")},
		{415, server, post("/v1/comparisons", base, "Content-Type", "text/plain"), refused("Accept", "application/json")},
		{415, server, post("/v1/comparisons", base, "Content-Encoding", "gzip"), refused("Accept-Encoding", "identity")},
		{422, server, post("/v1/comparisons", "{}"), refused()},
		{429, limited.fixture, bearer(get("/v1/inventories"), "slk_0"), refused("Retry-After", "6")},
		{500, server, get("/test/panic"), refused()},
		{503, broken, get("/readyz"), refused("Retry-After", "2")},
	} {
		name := fmt.Sprintf("%d %s %s", c.status, c.request.Method, c.request.URL.Path)
		w := c.server.do(c.request)
		if w.Code != c.status {
			t.Errorf("%s: status %d %.200s", name, w.Code, w.Body)
		}
		got := map[string]string{}
		for key, values := range w.Header() {
			got[key] = strings.Join(values, ", ")
		}
		delete(got, "Content-Length")
		if tag := got["Etag"]; len(tag) == 66 {
			got["Etag"] = "hash"
		}
		got["Content-Security-Policy"] = hashOfStyle.ReplaceAllString(got["Content-Security-Policy"], "'hash'")
		if strings.HasSuffix(got["Link"], `; rel="next"`) {
			got["Link"] = "next"
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s: want (-), got (+):\n%s", name, diff)
		}
	}
}

// A panic is a problem without its text, the process lives, and the log has the
// cause under the request's id.
func TestPanicIsAProblem(t *testing.T) {
	var log bytes.Buffer
	server := withPanic(t, api.Options{Logger: slog.New(slog.NewJSONHandler(&log, nil)), NewID: func() string { return fixedID }})
	w := server.do(get("/test/panic"))
	p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
	if w.Code != 500 || p.Type != "/docs/problems/internal" {
		t.Errorf("%d %s", w.Code, p.Type)
	}
	if strings.Contains(w.Body.String(), "secret") {
		t.Errorf("the client learns %s", w.Body)
	}
	if !strings.Contains(log.String(), "the secret of the house") || !strings.Contains(log.String(), fixedID) {
		t.Errorf("the log does not have the cause: %s", log.String())
	}
	if w := server.do(get("/healthz")); w.Code != http.StatusOK {
		t.Errorf("after a panic: %d", w.Code)
	}
}

// One request is one line of the log, whatever the client writes.
func TestLogKeepsToOneLine(t *testing.T) {
	var log bytes.Buffer
	server := newServer(t, api.Options{Logger: slog.New(slog.NewJSONHandler(&log, nil))})
	r := get("/v1/inventories/a%0a%7b%22level%22:%22ERROR%22%7d%1b%5b2J?q=secret")
	r.Method = "GET\nX"
	server.do(r)
	lines := strings.Split(strings.TrimSuffix(log.String(), "\n"), "\n")
	if len(lines) != 1 || strings.ContainsRune(lines[0], 0x1b) || strings.Contains(lines[0], "secret") {
		t.Fatalf("%q", log.String())
	}
	var line map[string]any
	if err := json.Unmarshal([]byte(lines[0]), &line); err != nil {
		t.Fatal(err)
	}
	got := slices.Sorted(maps.Keys(line))
	if diff := cmp.Diff([]string{"actor", "bytes", "level", "method", "microseconds", "msg", "path", "remote", "request_id", "route", "status", "time"}, got); diff != "" {
		t.Error(diff)
	}
}

// The same request has the same answer, byte for byte, on any server with the
// same inventory.
func TestEqualRequestsHaveEqualAnswers(t *testing.T) {
	one, other := newServer(t, api.Options{}), newServer(t, api.Options{})
	base := demo(t)
	first := one.do(post("/v1/comparisons", base))
	checkAnswer(t, "compare", first)
	if first.Code != http.StatusOK {
		t.Fatalf("%d %.300s", first.Code, first.Body)
	}
	for _, server := range []fixture{one, other} {
		if again := server.do(post("/v1/comparisons", base)); !bytes.Equal(first.Body.Bytes(), again.Body.Bytes()) {
			t.Error("the answers differ")
		}
	}
}

// Answers of 1 KiB and more are compressed for who accepts it; the content is
// the same, and its validator is another.
func TestGzip(t *testing.T) {
	server := newServer(t, api.Options{})
	plain := server.do(post("/v1/comparisons", demo(t)))
	packed := server.do(post("/v1/comparisons", demo(t), "Accept-Encoding", "gzip"))
	if got := packed.Header().Get("Content-Encoding"); got != "gzip" {
		t.Fatalf("Content-Encoding %q", got)
	}
	reader, err := gzip.NewReader(packed.Body)
	if err != nil {
		t.Fatal(err)
	}
	unpacked, err := io.ReadAll(reader)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(plain.Body.Bytes(), unpacked) {
		t.Error("the compressed answer differs")
	}
	for _, refusal := range []*http.Request{get("/healthz", "Accept-Encoding", "gzip"), post("/v1/comparisons", demo(t), "Accept-Encoding", "gzip;q=0"), post("/v1/comparisons", demo(t))} {
		if got := server.do(refusal).Header().Get("Content-Encoding"); got != "" {
			t.Errorf("%s: Content-Encoding %q", refusal.URL, got)
		}
	}

	const path = "/v1/inventories/demo/versions/1/items"
	tag := server.do(get(path)).Header().Get("ETag")
	packedTag := server.do(get(path, "Accept-Encoding", "gzip")).Header().Get("ETag")
	if tag == packedTag || tag == "" {
		t.Errorf("plain %s, compressed %s", tag, packedTag)
	}
	for _, have := range []string{tag, packedTag, "W/" + tag, `"other", ` + tag, "*"} {
		w := server.do(get(path, "If-None-Match", have))
		if w.Code != http.StatusNotModified || w.Body.Len() > 0 {
			t.Errorf("If-None-Match %s: %d", have, w.Code)
		}
	}
	if w := server.do(get(path, "If-None-Match", `"other"`)); w.Code != http.StatusOK {
		t.Errorf("another validator: %d", w.Code)
	}
}

// HEAD has the headers of GET.
func TestHead(t *testing.T) {
	server := newServer(t, api.Options{})
	for _, path := range []string{"/healthz", "/docs", "/v1/inventories", "/openapi.yaml"} {
		g, h := server.do(get(path)), server.do(request(http.MethodHead, path, nil))
		if h.Code != g.Code || h.Header().Get("Content-Type") != g.Header().Get("Content-Type") || h.Header().Get("ETag") != g.Header().Get("ETag") {
			t.Errorf("%s: %d %v", path, h.Code, h.Header())
		}
	}
}

// What clients make up becomes no new series.
func TestMetricsStaySmall(t *testing.T) {
	server := newServer(t, api.Options{})
	series := func() int {
		w := server.do(get("/metrics"))
		return strings.Count(w.Body.String(), "http_server_request_duration_seconds_count{")
	}
	server.do(get("/nowhere"))
	server.do(request("BREW", "/nowhere", nil))
	server.do(get("/v1/inventories/nowhere"))
	series() // which is itself a route
	before := series()
	random := rand.New(rand.NewPCG(3, 4))
	for range 10_000 {
		path := fmt.Sprintf("/%x/%x", random.Uint64(), random.Uint32())
		switch random.IntN(3) {
		case 0:
			server.do(get(path))
		case 1:
			server.do(get("/v1/inventories" + path[:9]))
		case 2:
			server.do(request("X"+path[1:9], path, nil))
		}
	}
	if after := series(); after != before {
		t.Errorf("%d series became %d", before, after)
	}
	text := server.do(get("/metrics")).Body.String()
	for _, want := range []string{
		`http_server_request_duration_seconds_count{method="_OTHER",route="unmatched",status="404"}`,
		`http_server_request_duration_seconds_count{method="GET",route="/v1/inventories/:slug",status="404"}`,
		"go_goroutines", "process_resident_memory_bytes",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %s", want)
		}
	}
}

// Where the store fails, the answer says so and nothing of why.
func TestStoreAway(t *testing.T) {
	server := newServer(t, api.Options{})
	if w := server.do(get("/readyz")); w.Code != http.StatusOK || w.Body.String() != "{\"status\":\"ready\"}\n" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	late, cancel := context.WithTimeout(t.Context(), -time.Second)
	defer cancel()
	w := server.do(get("/v1/inventories").WithContext(late))
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != 503 || p.Type != "/docs/problems/service-unavailable" || w.Header().Get("Retry-After") == "" {
		t.Errorf("%d %+v", w.Code, p)
	}
	if err := server.store.Close(); err != nil {
		t.Fatal(err)
	}
	for path, status := range map[string]int{"/healthz": 200, "/readyz": 503, "/docs": 200} {
		if w := server.do(get(path)); w.Code != status {
			t.Errorf("%s: %d, want %d", path, w.Code, status)
		}
	}
	for _, r := range []*http.Request{get("/v1/inventories"), post("/v1/comparisons", demo(t))} {
		w := server.do(r)
		problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		if w.Code < 500 || strings.Contains(w.Body.String(), "sql") {
			t.Errorf("%s: %d %s", r.URL, w.Code, w.Body)
		}
	}
}

// Without keys, nobody but this machine may reach the port.
func TestListen(t *testing.T) {
	for _, address := range []string{"", "8080", ":8080", "0.0.0.0:0", "[::]:0", "192.0.2.1:80", "example.com:80", "127.0.0.1", "127.0.0.1:http", "127.0.0.1:-1", "127.0.0.1:70000", "0:0", "127.1:0"} {
		if l, err := api.Listen(address, false); err == nil {
			t.Errorf("%q: listens on %s", address, l.Addr())
			l.Close()
		} else if !strings.Contains(err.Error(), address) {
			t.Errorf("%q: %v", address, err)
		}
	}
	for _, address := range []string{"127.0.0.1:0", "localhost:0"} {
		l, err := api.Listen(address, false)
		if err != nil {
			t.Errorf("%q: %v", address, err)
			continue
		}
		if !strings.HasPrefix(l.Addr().String(), "127.0.0.1:") {
			t.Errorf("%q: listens on %s", address, l.Addr())
		}
		l.Close()
	}
}

// With keys, others may reach it too; what names no address of the machine is still
// refused.
func TestListenWithKeys(t *testing.T) {
	for _, address := range []string{"", "8080", "example.com:80", "127.0.0.1", "127.0.0.1:http", "127.0.0.1:-1", "127.1:0"} {
		if l, err := api.Listen(address, true); err == nil {
			t.Errorf("%q: listens on %s", address, l.Addr())
			l.Close()
		} else if !strings.Contains(err.Error(), address) {
			t.Errorf("%q: %v", address, err)
		}
	}
	for _, address := range []string{"127.0.0.1:0", "0.0.0.0:0", ":0"} {
		l, err := api.Listen(address, true)
		if err != nil {
			t.Errorf("%q: %v", address, err)
			continue
		}
		l.Close()
	}
}

func BenchmarkComparison(b *testing.B) {
	server, body := newServer(b, api.Options{}), demo(b)
	b.ReportAllocs()
	for b.Loop() {
		w := httptest.NewRecorder()
		server.ServeHTTP(w, post("/v1/comparisons", body))
		if w.Code != http.StatusOK {
			b.Fatal(w.Body)
		}
	}
}

func BenchmarkCheckBody(b *testing.B) {
	body := []byte(demo(b))
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		if err := checked("compare", body); err != nil {
			b.Fatal(err)
		}
	}
}
