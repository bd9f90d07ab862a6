package pages

import (
	"net/url"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/service"
)

// comparisonText is the comparison of the demo region.
func comparisonText(t *testing.T) []byte {
	t.Helper()
	text, err := os.ReadFile("../../testdata/demo/comparison.json")
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// priced is a version with two of the items of the demo, and that they are used.
func priced() (*inventory.Version, []service.ItemUsed) {
	price := func(amount string) *inventory.Price {
		return &inventory.Price{Amount: decimal.RequireFromString(amount), Currency: "EUR"}
	}
	version := &inventory.Version{Slug: "demo", Number: 1, Meta: inventory.Meta{Currency: "EUR"}, Items: []inventory.Item{
		{Code: "cement-cem-i", Name: "Cement", Unit: "kg", Price: price("0.124")},
		{Code: "water-mains", Name: "Water", Unit: "kg", Price: price("0.002")},
	}}
	return version, []service.ItemUsed{{Ref: "demo@1/cement-cem-i", Name: "Cement"}, {Ref: "demo@1/water-mains", Name: "Water"}}
}

// changedBy is the comparison as an address changes it, and what it says of that.
func changedBy(t *testing.T, request []byte, query string) (*whatIf, map[string]any) {
	t.Helper()
	values, err := url.ParseQuery(query)
	if err != nil {
		t.Fatal(err)
	}
	version, used := priced()
	w, err := newWhatIf(request, values, version, used)
	if err != nil {
		t.Fatal(err)
	}
	text, err := w.apply()
	if err != nil {
		t.Fatal(err)
	}
	document, err := documentOf(text)
	if err != nil {
		t.Fatal(err)
	}
	return w, document
}

// at is a member of a document by its path.
func at(t *testing.T, document any, path ...any) any {
	t.Helper()
	for _, step := range path {
		switch step := step.(type) {
		case string:
			document = document.(map[string]any)[step]
		case int:
			document = document.([]any)[step]
		}
	}
	return document
}

// An address without changes leaves the comparison as it is, byte for byte.
func TestNothingIsChangedWithoutBeingAskedFor(t *testing.T) {
	request := comparisonText(t)
	for _, query := range []string{"", "of=demo&basis=job", "rate=3+%25&period=40&haul-1=120+km&rate=", "rate=3", "haul-99=1+km&price-no-such=3+EUR/kg&carbon_price_in=elsewhere"} {
		w, _ := changedBy(t, request, query)
		if len(w.Changed()) != 0 || string(w.request) != string(request) {
			t.Errorf("%q changes the comparison", query)
		}
	}
}

// Each parameter changes its member, and no other; a bare number is in the unit of the
// field.
func TestChangesOfAnAddress(t *testing.T) {
	w, document := changedBy(t, comparisonText(t), "rate=4.5&period=30&carbon_price=80&carbon_price_in=cost&haul-1=200&price-cement-cem-i=0.2")
	for _, want := range []struct {
		path  []any
		value any
	}{
		{[]any{"economics", "real_discount_rate"}, "4.5 %"},
		{[]any{"economics", "carbon_price"}, map[string]any{"amount": "80 EUR/t", "in_cost": true}},
		{[]any{"functional_unit", "analysis_period_years"}, jsontext.Value("30")},
		{[]any{"functional_unit", "area"}, "7300 m2"},
		{[]any{"alternatives", 0, "transport", 0, "distance"}, "200 km"},
		{[]any{"alternatives", 0, "transport", 1, "distance"}, "35 km"},
		{[]any{"overrides"}, []any{map[string]any{"item": "cement-cem-i", "price": "0.2 EUR/kg", "reason": whatIfReason}}},
	} {
		if got := at(t, document, want.path...); !reflect.DeepEqual(got, want.value) {
			t.Errorf("%v is %v, not %v", want.path, got, want.value)
		}
	}
	var names []string
	for _, in := range w.Changed() {
		names = append(names, in.Name)
	}
	if want := []string{"rate", "period", "carbon_price", "carbon_price_in", "haul-1", "price-cement-cem-i"}; !slices.Equal(names, want) {
		t.Errorf("changed: %v", names)
	}
	if in := w.Changed()[0]; in.Before() != "3 %" || in.After() != "4.5 %" {
		t.Errorf("from %s to %s", in.Before(), in.After())
	}
}

// A number of the comparison that no float holds stays as it is written when another
// member is changed.
func TestNumbersStayAsTheyAreWritten(t *testing.T) {
	const large = "9007199254740993" // 2^53 + 1
	request := []byte(strings.Replace(string(comparisonText(t)), `"equivalent_axles": 12000000`, `"equivalent_axles": `+large, 1))
	w, _ := changedBy(t, request, "rate=4")
	var got struct {
		Unit struct {
			Service struct {
				Axles int64 `json:"equivalent_axles"`
			} `json:"service"`
		} `json:"functional_unit"`
	}
	if err := json.Unmarshal(w.request, &got); err != nil {
		t.Fatal(err)
	}
	if got.Unit.Service.Axles != 9007199254740993 || !strings.Contains(string(w.request), large) {
		t.Errorf("%d axles", got.Unit.Service.Axles)
	}
}

// A haul is one field for all alternatives that have it, and says so where their
// distances differ.
func TestAHaulGoesForAllAlternatives(t *testing.T) {
	request := strings.Replace(string(comparisonText(t)), `"slab": { "thickness": "215 mm" }`,
		`"slab": { "thickness": "215 mm" }, "transport": [ { "category": "cement", "to": "plant", "mode": "lorry-articulated", "distance": "80 km" } ]`, 1)
	w, _ := changedBy(t, []byte(request), "")
	if in := w.Hauls[0]; in.Now != "" || in.Hint != "120 km, 80 km" {
		t.Errorf("the field shows %q, %q", in.Now, in.Hint)
	}
	_, document := changedBy(t, []byte(request), "haul-1=10+km")
	for _, alternative := range []int{0, 1} {
		if got := at(t, document, "alternatives", alternative, "transport", 0, "distance"); got != "10 km" {
			t.Errorf("alternative %d: %v", alternative, got)
		}
	}
}

// A real rate takes the place of a nominal one and of a schedule.
func TestARealRateTakesThePlaceOfOthers(t *testing.T) {
	for was, hint := range map[string]string{
		`"nominal_discount_rate": "5 %", "inflation": "2 %"`:          "5 % nominal, with inflation of 2 %",
		`"discount_rate_schedule": [{"from_year": 0, "rate": "3 %"}]`: "a schedule of rates",
	} {
		request := []byte(strings.Replace(string(comparisonText(t)), `"real_discount_rate": "3 %"`, was, 1))
		w, _ := changedBy(t, request, "")
		if in := w.Money[0]; in.Now != "" || in.Hint != hint {
			t.Errorf("the field shows %q, %q", in.Now, in.Hint)
		}
		_, document := changedBy(t, request, "rate=4")
		if got := at(t, document, "economics"); !reflect.DeepEqual(got, map[string]any{"real_discount_rate": "4 %"}) {
			t.Errorf("%v", got)
		}
	}
}

// A price that the comparison overrides already is changed in its place.
func TestAPriceThatIsOverriddenAlready(t *testing.T) {
	request := []byte(strings.Replace(string(comparisonText(t)), `"baseline"`, `"overrides": [{"item": "water-mains", "price": "0.003 EUR/kg", "factor": "0.1 kg CO2e/kg", "reason": "dry year"}], "baseline"`, 1))
	w, document := changedBy(t, request, "price-water-mains=0.004")
	want := []any{map[string]any{"item": "water-mains", "price": "0.004 EUR/kg", "factor": "0.1 kg CO2e/kg", "reason": whatIfReason + "; before: dry year"}}
	if got := at(t, document, "overrides"); !reflect.DeepEqual(got, want) {
		t.Errorf("%v", got)
	}
	if in := w.Changed()[0]; in.Before() != "0.003 EUR/kg" {
		t.Errorf("before: %s", in.Before())
	}
}

// The fields for one more price become a parameter of their own; one of them alone is a
// fault of the other.
func TestTheFieldsForOneMorePrice(t *testing.T) {
	query := url.Values{"item": {"water-mains"}, "price": {"0.01"}, "of": {"demo"}}
	w, _ := changedBy(t, comparisonText(t), query.Encode())
	if got := w.query(query).Encode(); got != "of=demo&price-water-mains=0.01+EUR%2Fkg" {
		t.Errorf("leads to %s", got)
	}
	if w, _ := changedBy(t, comparisonText(t), "item=water-mains"); w.PriceFault == "" || !w.Broken() {
		t.Error("an item without a price is taken")
	}
	if w, _ := changedBy(t, comparisonText(t), "price=3"); w.ItemFault == "" || !w.Broken() {
		t.Error("a price without an item is taken")
	}
}

// A fault of the changed comparison stands beside the field that brought it about.
func TestFaultsStandBesideTheirFields(t *testing.T) {
	w, _ := changedBy(t, comparisonText(t), "rate=x&period=20&haul-2=far&price-water-mains=much")
	w.blame([]Fault{
		{Pointer: "/economics/real_discount_rate", Detail: "no rate"},
		{Pointer: "/alternatives/0/maintenance/1/years/1", Detail: "too late"},
		{Pointer: "/alternatives/0/transport/1/distance", Detail: "no length"},
		{Pointer: "/overrides/0/price", Detail: "no price"},
		{Pointer: "/alternatives/0/mix", Detail: "elsewhere"},
	})
	got := map[string][]string{}
	for _, in := range w.Changed() {
		got[in.Name] = in.Faults
	}
	want := map[string][]string{"rate": {"no rate"}, "period": {"/alternatives/0/maintenance/1/years/1: too late"}, "haul-2": {"no length"}, "price-water-mains": {"no price"}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%v", got)
	}
	if len(w.Faults) != 1 || w.Faults[0].Detail != "elsewhere" {
		t.Errorf("left: %v", w.Faults)
	}
}

// What an address says is read as it was written: an address made from changes changes
// the same again.
func TestAnAddressOfChangesIsStable(t *testing.T) {
	query := url.Values{"rate": {" 4 "}, "haul-1": {"200"}, "period": {"40"}, "carbon_price": {""}, "units": {"us"}}
	w, _ := changedBy(t, comparisonText(t), query.Encode())
	plain := w.query(query)
	if again, _ := changedBy(t, comparisonText(t), plain.Encode()); again.query(plain).Encode() != plain.Encode() {
		t.Errorf("%s becomes %s", plain.Encode(), again.query(plain).Encode())
	}
	if got := plain.Encode(); got != "haul-1=200+km&rate=4+%25&units=us" {
		t.Error(got)
	}
}
