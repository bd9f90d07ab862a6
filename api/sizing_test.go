package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"golang.org/x/net/html"

	"slabledger/api"
	"slabledger/service"
)

// sends fills in fields of a form, given as names and texts in turn, and presses a button;
// an empty one is the first.
func (r *reader) sends(form, path, do string, pairs ...string) {
	r.t.Helper()
	values := r.sent(form)
	for _, n := range all(r.page, func(n *html.Node) bool { kind, _ := attribute(n, "type"); return kind == "checkbox" }) {
		name, _ := attribute(n, "name")
		value, _ := attribute(n, "value")
		if _, made := attribute(n, "checked"); !made {
			values[name] = without(values[name], value)
		}
	}
	buttons := all(r.page, func(n *html.Node) bool { return n.Data == "button" })
	if _, other := attribute(buttons[0], "name"); other {
		r.t.Error("the Enter key presses a button that changes rows")
	}
	for i := 0; i < len(pairs); i += 2 {
		if !values.Has(pairs[i]) {
			r.t.Fatalf("there is no field %q", pairs[i])
		}
		if pairs[i] == "/methods" {
			values.Add(pairs[i], pairs[i+1])
		} else {
			values.Set(pairs[i], pairs[i+1])
		}
	}
	if do != "" && !slices.ContainsFunc(buttons, func(n *html.Node) bool { value, _ := attribute(n, "value"); return value == do }) {
		r.t.Fatalf("there is no button %q", do)
	}
	values.Set("do", do)
	r.post(path, values)
	if to := r.answer.Header().Get("Location"); r.answer.Code == http.StatusSeeOther {
		r.see(r.server.do(get(to)))
	}
}

func without(list []string, text string) (rest []string) {
	for _, entry := range list {
		if entry != text {
			rest = append(rest, entry)
		}
	}
	return rest
}

func scenario(t testing.TB, name string) []byte {
	t.Helper()
	text, err := os.ReadFile("../testdata/scenarios/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// addressOf is where a comparison stands in an address.
func addressOf(t testing.TB, comparison []byte) string {
	t.Helper()
	return strings.Replace(addressed(t, canonical(t, comparison)), "/comparison/edit", "/comparison", 1)
}

// A comparison whose slabs are sized tells how: the criteria, the one that governs, and
// the pictures of damage and of what fibres save.
func TestAComparisonTellsHowItsSlabsAreSized(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	w := server.do(get(addressOf(t, scenario(t, "sized"))))
	tells(t, w, 200, "Slabs sized by a method", "fibre: how its thickness follows", "fatigue 156.889; erosion 171.488", "erosion (governs)", "Load safety factor 1.1", "Residual strength ratio 20.0 %",
		"The slab needs 180 mm at 0 %, where fatigue governs, and 171 mm at 50 %, where erosion governs", "Damage by axle group at 175 mm", "Residual strength ratio 60.0 %", "171 mm at 60 %")
	sound(t, "sized", w)
	if strings.Contains(told(w), "Load against deflection") {
		t.Error("a picture of beams, of which there are none")
	}
	if to := link(t, w, "Size this slab by itself"); server.do(get(to)).Code != 200 {
		t.Errorf("%s does not open", to)
	}
	us := server.do(get(addressOf(t, scenario(t, "sized")) + "&units=us"))
	tells(t, us, 200, "Least that carries the traffic, in", "Damage by axle group at 6.89 in")

	w = server.do(get(addressOf(t, scenario(t, "lab-to-slab"))))
	tells(t, w, 200, "Load against deflection", "5 beams", "L/150 5.85 to 7.24 kN")
	sound(t, "lab to slab", w)

	w = server.do(get(demoPage))
	if strings.Contains(w.Body.String(), "how its thickness follows") || strings.Contains(w.Body.String(), `id="thickness"`) {
		t.Error("slabs of a given thickness are said to be sized")
	}
}

// Names that would be markup are texts in all that tells of sized slabs; one that turns
// the direction of writing is refused beside its field.
func TestSizedSlabsOfHostileNamesAreText(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	const name = "<img src=x onerror=alert(1)>"
	w := server.do(get(addressOf(t, []byte(with(t, string(scenario(t, "lab-to-slab")), "/alternatives/2/name", name)))))
	if w.Code != 200 || strings.Contains(w.Body.String(), "<img") || !strings.Contains(told(w), name+": how its thickness follows") {
		t.Errorf("status %d, or the name is markup", w.Code)
	}
	r := opens(t, server, "/beam-tests")
	r.sends("beams", "/beam-tests", "", "/mix", name, "/specimens/0/name", name, "/specimens/0/excluded", "</td><script>alert(1)</script>")
	if body := r.answer.Body.String(); r.answer.Code != 200 || strings.Contains(body, "<img") || strings.Contains(body, "<script>") {
		t.Errorf("status %d, or a text is markup", r.answer.Code)
	}
	tells(t, r.answer, 200, "</td><script>alert(1)</script>", "; 1 left out", "4 of 5")
	r.sends("beams", "/beam-tests", "", "/mix", "fibre\u202egnp")
	if got := r.beside("/mix"); r.answer.Code != http.StatusUnprocessableEntity || !strings.Contains(got, "direction of writing") {
		t.Errorf("status %d, beside the name: %q", r.answer.Code, got)
	}
}

// The form of a thickness begins with an example that works, and says the same as the API.
func TestASlabIsSizedInAForm(t *testing.T) {
	server := newServer(t, api.Options{})
	w := server.do(get("/thickness"))
	sound(t, "thickness", w)
	tells(t, w, 200, "invented data", "Damage by axle group at 175 mm", "Thickness against the residual strength ratio", "This is a comparison aid, not a design.")

	// It is the fibre slab of the scenario.
	var study struct {
		Alternatives []struct {
			Slab struct {
				Thickness map[string]any `json:"thickness"`
			} `json:"slab"`
		} `json:"alternatives"`
	}
	if err := json.Unmarshal(scenario(t, "sized"), &study); err != nil {
		t.Fatal(err)
	}
	body := study.Alternatives[0].Slab.Thickness
	body["methods"] = []any{body["method"]}
	delete(body, "method")
	body["strength"] = map[string]any{"modulus_of_rupture": "4.4 MPa", "strength_rule": "residual_ratio", "residual_ratio": "20 %"}
	text, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	said := server.do(post("/v1/thickness", string(text)))
	var answer service.ThicknessResponse
	if err := json.Unmarshal(said.Body.Bytes(), &answer); err != nil || said.Code != 200 {
		t.Fatalf("%d: %v: %s", said.Code, err, said.Body)
	}
	tells(t, w, 200, answer.RequestHash, "The least that carries the traffic "+answer.Results[0].RequiredMM.String()+" mm", "Governed by "+answer.Results[0].Governs)

	r := opens(t, server, "/thickness")
	r.sends("sizing", "/thickness", "", "/strength/modulus_of_rupture", "5 MPa", "/sensitivity", "true", "/thickness", "200 mm")
	tells(t, r.answer, 200, "Thickness 200 mm", "Carries the traffic yes", "Strength counted on 6.00 MPa")
	if strings.Contains(told(r.answer), "invented data") {
		t.Error("what a person typed is called invented")
	}
	sound(t, "changed", r.answer)

	// By two methods, one of which needs more than the example has.
	r = opens(t, server, "/thickness")
	r.sends("sizing", "/thickness", "", "/methods", "aashto93")
	if r.answer.Code != http.StatusUnprocessableEntity {
		t.Fatalf("status %d: %s", r.answer.Code, told(r.answer))
	}
	tells(t, r.answer, 422, "to mend", "aashto93")
	r.sends("sizing", "/thickness", "", "/serviceability/reliability", "90 %", "/serviceability/s0", "0.35", "/serviceability/delta_psi", "1.7", "/serviceability/load_transfer", "3.2", "/serviceability/drainage", "1.0", "/serviceability/elastic_modulus", "30 GPa", "/serviceability/terminal_psi", "2.5")
	tells(t, r.answer, 200, "Portland Cement Association, EB109P, 1984: fatigue and erosion analysis (eb109p)", "AASHTO, Guide for Design of Pavement Structures, 1993: rigid pavement equation (aashto93)", "Equivalent axles that come")
	sound(t, "two methods", r.answer)
}

// What cannot be computed stands beside its field, in an address that can be handed on;
// rows are added and removed by buttons, without an answer until one is asked for.
func TestFaultsOfAThicknessStandBesideTheirFields(t *testing.T) {
	server := newServer(t, api.Options{})
	r := opens(t, server, "/thickness")
	const axles = "/traffic/trucks/axles"
	r.sends("sizing", "/thickness", "", "/strength/modulus_of_rupture", "4.4", axles+"/2/load", "<b>heavy</b>", "/traffic/trucks/trucks_per_day", "many", "/soil/k", "")
	for pointer, want := range map[string]string{"/strength/modulus_of_rupture": "unit", axles + "/2/load": "<b>heavy</b>", "/traffic/trucks/trucks_per_day": "whole number", "/soil/k": ""} {
		if got := r.beside(pointer); !strings.Contains(got, want) || want != "" && got == "" {
			t.Errorf("beside %s: %q, wanted %q", pointer, got, want)
		}
	}
	if r.answer.Code != http.StatusUnprocessableEntity || strings.Contains(r.answer.Body.String(), "<b>heavy") {
		t.Errorf("status %d, or a text is markup", r.answer.Code)
	}
	sound(t, "faults", r.answer)

	r.sends("sizing", "/thickness", "add "+axles)
	tells(t, r.answer, 200, "Not computed yet.", "Axle group 8")
	r.sends("sizing", "/thickness", "remove "+axles+"/2", axles+"/7/axle", "tandem", axles+"/7/load", "240 kN", axles+"/7/per_1000_trucks", "5", "/strength/modulus_of_rupture", "4.4 MPa", "/traffic/trucks/trucks_per_day", "900", "/soil/k", "60 MPa/m")
	r.sends("sizing", "/thickness", "")
	tells(t, r.answer, 200, "tandem, 240 kN")

	r.sends("sizing", "/thickness", "", "/methods", "no-such")
	if !strings.Contains(told(r.answer), "no-such (not accepted here)") {
		t.Errorf("the method that is none is lost: %s", told(r.answer))
	}
	for _, path := range []string{"/thickness?request=%21", "/thickness?request=AAAA"} {
		holds(t, server.do(get(path)), http.StatusBadRequest, "cannot be read")
	}
	for _, text := range []string{`[]`, `{"methods":7,"traffic":[],"strength":"x","soil":null}`, `{}`, `{"strength":{"beam_tests":{}}}`} {
		w := server.do(get(strings.Replace(addressed(t, text), "/comparison/edit", "/thickness", 1)))
		if w.Code != 400 && w.Code != 422 {
			t.Errorf("%s: status %d", text, w.Code)
		}
	}
}

// A thickness from long curves, which no address can hold, is answered all the same, and
// keeps what the form has no field for.
func TestAThicknessTooLongForAnAddressIsAnswered(t *testing.T) {
	server := newServer(t, api.Options{})
	var csv strings.Builder
	csv.WriteString(curveHead)
	for i, digits := 0, 1; i < 3000; i++ {
		digits = digits * 48271 % 2147483647 // so that nothing repeats
		fmt.Fprintf(&csv, "%d.%03d,%d.%05d\n", i*4/3000, i*4000/3000%1000, max(8, 30-i/20), digits%100000)
	}
	text := with(t, string(examples(t)), "/strength", map[string]any{"beam_tests": map[string]any{"method": "astm-c1609", "mix": "fibre", "age_days": 28, "width": "150 mm", "depth": "150 mm", "span": "450 mm",
		"specimens": []any{map[string]any{"name": "A1", "curve": map[string]any{"csv": csv.String()}}}, "strength_rule": "none"}})
	packed := strings.TrimPrefix(addressed(t, text), "/comparison/edit?request=")
	w := server.do(fields("/thickness", "request", packed, "/soil/k", "60 MPa/m"))
	tells(t, w, 200, "Not in the address", "Load against deflection", "Not shown here: beam_tests")
	sound(t, "long", w)
}

// examples is what the form of a thickness begins with.
func examples(t testing.TB) []byte {
	t.Helper()
	text, err := os.ReadFile("pages/examples/thickness.json")
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// Beam tests are reduced in a form: the example is that of the scenario, and what is typed
// is answered without being stored.
func TestBeamTestsAreReducedInAForm(t *testing.T) {
	server := newServer(t, api.Options{})
	w := server.do(get("/beam-tests"))
	sound(t, "beam tests", w)
	tells(t, w, 200, "invented data", "5 beams at 28 days", "Modulus of rupture for a design 4.51 MPa, the mean", "Its characteristic value 4.16 MPa", "Residual strength ratio 24.7 %", "ordinary 3", "Load against deflection", "Crack width, joint behaviour and ductility")
	if n := strings.Count(w.Body.String(), "<svg"); n != 1 {
		t.Errorf("%d pictures", n)
	}
	tells(t, server.do(get(link(t, w, "Size a slab with this strength"))), 200, "Strength counted on 5.62 MPa", "Residual strength ratio 24.7 %")

	r := opens(t, server, "/beam-tests?empty=true")
	tells(t, r.answer, 200, "Not evaluated yet.")
	sound(t, "empty", r.answer)
	dimensions := []string{"/method", "en-14651", "/mix", "notched", "/age_days", "14", "/width", "150 mm", "/depth", "150 mm", "/span", "500 mm", "/notch_depth", "25 mm"}
	r.sends("beams", "/beam-tests", "add /specimens", append(dimensions, "/specimens/0/name", "N1", "/specimens/0/loads/lop", "14.9 kN", "/specimens/0/loads/cmod_0_5", "8.4 kN", "/specimens/0/loads/cmod_2_5", "8.0 kN")...)
	r.sends("beams", "/beam-tests", "", "/specimens/1/name", "N2", "/specimens/1/loads/lop", "15.3", "/specimens/1/loads/cmod_0_5", "8.1 kN")
	if got := r.beside("/specimens/1/loads/lop"); r.answer.Code != 422 || !strings.Contains(got, "kN") {
		t.Errorf("status %d, beside the load: %q", r.answer.Code, got)
	}
	r.sends("beams", "/beam-tests", "", "/specimens/1/loads/lop", "15.3 kN")
	tells(t, r.answer, 200, "2 beams at 14 days", "thickness methods take the strength at 28 days", "a characteristic value needs at least 3 values that count; here: 2", "Limit of proportionality, MPa", "Whether the rule for structural use is met cannot be told")
	sound(t, "notched", r.answer)

	// With a third beam the rule for structural use can be told, either way.
	r.sends("beams", "/beam-tests", "add /specimens", "/specimens/1/loads/cmod_2_5", "7.8 kN")
	third := []string{"/specimens/2/name", "N3", "/specimens/2/loads/lop", "15.1 kN", "/specimens/2/loads/cmod_0_5", "8.3 kN", "/specimens/2/loads/cmod_2_5"}
	r.sends("beams", "/beam-tests", "", append(third, "7.9 kN")...)
	tells(t, r.answer, 200, "The rule for structural use is met: f_R1k/f_Lk")
	r.sends("beams", "/beam-tests", "", append(third, "2.9 kN", "/specimens/0/loads/cmod_2_5", "3.0 kN", "/specimens/1/loads/cmod_2_5", "3.1 kN")...)
	tells(t, r.answer, 200, "The rule for structural use is not met: f_R1k/f_Lk")
	sound(t, "the rule", r.answer)

	// The file of a machine with a slip in it is told by its line, beside the field.
	r = opens(t, server, "/beam-tests?empty=true")
	const csv = "/specimens/0/curve/csv"
	r.sends("beams", "/beam-tests", "", "/method", "astm-c1609", "/mix", "fibre", "/age_days", "28", "/width", "150 mm", "/depth", "150 mm", "/span", "450 mm", "/specimens/0/name", "A1", csv, "deflection_mm,load_kN\r\n0,0\r\n0.05,x\r\n")
	if got := r.beside(csv); r.answer.Code != 422 || !strings.Contains(got, "line 3") {
		t.Errorf("status %d, beside the file: %q", r.answer.Code, got)
	}
	r.sends("beams", "/beam-tests", "", csv, "deflection_mm;load_kN\r\n0;0\r\n0,05;30\r\n3,1;8\r\n", "/specimens/0/curve/decimal", "comma")
	tells(t, r.answer, 200, "1 beam at 28 days", "Load against deflection")

	for _, body := range []string{"", "request=AAAA", "request=%21"} {
		w := server.do(request(http.MethodPost, "/beam-tests", strings.NewReader(body), "Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "same-origin"))
		if w.Code != http.StatusBadRequest {
			t.Errorf("%q: status %d", body, w.Code)
		}
	}
	large := url.Values{"request": {strings.Repeat("A", 4<<20)}}
	if w := server.do(request(http.MethodPost, "/beam-tests", strings.NewReader(large.Encode()), "Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "same-origin")); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("a form of 4 MiB: status %d", w.Code)
	}
}

// The first page leads to both forms.
func TestTheFirstPageLeadsToSlabsAndBeams(t *testing.T) {
	server := newServer(t, api.Options{})
	w := server.do(get("/"))
	if link(t, w, "Size a slab") != "/thickness" || link(t, w, "Reduce beam tests") != "/beam-tests" {
		t.Error("a link leads elsewhere")
	}
}

// What is wrong is told in the words of the form, with a link to the field, and not in the
// names of the API.
func TestFaultsOfTheFormsAreInTheWordsOfTheirLabels(t *testing.T) {
	server := newServer(t, api.Options{})
	summary := func(r *reader) string {
		parts := all(r.page, func(n *html.Node) bool { id, _ := attribute(n, "id"); return id == "summary" })
		if len(parts) != 1 {
			t.Fatalf("nothing is wrong: %s", told(r.answer))
		}
		for _, link := range all(parts[0], func(n *html.Node) bool { return n.Data == "a" }) {
			to, _ := attribute(link, "href")
			if all(r.page, func(n *html.Node) bool { id, _ := attribute(n, "id"); return "#"+id == to }) == nil {
				t.Errorf("%s leads nowhere", to)
			}
		}
		return strings.Join(strings.Fields(textOf(parts[0])), " ")
	}
	for _, c := range []struct {
		path, form string
		typed      []string
		want       []string
	}{
		{"/thickness", "sizing", []string{"/methods", "aashto93"}, []string{"Serviceability, for AASHTO, Terminal serviceability: AASHTO (1993): the method AASHTO (1993) needs “Terminal serviceability”", "Load transfer coefficient J"}},
		{"/thickness", "sizing", []string{"/methods", "austroads"}, []string{"California bearing ratio, for Austroads: Austroads (2001): the method Austroads (2001) needs"}},
		{"/thickness", "sizing", []string{"/strength/residual_ratio", ""}, []string{"Residual strength ratio R: the rule “modulus of rupture × (1 + R)” needs “Residual strength ratio R”"}},
		{"/thickness", "sizing", []string{"/soil/k", "", "/soil/subgrade_k", "40 MPa/m"}, []string{"a “modulus of the subgrade under a base” needs the base on it"}},
		{"/thickness", "sizing", []string{"/traffic/trucks/axles/0/axle", ""}, []string{"Axle group 1, Axle group: missing; it is needed"}},
		{"/beam-tests", "beams", []string{"/method", "en-14651"}, []string{"How residual strength enters: “modulus of rupture × (1 + R)” is not accepted with EN 14651"}},
		{"/beam-tests", "beams", []string{"/specimens/0/curve/csv", ""}, []string{"points such as “First peak”"}},
	} {
		r := opens(t, server, c.path)
		r.sends(c.form, c.path, "", c.typed...)
		got := summary(r)
		for _, want := range c.want {
			if !strings.Contains(got, want) {
				t.Errorf("%q: there is no %q in %q", c.typed, want, got)
			}
		}
		if code := regexp.MustCompile(`[a-z]+(_[a-z0-9]+)+|aashto93|austroads|en-14651`).FindString(got); code != "" {
			t.Errorf("%q: %q is a name of the API, in %q", c.typed, code, got)
		}
	}
}

// Only what the chosen methods read stands in the form; what is given and not read is
// said to be so, and nothing of it is lost.
func TestAFormShowsWhatItsMethodReads(t *testing.T) {
	server := newServer(t, api.Options{})
	has := func(r *reader, form string, fields ...string) (missing, there []string) {
		values := r.sent(form)
		for _, name := range fields {
			if values.Has(name) {
				there = append(there, name)
			} else {
				missing = append(missing, name)
			}
		}
		return missing, there
	}
	const cbr, k, reliability, factor, equivalent, dowels = "/soil/cbr", "/soil/k", "/serviceability/reliability", "/traffic/load_safety_factor", "/traffic/equivalent_axles", "/edge/dowels"
	r := opens(t, server, "/thickness")
	if missing, there := has(r, "sizing", cbr, reliability, equivalent, k, factor, dowels); !slices.Equal(missing, []string{cbr, reliability, equivalent}) {
		t.Errorf("by EB109P the form has %q", there)
	}
	values := r.sent("sizing")
	values["/methods"] = []string{"", "aashto93"}
	values.Set("do", "fields /methods")
	r.post("/thickness", values)
	if missing, there := has(r, "sizing", reliability, equivalent, k, factor, dowels, cbr); r.answer.Code != 200 || !slices.Equal(missing, []string{cbr}) {
		t.Errorf("status %d; by AASHTO the form has %q", r.answer.Code, there)
	}
	tells(t, r.answer, 200, "Not computed yet.", "Given, and not read by what is chosen.")
	sound(t, "the fields of a method", r.answer)

	const notch, lop, peak, rule = "/notch_depth", "/specimens/0/loads/lop", "/specimens/0/loads/first_peak", "/strength_rule"
	r = opens(t, server, "/beam-tests?empty=true")
	if missing, _ := has(r, "beams", notch, lop, peak, rule); missing != nil {
		t.Errorf("without a method the form lacks %q", missing)
	}
	r.sends("beams", "/beam-tests", "fields /method", "/method", "en-14651")
	if missing, there := has(r, "beams", notch, lop, peak, rule); !slices.Equal(missing, []string{peak, rule}) {
		t.Errorf("by EN 14651 the form has %q", there)
	}
	r.sends("beams", "/beam-tests", "fields /method", "/method", "astm-c1609", lop, "14.9 kN")
	if missing, there := has(r, "beams", notch, lop, peak, rule); !slices.Equal(missing, []string{notch}) {
		t.Errorf("by ASTM C1609, with a load of another method, the form has %q", there)
	}
}

// In US customary units strengths, loads and masses are in them too, and not lengths alone;
// the lines say why they are not.
func TestUSUnitsReachStrengthsAndLoads(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	tells(t, server.do(get("/thickness?units=us")), 200, "Thickness 6.89 in", "Strength counted on 766 psi", "Modulus of subgrade reaction 221 psi/in", "single dual axles of 22.5 kip", "Load, kip", "keep the units that they are written in")
	r := opens(t, server, "/beam-tests?units=us")
	tells(t, r.answer, 200, "Modulus of rupture for a design 654 psi", "First-peak strength, psi", "Toughness T150, in·lbf", "Load, kip")
	if text := told(r.answer); strings.Contains(text, "strength, MPa") || strings.Contains(text, "Load, kN") {
		t.Error("a figure is left in SI")
	}
	us := server.do(get("/comparison?of=demo&units=us"))
	tells(t, us, 200, "8731 yd² of slab", "lb/yd³", "1 yd³ of concrete")
	if text := told(us); strings.Contains(text, "kg/m³") {
		t.Error("a picture is left in SI")
	}
	tells(t, server.do(get(addressOf(t, scenario(t, "sized"))+"&units=us")), 200, "Strength counted on, psi")
	const why = "converted and rounded, the lines would no longer add up to their total"
	tells(t, server.do(get("/comparison/lines?of=demo&units=us")), 200, why)
	if strings.Contains(told(server.do(get("/comparison/lines?of=demo"))), why) {
		t.Error("lines in SI are excused")
	}
}
