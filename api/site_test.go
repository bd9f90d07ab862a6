package api_test

import (
	"bytes"
	"compress/flate"
	"encoding/base64"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"strings"
	"testing"

	"slabledger/api"
)

// demoRequest is the comparison of the demo region.
func demoRequest(t testing.TB) []byte {
	t.Helper()
	body, err := os.ReadFile("../testdata/demo/comparison.json")
	if err != nil {
		t.Fatal(err)
	}
	return body
}

// fields is what a browser sends for a form of our own.
func fields(path string, pairs ...string) *http.Request {
	values := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		values.Add(pairs[i], pairs[i+1])
	}
	return request(http.MethodPost, path, strings.NewReader(values.Encode()), "Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "same-origin")
}

// holds checks that an answer is a page with these texts in it.
func holds(t *testing.T, w *httptest.ResponseRecorder, status int, texts ...string) {
	t.Helper()
	if w.Code != status || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
		t.Fatalf("status %d, %s: %.300s", w.Code, w.Header().Get("Content-Type"), w.Body)
	}
	for _, text := range texts {
		if !strings.Contains(w.Body.String(), text) {
			t.Errorf("the page lacks %q:\n%s", text, w.Body)
		}
	}
}

// The first page offers the demo where its region is published, and one click opens it.
func TestFirstPageOpensTheDemo(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	holds(t, server.do(get("/")), 200, `href="/comparison?of=demo"`, "Sablon Coast", "This is a comparison aid, not a design.")
	holds(t, server.do(get("/comparison?of=demo")), 200, "fibre, staged", "49.18", "91.8", "EUR/m²", "kg CO₂e/m²", "EUR/m³", "kg CO₂e/m³")
	holds(t, server.do(get("/comparison?of=demo&basis=lane&units=us", "Accept-Language", "de")), 200, "lb CO₂e/lane-mile", "9,45")
	w := server.do(get("/comparison?of=demo&units=us"))
	holds(t, w, 200, "EUR/yd³", "lb CO₂e/yd³")
	for _, metric := range []string{"EUR/m³", "kg CO₂e/m³"} { // of the rows per volume of concrete
		if strings.Contains(w.Body.String(), metric) {
			t.Errorf("in US units the page has figures in %s", metric)
		}
	}
	if w := newServer(t, api.Options{}).do(get("/")); strings.Contains(w.Body.String(), "of=demo") {
		t.Error("a demo is offered that is not there")
	}
}

// A person signs in with a key, which the browser keeps in a cookie; a form of another
// site brings nothing about with it, and signing out forgets it.
func TestSigningIn(t *testing.T) {
	server := opener(newServer).keyed(t, api.Options{Demo: demoRequest(t)})
	w := server.do(get("/comparison?of=demo"))
	if to := w.Header().Get("Location"); w.Code != http.StatusSeeOther || to != "/sign-in?to=%2Fcomparison%3Fof%3Ddemo" {
		t.Fatalf("%d to %s", w.Code, to)
	}
	holds(t, server.do(get("/sign-in?to=%2Fcomparison%3Fof%3Ddemo")), 200, `name="key"`, `value="/comparison?of=demo"`)
	holds(t, server.do(fields("/sign-in", "key", "slk_0", "to", "/")), http.StatusUnauthorized, `id="key-fault"`)

	w = server.do(fields("/sign-in", "key", server.secrets["viewer"], "to", "/comparison?of=demo"))
	cookie := w.Result().Cookies()[0]
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/comparison?of=demo" || !cookie.HttpOnly || cookie.SameSite != http.SameSiteLaxMode {
		t.Fatalf("%d to %s with %v", w.Code, w.Header().Get("Location"), cookie)
	}
	for _, elsewhere := range []string{"https://example.org/", "//example.org/", `/\example.org`, "javascript:alert(1)"} {
		if w := server.do(fields("/sign-in", "key", server.secrets["viewer"], "to", elsewhere)); w.Header().Get("Location") != "/" {
			t.Errorf("signing in leads to %s", w.Header().Get("Location"))
		}
	}
	kept := "slabledger_key=" + cookie.Value
	holds(t, server.do(get("/comparison?of=demo", "Cookie", kept)), 200, "Sign out", "49.18")
	if w := server.do(get("/v1/inventories", "Cookie", kept)); w.Code != 200 {
		t.Errorf("a link to data: %d", w.Code)
	}
	foreign := fields("/sign-out")
	foreign.Header.Set("Sec-Fetch-Site", "cross-site")
	foreign.Header.Set("Cookie", kept)
	holds(t, server.do(foreign), http.StatusForbidden, "A page of another site may not do this")
	if w := server.do(fields("/sign-out")); w.Result().Cookies()[0].MaxAge >= 0 {
		t.Error("the key is kept after signing out")
	}
}

// What stands in an address is bounded: what is cut off or unpacks to far more than it
// is gets a page that says so.
func TestAddressesOfComparisonsAreBounded(t *testing.T) {
	server := newServer(t, api.Options{})
	var bomb bytes.Buffer
	w, _ := flate.NewWriter(&bomb, flate.BestCompression)
	_, _ = w.Write(bytes.Repeat([]byte(" "), 2<<20))
	_ = w.Close()
	for _, text := range []string{"%21", "AAAA", base64.RawURLEncoding.EncodeToString(bomb.Bytes())} {
		holds(t, server.do(get("/comparison?request="+text)), http.StatusBadRequest, "cannot be read")
	}
}

// A link from another site opens a page; a picture or a frame there has nothing computed.
func TestAnotherSiteMayLinkAndNoMore(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	holds(t, server.do(get("/comparison?of=demo", "Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate")), 200, "fibre, staged")
	holds(t, server.do(get("/comparison/report?of=demo", "Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "no-cors")), http.StatusForbidden, "A page of another site may not do this")
}

// Whoever mistypes an address in a browser gets a page; a program gets a problem document.
func TestUnknownAddressInABrowser(t *testing.T) {
	server := newServer(t, api.Options{})
	holds(t, server.do(get("/nowhere", "Sec-Fetch-Dest", "document")), http.StatusNotFound, "<h1>There is no such thing</h1>")
	for _, w := range []*httptest.ResponseRecorder{server.do(get("/nowhere")), server.do(get("/v1/nowhere", "Sec-Fetch-Dest", "document"))} {
		if w.Code != http.StatusNotFound || w.Header().Get("Content-Type") != "application/problem+json" {
			t.Errorf("%d %s", w.Code, w.Header().Get("Content-Type"))
		}
	}
}

// A browser may keep a key that was revoked. However often it has sent that, its holder
// can still see where to sign in, and do so.
func TestARevokedKeyDoesNotBarTheWayToSignIn(t *testing.T) {
	server := opener(newServer).keyed(t, api.Options{})
	revoked := "slabledger_key=" + server.secrets["revoked"]
	for range 30 {
		server.do(get("/studies", "Cookie", revoked))
	}
	holds(t, server.do(get("/sign-in", "Cookie", revoked)), 200, `name="key"`)
	form := fields("/sign-in", "key", server.secrets["viewer"], "to", "/studies")
	form.Header.Set("Cookie", revoked)
	if w := server.do(form); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/studies" {
		t.Errorf("signing in anew: %d to %s", w.Code, w.Header().Get("Location"))
	}
	form = fields("/sign-out")
	form.Header.Set("Cookie", revoked)
	if w := server.do(form); w.Code != http.StatusSeeOther || len(w.Result().Cookies()) != 1 {
		t.Errorf("signing out: %d", w.Code)
	}
}

// What is kept of an answer to a person who is signed in is not shown to whoever uses the
// browser, or a cache on the way, after them.
func TestAnswersToAPersonAreNotForTheNext(t *testing.T) {
	server := opener(newServer).keyed(t, api.Options{Demo: demoRequest(t)})
	kept := "slabledger_key=" + server.secrets["viewer"]
	for _, address := range []string{"/inventories/demo/versions/1/export", "/comparison/report?of=demo", "/comparison/workbook?of=demo", "/comparison/table?of=demo&table=deltas",
		"/v1/inventories/demo/versions/1/export", "/v1/inventories/demo/versions/1/items/ggbs", "/comparison?of=demo", "/studies"} {
		w := server.do(get(address, "Cookie", kept))
		if vary := strings.Join(w.Header().Values("Vary"), ","); w.Code != 200 || !strings.Contains(vary, "Cookie") {
			t.Errorf("%s: status %d, Vary: %s", address, w.Code, vary)
		}
		if caching := w.Header().Get("Cache-Control"); caching != "no-store" && !strings.Contains(caching, "private") {
			t.Errorf("%s: Cache-Control: %s", address, caching)
		}
		if w := server.do(get(address)); w.Code == 200 {
			t.Errorf("%s is there for whoever is not signed in", address)
		}
	}
}

// Over TLS the key is in a cookie that no other host can set or read.
func TestOverTLSTheKeyIsOfThisHostAlone(t *testing.T) {
	server := opener(newServer).keyed(t, api.Options{})
	secret := server.secrets["viewer"]
	proxied := func(r *http.Request, cookie string) *httptest.ResponseRecorder {
		r.RemoteAddr = "127.0.0.1:4711" // of a proxy on this machine
		r.Header.Set("X-Forwarded-Proto", "https")
		r.Header.Set("Cookie", cookie)
		return server.do(r)
	}
	cookie := proxied(fields("/sign-in", "key", secret, "to", "/studies"), "").Result().Cookies()[0]
	if cookie.Name != "__Host-slabledger_key" || !cookie.Secure || cookie.Domain != "" || cookie.Path != "/" {
		t.Errorf("the cookie is %v", cookie)
	}
	holds(t, proxied(get("/studies"), cookie.Name+"="+secret), 200, "Sign out")
	if w := proxied(get("/studies"), "slabledger_key="+secret); w.Code != http.StatusSeeOther {
		t.Errorf("a cookie that another host may have set is taken: %d", w.Code)
	}
	if w := proxied(fields("/sign-out"), cookie.Name+"="+secret); w.Result().Cookies()[0].Name != cookie.Name {
		t.Errorf("signing out forgets %v", w.Result().Cookies())
	}
}

// Addresses with bytes that no text has are not found, or find nothing; none is an error
// of the service, whatever the store says of such text.
func TestPagesOfTextThatIsNone(t *testing.T) {
	onEachStore(t, func(t *testing.T, newServer opener) {
		server := newServer(t, api.Options{})
		for _, text := range []string{"%00", "%ff", "%ff%00", "%E2%80%AE", "a%00b"} {
			for _, path := range []string{"/studies/", "/studies/x/rerun?inventory=", "/runs/", "/inventories/", "/inventories/demo/items/", "/inventories/demo/drafts/", "/inventories/demo?q=", "/inventories/demo?version=", "/comparison/edit?study=",
				"/comparison/edit?inventory=", "/runs/new?study=", "/runs?after=", "/runs?after=x/", "/studies?text=", "/studies?tag=", "/studies?region=", "/studies?item=", "/studies?inventory=", "/studies?currency=", "/inventories/demo/differences?from=",
				"/v1/jobs/", "/v1/studies/", "/v1/inventories/", "/v1/inventories/demo/drafts/", "/v1/inventories/demo/versions/1/items/", "/v1/jobs?cursor=", "/v1/studies?tag=", "/v1/jobs?state="} {
				if w := server.do(get(path + text)); w.Code >= 500 {
					t.Errorf("%s%s: status %d", path, text, w.Code)
				}
			}
		}
		raw := "a\x00b\xff"
		for _, r := range []*http.Request{
			fields("/runs/x%00/cancellation"), fields("/studies/x%00/deletion", "revision", "1"), fields("/studies/x%00/name", "name", raw), fields("/inventories/x%00/drafts", "from", ""), fields("/inventories/demo/drafts", "from", raw),
			fields("/inventories/demo/drafts/x%00/publication", "revision", "1", "note", "n"), fields("/inventories/demo/drafts/x%00/items/a%00/removal", "revision", "1"),
			fields("/comparison/save", "request", "AA", "name", raw, "once", raw), fields("/comparison/edit", "as", "json", "json", "{}", "from", raw, "do", "copy-mix"), fields("/comparison/edit", "as", "json", "json", raw, "do", "compare"),
		} {
			if w := server.do(r); w.Code >= 500 {
				t.Errorf("%s: status %d", r.URL, w.Code)
			}
		}
	})
}

// What was typed into a form is not lost where its key has ended: it is kept in the page
// that asks for another, through a wrong one, and sent after signing in.
func TestSigningInKeepsWhatWasTyped(t *testing.T) {
	server := opener(newServer).keyed(t, api.Options{Demo: demoRequest(t)})
	const typed = "lines & <b>"
	save := fields("/comparison/save", "request", strings.TrimPrefix(addressed(t, string(demoRequest(t))), "/comparison/edit?request="), "name", "Kept study", "tags", typed, "once", "x")
	save.Header.Set("Cookie", "slabledger_key="+server.secrets["revoked"])
	w := server.do(save)
	holds(t, w, http.StatusUnauthorized, "What you filled in is kept on this page")
	w = server.do(formOn(t, w.Body.String(), "/sign-in", "key", "slk_0"))
	holds(t, w, http.StatusUnauthorized, `id="key-fault"`, "What you filled in is kept on this page")
	w = server.do(formOn(t, w.Body.String(), "/sign-in", "key", server.secrets["analyst"]))
	holds(t, w, http.StatusOK, "was not stored yet", "Send it now", "Sign out")
	again := formOn(t, w.Body.String(), "/comparison/save")
	again.Header.Set("Cookie", "slabledger_key="+w.Result().Cookies()[0].Value)
	saved := server.do(again)
	to := leads(t, saved, "/studies/")
	holds(t, server.do(get(to, "Cookie", again.Header.Get("Cookie"))), 200, "Kept study", "lines &amp; &lt;b&gt;")
	// Elsewhere it cannot be sent, and what is too large is not kept.
	holds(t, server.do(fields("/sign-in", "key", server.secrets["viewer"], "at", "https://example.org/", "kept", "a=b")), 200, `action="/"`)
	if w := server.do(fields("/comparison/save", "name", strings.Repeat("x", 1<<20))); w.Code != http.StatusUnauthorized || strings.Contains(w.Body.String(), "is kept on this page") || w.Body.Len() > 1<<16 {
		t.Errorf("%d, %d bytes", w.Code, w.Body.Len())
	}
}
