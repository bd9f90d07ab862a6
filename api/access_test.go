package api_test

import (
	"bytes"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"

	"slabledger/api"
	"slabledger/inventory"
	"slabledger/service"
)

// keyed is a server with a key of each role, and one that has ended.
type keyed struct {
	fixture
	secrets map[string]string // by role, and "revoked"
}

func newKeyed(t testing.TB, options api.Options) keyed { return opener(newServer).keyed(t, options) }

// keyed makes a server with a key of each kind.
func (newServer opener) keyed(t testing.TB, options api.Options) keyed {
	t.Helper()
	k := keyed{newServer(t, options), map[string]string{}}
	svc := service.New(k.store)
	for _, name := range []string{"viewer", "analyst", "admin", "revoked"} {
		role := name
		if name == "revoked" {
			role = "admin"
		}
		key, secret, err := svc.CreateKey(t.Context(), service.NewKey{Name: name, Role: role}, nil)
		if err != nil {
			t.Fatal(err)
		}
		k.secrets[name] = secret
		if name == "revoked" {
			if err := svc.RevokeKey(t.Context(), key.ID); err != nil {
				t.Fatal(err)
			}
		}
	}
	return k
}

// bearer sends a secret with a request.
func bearer(r *http.Request, secret string) *http.Request {
	r.Header.Set("Authorization", "Bearer "+secret)
	return r
}

// from makes a request one of another client.
func from(r *http.Request, n int) *http.Request {
	r.RemoteAddr = fmt.Sprintf("198.51.%d.%d:4711", n/256, n%256)
	return r
}

// example is a request to an operation, which need not fit.
func example(o api.Operation) *http.Request {
	return request(o.Method, pathOf(o), strings.NewReader("{}"), "Content-Type", "application/json", "Idempotency-Key", "name", "If-Match", `"none"`)
}

// Each route for each role, for nobody, and for keys that are none: who may not is
// told so and changes nothing, who may is not told so.
func TestEveryRouteForEveryRole(t *testing.T) { onEachStore(t, testEveryRouteForEveryRole) }

func testEveryRouteForEveryRole(t *testing.T, newServer opener) {
	for _, open := range []bool{false, true} {
		server := newServer.keyed(t, api.Options{OpenReads: open})
		journal := func() int {
			entries, err := server.store.Journal(t.Context(), 0, 1000)
			if err != nil {
				t.Fatal(err)
			}
			return len(entries)
		}
		before, client, refused := journal(), 0, map[int]int{}
		send := func(o api.Operation, secret string) *httptest.ResponseRecorder {
			client++
			r := from(example(o), client)
			if secret != "" {
				bearer(r, secret)
			}
			w := server.do(r)
			if !o.Page() && (w.Code == http.StatusUnauthorized || w.Code == http.StatusForbidden) {
				problemOf(t, w.Code, w.Header(), w.Body.Bytes())
				checkAnswer(t, o.ID, w)
				refused[w.Code]++
			}
			return w
		}
		for _, o := range contract().Operations() {
			for who, secret := range map[string]string{"nobody": "", "a revoked key": server.secrets["revoked"], "no key at all": "slk_0"} {
				w := send(o, secret)
				free := o.Role == "" || (open && who == "nobody" && o.Role == inventory.Viewer)
				if o.Page() && o.Method == http.MethodGet && !free { // the page that asks for a key
					if to := w.Header().Get("Location"); w.Code != http.StatusSeeOther || !strings.HasPrefix(to, "/sign-in?to=") {
						t.Errorf("%s for %s (open %v): %d to %s", o.ID, who, open, w.Code, to)
					}
					continue
				}
				if o.ID == "signIn" { // which wants a key in its form
					continue
				}
				if got := w.Code == http.StatusUnauthorized; got == free {
					t.Errorf("%s for %s (open %v): %d", o.ID, who, open, w.Code)
				}
				challenge := w.Header().Get("WWW-Authenticate")
				want := `Bearer realm="slabledger"`
				if secret != "" {
					want += `, error="invalid_token"`
				}
				if !free && challenge != want {
					t.Errorf("%s for %s: WWW-Authenticate: %s, want %s", o.ID, who, challenge, want)
				}
			}
			for _, role := range inventory.Roles() {
				if o.Role != "" && role.May(o.Role) {
					continue // below, since it may change something
				}
				w := send(o, server.secrets[string(role)])
				want := fmt.Sprintf(`Bearer realm="slabledger", error="insufficient_scope", scope="%s"`, o.Role)
				if o.Role == "" && w.Code == http.StatusForbidden {
					t.Errorf("%s is open to all, and not to %s", o.ID, role)
				} else if o.Role != "" && (w.Code != http.StatusForbidden || w.Header().Get("WWW-Authenticate") != want) {
					t.Errorf("%s for %s: %d, WWW-Authenticate: %s", o.ID, role, w.Code, w.Header().Get("WWW-Authenticate"))
				}
			}
		}
		if after := journal(); after != before {
			t.Errorf("those who may not have changed something: %d entries became %d", before, after)
		}
		if refused[401] < 20 || refused[403] < 5 {
			t.Errorf("only %v were refused", refused)
		}
		for _, o := range contract().Operations() {
			for _, role := range inventory.Roles() {
				if o.Role != "" && role.May(o.Role) {
					if w := send(o, server.secrets[string(role)]); w.Code == 401 || w.Code == 403 || w.Code == 429 {
						t.Errorf("%s for %s: %d %s", o.ID, role, w.Code, w.Body)
					}
				}
			}
		}
	}
}

// A key is sent in one header, in one way.
func TestAuthorizationHeader(t *testing.T) {
	server := newKeyed(t, api.Options{})
	good := server.secrets["viewer"]
	for header, want := range map[string]int{
		"Bearer " + good: 200, "bearer " + good: 200, "BEARER  " + good + " ": 200,
		good: 401, "Basic " + good: 401, "Bearer": 401, "Bearer ": 401, "Bearer " + good + "," + good: 401, "Bearer " + strings.ToUpper(good): 401, "": 401,
	} {
		r := get("/v1/inventories")
		r.Header.Set("Authorization", header)
		w := server.do(r)
		if w.Code != want {
			t.Errorf("%.30q: %d, want %d", header, w.Code, want)
		}
		if w.Code != http.StatusOK {
			problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		}
	}
	r := bearer(get("/v1/inventories"), good)
	r.Header.Add("Authorization", "Bearer "+server.secrets["admin"])
	if w := server.do(r); w.Code != http.StatusBadRequest {
		t.Errorf("two keys: %d", w.Code)
	}
	// Without keys, one that is sent is still refused: whoever sends it means another
	// service.
	if w := newServer(t, api.Options{}).do(bearer(get("/v1/inventories"), good)); w.Code != http.StatusUnauthorized {
		t.Errorf("a key where there are none: %d", w.Code)
	}
}

// A key in an address is refused, good or not, and stands in no log.
func TestKeyInTheAddress(t *testing.T) {
	var log bytes.Buffer
	server := newKeyed(t, api.Options{Logger: slog.New(slog.NewJSONHandler(&log, nil))})
	good := server.secrets["admin"]
	for _, path := range []string{"/v1/inventories?access_token=" + good, "/v1/inventories?access_token=x", "/v1/inventories?key=" + good, "/v1/inventories?" + good,
		"/v1/inventories?q=%73lk%5f" + good[4:], "/v1/keys/" + good, "/v1/keys/%73lk_" + good[4:], "/nowhere/" + good, "/healthz?a=b&%zz" + good, "/docs?access_token=1"} {
		w := server.do(bearer(get(path), good))
		if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != 400 || p.Type != "/docs/problems/malformed-request" || !strings.Contains(p.Detail, "Revoke") {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
		if strings.Contains(w.Body.String(), good[4:20]) {
			t.Errorf("%s: the answer repeats it", path)
		}
	}
	if w := server.do(bearer(get("/v1/inventories/demo/versions/1/items?q=slk_"), good)); w.Code != 200 {
		t.Errorf("a search for the prefix: %d", w.Code)
	}
	if strings.Contains(log.String(), good[4:12]) || strings.Count(log.String(), `"msg":"request"`) != 11 || !strings.Contains(log.String(), `slk_***`) {
		t.Errorf("the log: %s", log.String())
	}
	// A secret that is sent as it should be is in no log either, good or bad.
	server.do(bearer(get("/v1/inventories"), server.secrets["revoked"]))
	if strings.Contains(log.String(), server.secrets["revoked"][4:12]) || !strings.Contains(log.String(), `"msg":"key refused"`) {
		t.Errorf("the log: %s", log.String())
	}
}

// Of a thousand bad keys from one address the first ten are answered, and then one in
// six seconds; keys that are good elsewhere, or were good before, are not held up.
func TestTooManyBadKeys(t *testing.T) {
	var log bytes.Buffer
	now := time.Now()
	server := newKeyed(t, api.Options{Logger: slog.New(slog.NewJSONHandler(&log, nil)), Now: func() time.Time { return now }})
	bad := func() *http.Request { return from(bearer(get("/v1/inventories"), server.secrets["revoked"]), 1) }
	if w := server.do(from(bearer(get("/v1/inventories"), server.secrets["analyst"]), 1)); w.Code != http.StatusOK {
		t.Fatalf("before: %d", w.Code)
	}
	for n := 1; n <= 1000; n++ {
		w := server.do(bad())
		p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		want, kind := 401, "unauthenticated"
		if n > 10 {
			want, kind = 429, "rate-limited"
		}
		if w.Code != want || p.Type != "/docs/problems/"+kind || (want == 429) != (w.Header().Get("Retry-After") == "6") {
			t.Fatalf("bad key %d: %d %s, Retry-After %q", n, w.Code, p.Type, w.Header().Get("Retry-After"))
		}
	}
	if n := strings.Count(log.String(), `"msg":"key refused"`); n != 10 {
		t.Errorf("%d lines of refused keys in the log", n)
	}
	for what, r := range map[string]*http.Request{
		"a good key of another client": from(bearer(get("/v1/inventories"), server.secrets["viewer"]), 2),
		"one never seen before":        from(bearer(get("/v1/inventories"), server.secrets["admin"]), 1),
		"one known to be good":         from(bearer(get("/v1/inventories"), server.secrets["analyst"]), 1),
		"what needs no key":            from(get("/healthz"), 1),
	} {
		if w := server.do(r); w.Code != http.StatusOK {
			t.Errorf("%s: %d", what, w.Code)
		}
	}
	now = now.Add(6 * time.Second)
	if w := server.do(bad()); w.Code != http.StatusUnauthorized {
		t.Errorf("when Retry-After is over: %d", w.Code)
	}
	if w := server.do(bad()); w.Code != http.StatusTooManyRequests {
		t.Errorf("and again at once: %d", w.Code)
	}
}

// Clients are told apart by address, networks of IPv6 by their first half, and behind
// a proxy on this machine by what the proxy says, which no other may say.
func TestClientsAreToldApart(t *testing.T) {
	server := newKeyed(t, api.Options{})
	send := func(remote, forwarded string) int {
		r := bearer(get("/v1/inventories"), "slk_0")
		r.RemoteAddr = remote
		if forwarded != "" {
			r.Header.Set("X-Forwarded-For", forwarded)
		}
		return server.do(r).Code
	}
	exhaust := func(remote, forwarded string) {
		t.Helper()
		for n := range 11 {
			if code := send(remote, forwarded); code != 401 && (n < 10 || code != 429) {
				t.Fatalf("%s for %s: %d", remote, forwarded, code)
			}
		}
	}
	exhaust("198.51.100.1:1", "")
	exhaust("[2001:db8::1]:1", "")
	exhaust("127.0.0.1:1", "192.0.2.9, 203.0.113.1")
	for _, c := range []struct {
		remote, forwarded string
		want              int
	}{
		{"198.51.100.1:2", "", 429}, {"[::ffff:198.51.100.1]:3", "", 429}, {"198.51.100.2:1", "", 401},
		{"198.51.100.1:4", "198.51.100.77", 429}, // what it says of itself does not count
		{"[2001:db8::ffff:2%25eth0]:1", "", 429}, {"[2001:db8:0:1::1]:1", "", 401},
		{"[::1]:1", "203.0.113.1", 429}, {"127.0.0.1:2", "203.0.113.1, 203.0.113.2", 401}, {"203.0.113.1:1", "", 429},
		{"127.0.0.1:2", "unknown", 401}, {"@", "", 401},
	} {
		if got := send(strings.ReplaceAll(c.remote, "%25", "%"), c.forwarded); got != c.want {
			t.Errorf("%s for %q: %d, want %d", c.remote, c.forwarded, got, c.want)
		}
	}
}

// Failures of very many addresses take little memory, and count all the same.
func TestManyClients(t *testing.T) {
	server := newKeyed(t, api.Options{})
	for n := range 12_000 {
		server.do(from(bearer(get("/v1/inventories"), "slk_0"), n))
	}
	for range 10 {
		server.do(from(bearer(get("/v1/inventories"), "slk_0"), 60_000))
	}
	if w := server.do(from(bearer(get("/v1/inventories"), "slk_0"), 60_000)); w.Code != http.StatusTooManyRequests {
		t.Errorf("%d", w.Code)
	}
	if n := server.FailuresCounted(); n > 10_000 {
		t.Errorf("failures of %d clients are counted", n)
	}
}

// Where there are no keys, a page of another site that a user's browser shows cannot
// store behind the user's back; with keys it cannot send one.
func TestPagesOfOtherSites(t *testing.T) {
	body := `{"name":"a","role":"viewer"}`
	for name, c := range map[string]struct {
		headers []string
		want    int
	}{
		"another site":             {[]string{"Sec-Fetch-Site", "cross-site"}, 403},
		"a neighbour":              {[]string{"Sec-Fetch-Site", "same-site"}, 403},
		"another origin":           {[]string{"Origin", "https://evil.example"}, 403},
		"a page without an origin": {[]string{"Origin", "null"}, 403},
		"its own pages":            {[]string{"Sec-Fetch-Site", "same-origin", "Origin", "http://example.com"}, 201},
		"by the user":              {[]string{"Sec-Fetch-Site", "none"}, 201},
		"an old browser":           {[]string{"Origin", "http://example.com"}, 201},
		"no browser":               {nil, 201},
	} {
		server := newServer(t, api.Options{})
		w := server.do(post("/v1/keys", body, append(c.headers, "Idempotency-Key", "a")...))
		if w.Code != c.want {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
		if w.Code == http.StatusForbidden {
			if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); p.Type != "/docs/problems/cross-origin" {
				t.Errorf("%s: %s", name, p.Type)
			}
			if w := server.do(get("/v1/inventories", c.headers...)); w.Code != http.StatusOK {
				t.Errorf("%s reads: %d", name, w.Code)
			}
		}
	}
	server := newKeyed(t, api.Options{})
	if w := server.do(bearer(post("/v1/keys", body, "Idempotency-Key", "a", "Sec-Fetch-Site", "cross-site"), server.secrets["admin"])); w.Code != http.StatusCreated {
		t.Errorf("with a key: %d", w.Code)
	}
}

// The first key closes the service at once, and the last one does not open it again.
func TestFirstAndLastKey(t *testing.T) { onEachStore(t, testFirstAndLastKey) }

func testFirstAndLastKey(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	if w := server.do(get("/v1/inventories")); w.Code != http.StatusOK {
		t.Fatalf("without keys: %d", w.Code)
	}
	created := createKey(t, server, "first", "admin", "")
	if w := server.do(get("/v1/inventories")); w.Code != http.StatusUnauthorized {
		t.Errorf("without the key: %d", w.Code)
	}
	if w := server.do(bearer(get("/v1/inventories"), created.Secret)); w.Code != http.StatusOK {
		t.Errorf("with the key: %d", w.Code)
	}
	w := server.do(bearer(request(http.MethodDelete, "/v1/keys/"+created.ID, nil), created.Secret))
	checkAnswer(t, "revokeKey", w)
	if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `"state":"revoked"`) {
		t.Errorf("revoking: %d %s", w.Code, w.Body)
	}
	for _, r := range []*http.Request{get("/v1/inventories"), bearer(get("/v1/inventories"), created.Secret), post("/v1/keys", `{"name":"a","role":"admin"}`, "Idempotency-Key", "b")} {
		if w := server.do(r); w.Code != http.StatusUnauthorized {
			t.Errorf("after the last key %s %s: %d", r.Method, r.URL, w.Code)
		}
	}
}

// A key that another process has revoked fails within a second, and nothing is asked
// of the store while it is known to be good.
func TestRevokedElsewhere(t *testing.T) { onEachStore(t, testRevokedElsewhere) }

func testRevokedElsewhere(t *testing.T, newServer opener) {
	now := time.Now()
	server := newServer.keyed(t, api.Options{Now: func() time.Time { return now }})
	other := service.New(server.store)
	created, secret, err := other.CreateKey(t.Context(), service.NewKey{Name: "a", Role: "viewer"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	check := func(what string, want int) {
		t.Helper()
		if w := server.do(bearer(get("/v1/inventories/demo/versions/1/items/ggbs"), secret)); w.Code != want {
			t.Errorf("%s: %d, want %d", what, w.Code, want)
		}
	}
	check("before", 200)
	if err := other.RevokeKey(t.Context(), created.ID); err != nil {
		t.Fatal(err)
	}
	now = now.Add(time.Second)
	check("a second later", 401)

	secret = server.secrets["viewer"]
	check("another", 200)
	if err := server.store.Close(); err != nil {
		t.Fatal(err)
	}
	now = now.Add(time.Second - 1)
	check("the store is away, and the key was just looked at", 200)
	now = now.Add(1)
	check("the store is away, and the key may have ended", 500)
}

// With keys for all, a request may be addressed by any name; where reads are open,
// only by names that the service was told.
func TestHostsWithKeys(t *testing.T) {
	for open, want := range map[bool]int{false: 200, true: 421} {
		server := newKeyed(t, api.Options{OpenReads: open, Hosts: []string{"192.0.2.7"}})
		for host, want := range map[string]int{"slabs.example": want, "192.0.2.1:8080": want, "192.0.2.7:8080": 200, "localhost": 200} {
			r := bearer(get("/v1/inventories"), server.secrets["viewer"])
			r.Host = host
			if w := server.do(r); w.Code != want {
				t.Errorf("open %v, Host %q: %d, want %d", open, host, w.Code, want)
			}
		}
	}
}

// Keys and the journal come in pages.
func TestKeysAndJournalInPages(t *testing.T) { onEachStore(t, testKeysAndJournalInPages) }

func testKeysAndJournalInPages(t *testing.T, newServer opener) {
	server := newServer.keyed(t, api.Options{})
	pages := func(operationID, path, member string) (found []string, n int) {
		for path != "" {
			w := server.do(bearer(get(path), server.secrets["admin"]))
			checkAnswer(t, operationID, w)
			var list map[string]any
			if err := json.Unmarshal(w.Body.Bytes(), &list); err != nil || w.Code != http.StatusOK {
				t.Fatalf("%s: %d %v %s", path, w.Code, err, w.Body)
			}
			for _, entry := range list[member].([]any) {
				e := entry.(map[string]any)
				if id, ok := e["id"].(string); ok {
					found = append(found, id+" "+e["state"].(string))
				} else {
					found = append(found, strconv.FormatFloat(e["number"].(float64), 'f', -1, 64)+" "+e["action"].(string)+" "+e["actor"].(string))
				}
			}
			n++
			path, _ = list["links"].(map[string]any)["next"].(string)
			if link := w.Header().Get("Link"); (link == "") != (path == "") || path != "" && link != "<"+path+`>; rel="next"` {
				t.Errorf("link %q in the body, %q in the head", path, link)
			}
		}
		return found, n
	}
	keys, n := pages("listKeys", "/v1/keys?limit=3", "keys")
	if n != 2 || len(keys) != 4 || !strings.HasSuffix(keys[3], "revoked") || !strings.HasSuffix(keys[0], "live") {
		t.Errorf("%d pages: %v", n, keys)
	}
	entries, n := pages("listJournal", "/v1/journal?limit=2", "entries")
	want := []string{"1 publish local", "2 create-key local", "3 create-key local", "4 create-key local", "5 create-key local", "6 revoke-key local"}
	if n != 3 || strings.Join(entries, "\n") != strings.Join(want, "\n") {
		t.Errorf("%d pages: %v", n, entries)
	}
	for _, path := range []string{"/v1/journal?cursor=abc", "/v1/keys?cursor=abc"} {
		if w := server.do(bearer(get(path), server.secrets["admin"])); w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
	id, _, _ := strings.Cut(keys[1], " ")
	w := server.do(bearer(get("/v1/keys/"+id), server.secrets["admin"]))
	checkAnswer(t, "getKey", w)
	if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `"name":"analyst"`) || strings.Contains(w.Body.String(), "secret") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	for _, method := range []string{http.MethodGet, http.MethodDelete} {
		if w := server.do(bearer(request(method, "/v1/keys/key-0", nil), server.secrets["admin"])); w.Code != http.StatusNotFound {
			t.Errorf("%s of none: %d", method, w.Code)
		}
	}
}

// The journal says which key did it, under the id of the request in the log.
func TestJournalNamesTheRequest(t *testing.T) { onEachStore(t, testJournalNamesTheRequest) }

func testJournalNamesTheRequest(t *testing.T, newServer opener) {
	var log bytes.Buffer
	server := newServer.keyed(t, api.Options{Logger: slog.New(slog.NewJSONHandler(&log, nil))})
	w := server.do(bearer(post("/v1/keys", `{"name":"a","role":"viewer"}`, "Idempotency-Key", "a"), server.secrets["admin"]))
	entries, err := server.store.Journal(t.Context(), 6, 10)
	if err != nil || len(entries) != 1 {
		t.Fatalf("%v %v", entries, err)
	}
	admin, err := service.New(server.store).Authenticate(t.Context(), server.secrets["admin"], time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if e := entries[0]; e.RequestID != w.Header().Get("X-Request-Id") || e.Actor != admin.ID || "/v1/keys/"+e.Target != w.Header().Get("Location") {
		t.Errorf("%+v", e)
	}
	if !strings.Contains(log.String(), `"request_id":"`+entries[0].RequestID+`","actor":"`+admin.ID+`"`) {
		t.Errorf("the log: %s", log.String())
	}
}
