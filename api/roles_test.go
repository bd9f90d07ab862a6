package api_test

import (
	"net/http"
	"strings"
	"testing"

	"slabledger/api"
)

// Pages offer what stores to those alone whose key may store; others are told so in one
// line, with the way to sign in and come back. Where there are no keys, all is offered.
func TestPagesOfferToStoreOnlyToThoseWhoMay(t *testing.T) {
	const line = "Saving needs a key with the role analyst."
	storing := func(study string) map[string]string { // what stores, by the page that has it
		return map[string]string{
			"/":                          `href="/upload"`,
			demoPage:                     `action="/comparison/save"`,
			demoPage + "&rate=4+%25":     `action="/comparison/save"`,
			"/comparison/edit?of=demo":   `value="save"`,
			study:                        `action="` + study + `/name"`,
			study + "?rate=4+%25":        `action="/comparison/save"`,
			study + "?units=us":          study + "/deletion",
			study + "/deletion":          `action="` + study + `/deletion"`,
			"/inventories":               `href="/upload"`,
			"/inventories/demo":          `action="/inventories/demo/drafts"`,
			"/inventories/demo?q=cement": "begin a draft",
		}
	}
	look := func(server fixture, study, who, secret string, may bool) {
		t.Helper()
		for page, stores := range storing("/studies/" + strings.TrimPrefix(study, "/v1/studies/")) {
			r := get(page)
			if secret != "" {
				r.Header.Set("Cookie", "slabledger_key="+secret)
			}
			w := server.do(r)
			html := w.Body.String()
			if w.Code != http.StatusOK || strings.Contains(html, stores) != may || strings.Contains(html, line) == may {
				t.Errorf("%s sees %s: %d, %s: %t, the line: %t", who, page, w.Code, stores, strings.Contains(html, stores), strings.Contains(html, line))
				continue
			}
			if !may {
				in := server.do(get(link(t, w, "Sign in")))
				if to := formValue(t, in, "to"); in.Code != http.StatusOK || to != page {
					t.Errorf("%s signs in from %s: %d, back to %q", who, page, in.Code, to)
				}
			}
		}
	}
	options := api.Options{Demo: demoRequest(t), OpenReads: true}
	local := newServer(t, options)
	look(local, save(t, local, "Quay", demo(t)), "whoever is at the machine", "", true)
	server := newKeyed(t, options)
	w := server.do(bearer(post("/v1/studies", studyBody("Quay", demo(t)), "Idempotency-Key", newName()), server.secrets["analyst"]))
	study := w.Header().Get("Location")
	look(server.fixture, study, "nobody known", "", false)
	look(server.fixture, study, "a viewer", server.secrets["viewer"], false)
	look(server.fixture, study, "an analyst", server.secrets["analyst"], true)
	look(server.fixture, study, "an admin", server.secrets["admin"], true)
}
