package pages

import (
	"bytes"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"slabledger/inventory"
	"slabledger/lca/num"
	"slabledger/service"
	"slabledger/service/report"
)

// Parameters of an address that change the comparison it names: what if it were so. The
// comparison itself stays as it is.
const (
	rateParam     = "rate"
	periodParam   = "period"
	carbonParam   = "carbon_price"
	carbonInParam = "carbon_price_in"
	haulParam     = "haul-"  // and the place of the haul among those of the comparison, from 1
	priceParam    = "price-" // and the code of the item

	// Of the form alone, which become a priceParam.
	itemParam     = "item"
	newPriceParam = "price"
)

// whatIfReason is the reason that an override of the page gives.
const whatIfReason = "what-if on the page"

// input is one thing of a comparison that its page lets people change.
type input struct {
	Name, Label, Unit string
	Now               string // what the comparison has; empty where that is nothing, or not one value
	Hint              string
	Given             string // what the address says in place of it; empty where it says nothing
	Choices           []pick // where not every text may be given
	Faults            []string
	set               func(document map[string]any, text string)
	answersFor        func(pointer string) bool // of a fault in the comparison changed
}

// pick is one of several values that an input may have.
type pick struct{ Value, Label string }

// Value is what the field shows.
func (in *input) Value() string {
	if in.Given != "" {
		return in.Given
	}
	return in.Now
}

// Before is what the comparison has, for people.
func (in *input) Before() string { return in.said(in.Now) }

// After is what the address says, for people.
func (in *input) After() string { return in.said(in.Given) }

func (in *input) said(text string) string {
	for _, c := range in.Choices {
		if c.Value == text {
			return c.Label
		}
	}
	if text == "" {
		return in.Hint
	}
	if in.Name == periodParam {
		return text + " " + in.Unit
	}
	return text
}

// whatIf is what an address changes of a comparison.
type whatIf struct {
	Money, Hauls, Prices []*input // Prices are those of the items that are changed
	Items                []pick   // whose price may be changed
	Item, Price          string   // of the form, where only one of them was given
	ItemFault            string
	PriceFault           string
	Faults               []Fault // that belong to no field

	request []byte
}

// inputs are all fields but those for one more price.
func (w *whatIf) inputs() []*input { return slices.Concat(w.Money, w.Hauls, w.Prices) }

// Changed are the inputs that the address changes.
func (w *whatIf) Changed() (list []*input) {
	for _, in := range w.inputs() {
		if in.Given != "" {
			list = append(list, in)
		}
	}
	return list
}

// Broken tells whether something of the form cannot be computed.
func (w *whatIf) Broken() bool {
	return len(w.Faults) > 0 || w.ItemFault != "" || w.PriceFault != "" || slices.ContainsFunc(w.inputs(), func(in *input) bool { return len(in.Faults) > 0 })
}

// newWhatIf reads the changes of an address to a comparison that computes. The version is
// the one that it rests on, and used what it uses of it.
func newWhatIf(request []byte, query url.Values, version *inventory.Version, used []service.ItemUsed) (*whatIf, error) {
	document, err := documentOf(request)
	if err != nil {
		return nil, err
	}
	w := &whatIf{request: request}
	w.moneyOf(document, version.Meta.Currency)
	w.haulsOf(document, used)
	w.pricesOf(document, query, version, used)
	for _, in := range w.inputs() {
		in.Given = in.read(query.Get(in.Name))
	}
	w.pairOf(query)
	return w, nil
}

// read is a text of a field as it is meant: a bare number is in the unit that the field
// names, and what the comparison has already is no change.
func (in *input) read(text string) string {
	text = strings.TrimSpace(text)
	if text == "" || text == in.Now {
		return ""
	}
	if len(in.Choices) > 0 {
		if !slices.ContainsFunc(in.Choices, func(c pick) bool { return c.Value == text }) {
			return ""
		}
		return text
	}
	if in.Unit != "" && in.Name != periodParam {
		if _, err := num.Parse(text); err == nil {
			text += " " + in.Unit
		}
	}
	if text == in.Now {
		return ""
	}
	return text
}

// moneyOf makes the inputs of the economics and the period.
func (w *whatIf) moneyOf(document map[string]any, currency string) {
	economics, _ := document["economics"].(map[string]any)
	rate := &input{Name: rateParam, Label: "Real discount rate, a year", Unit: "%", Now: textOf(economics["real_discount_rate"]),
		set: func(document map[string]any, text string) {
			economics := objectIn(document, "economics")
			economics["real_discount_rate"] = text
			for _, other := range []string{"nominal_discount_rate", "inflation", "discount_rate_schedule"} {
				delete(economics, other)
			}
		}, answersFor: beginsWith("/economics/real_discount_rate", "/economics/discount_rate_schedule", "/economics/nominal_discount_rate")}
	switch {
	case economics == nil:
		rate.Hint = "none; without a rate the comparison counts no cost"
	case economics["nominal_discount_rate"] != nil:
		rate.Hint = fmt.Sprintf("%s nominal, with inflation of %s", textOf(economics["nominal_discount_rate"]), textOf(economics["inflation"]))
	case economics["discount_rate_schedule"] != nil:
		rate.Hint = "a schedule of rates"
	}
	unit, _ := document["functional_unit"].(map[string]any)
	period := &input{Name: periodParam, Label: "Analysis period", Unit: "years", Now: textOf(unit["analysis_period_years"]),
		set: func(document map[string]any, text string) {
			var value any = text // which is refused in words
			if _, err := strconv.ParseUint(text, 10, 31); err == nil && (len(text) == 1 || text[0] != '0') {
				value = jsontext.Value(text)
			}
			objectIn(document, "functional_unit")["analysis_period_years"] = value
		}, answersFor: func(pointer string) bool {
			if beginsWith("/functional_unit/analysis_period_years", "/functional_unit/service/design_life_years", "/economics/discount_rate_schedule", "/economics/carbon_price/by_year", "/strategies")(pointer) {
				return true
			}
			steps := strings.Split(pointer, "/") // what falls into years of the period
			return len(steps) > 3 && steps[1] == "alternatives" && (steps[3] == "maintenance" || steps[3] == "residual" || steps[3] == "carbonation" || steps[3] == "strategy")
		}}
	price, _ := economics["carbon_price"].(map[string]any)
	carbon := &input{Name: carbonParam, Label: "Price of carbon", Unit: currency + "/t", Now: textOf(price["amount"]), Hint: "none",
		set: func(document map[string]any, text string) {
			price := objectIn(objectIn(document, "economics"), "carbon_price")
			price["amount"] = text
			delete(price, "by_year")
		}, answersFor: beginsWith("/economics/carbon_price")}
	if price["by_year"] != nil {
		carbon.Hint = "by year"
	}
	within := &input{Name: carbonInParam, Label: "Count the price of carbon", Now: "beside", Choices: []pick{{"beside", "beside the cost"}, {"cost", "in the cost"}},
		set: func(document map[string]any, text string) {
			price := objectIn(objectIn(document, "economics"), "carbon_price")
			if price["in_cost"] = true; text != "cost" {
				delete(price, "in_cost")
			}
		}, answersFor: beginsWith("/economics/carbon_price/in_cost")}
	if price["in_cost"] == true {
		within.Now = "cost"
	}
	w.Money = []*input{rate, period, carbon, within}
}

// haulsOf makes an input of every haul: each thing that is moved to one place by one mode.
// It goes for all alternatives that have the haul.
func (w *whatIf) haulsOf(document map[string]any, used []service.ItemUsed) {
	type haul struct{ item, category, to, mode string }
	of := func(rule map[string]any) haul {
		return haul{textOf(rule["item"]), textOf(rule["category"]), textOf(rule["to"]), textOf(rule["mode"])}
	}
	rules := func(document map[string]any, visit func(at string, rule map[string]any)) {
		alternatives, _ := document["alternatives"].([]any)
		for i := range alternatives {
			alternative, _ := alternatives[i].(map[string]any)
			transport, _ := alternative["transport"].([]any)
			for j := range transport {
				if rule, _ := transport[j].(map[string]any); rule["distance"] != nil {
					visit(fmt.Sprintf("/alternatives/%d/transport/%d/", i, j), rule)
				}
			}
		}
	}
	var hauls []haul
	distances, places := map[haul][]string{}, map[haul][]string{}
	rules(document, func(at string, rule map[string]any) {
		h := of(rule)
		if _, known := distances[h]; !known {
			hauls = append(hauls, h)
		}
		if distance := textOf(rule["distance"]); !slices.Contains(distances[h], distance) {
			distances[h] = append(distances[h], distance)
		}
		places[h] = append(places[h], at)
	})
	for n, h := range hauls {
		what := h.category
		if h.item != "" {
			what = nameOf(used, h.item)
		}
		in := &input{Name: haulParam + strconv.Itoa(n+1), Unit: "km", Label: fmt.Sprintf("%s to the %s, by %s", capital(what), h.to, lower(nameOf(used, h.mode))),
			set: func(document map[string]any, text string) {
				rules(document, func(_ string, rule map[string]any) {
					if of(rule) == h {
						rule["distance"] = text
					}
				})
			}, answersFor: beginsWith(places[h]...)}
		if len(distances[h]) == 1 {
			in.Now = distances[h][0]
		} else {
			in.Hint = strings.Join(distances[h], ", ")
		}
		w.Hauls = append(w.Hauls, in)
	}
}

// pricesOf makes an input of the price of each item that the address changes, and lists
// the others.
func (w *whatIf) pricesOf(document map[string]any, query url.Values, version *inventory.Version, used []service.ItemUsed) {
	overrides, _ := document["overrides"].([]any)
	for _, u := range used {
		code := codeOf(u.Ref)
		at := slices.IndexFunc(version.Items, func(it inventory.Item) bool { return it.Code == code })
		if at < 0 || len(version.Items[at].Recipe) > 0 {
			continue // it is made of others, which have the prices
		}
		it := &version.Items[at]
		in := &input{Name: priceParam + code, Label: "Price of " + lower(it.Name), Unit: version.Meta.Currency + "/" + it.Unit}
		if it.Price != nil {
			in.Now = it.Price.Amount.String() + " " + in.Unit
		} else {
			in.Hint = "no price"
		}
		for _, o := range overrides {
			if override, _ := o.(map[string]any); textOf(override["item"]) == code && override["price"] != nil {
				in.Now = textOf(override["price"])
			}
		}
		in.set = func(document map[string]any, text string) {
			list, _ := document["overrides"].([]any)
			for _, o := range list {
				if override, _ := o.(map[string]any); textOf(override["item"]) == code {
					override["price"], override["reason"] = text, whatIfReason+"; before: "+textOf(override["reason"])
					return
				}
			}
			document["overrides"] = append(list, map[string]any{"item": code, "price": text, "reason": whatIfReason})
		}
		in.answersFor = func(pointer string) bool {
			return strings.HasPrefix(pointer, "/overrides/") && w.itemAt(pointer) == code
		}
		if query.Has(in.Name) || query.Get(itemParam) == code && strings.TrimSpace(query.Get(newPriceParam)) != "" {
			w.Prices = append(w.Prices, in)
		}
		label := it.Name
		if in.Now != "" {
			label += ", " + in.Now
		}
		w.Items = append(w.Items, pick{code, label})
	}
}

// pairOf reads the fields for one more price: together they are the price of an item, and
// one alone cannot be meant.
func (w *whatIf) pairOf(query url.Values) {
	item, price := query.Get(itemParam), strings.TrimSpace(query.Get(newPriceParam))
	known := slices.ContainsFunc(w.Items, func(c pick) bool { return c.Value == item })
	switch {
	case known && price != "":
		for _, in := range w.Prices {
			if in.Name == priceParam+item {
				in.Given = in.read(price)
			}
		}
	case known:
		w.Item, w.PriceFault = item, "Say which price the item should have."
	case price != "":
		w.Price, w.ItemFault = price, "Say which item should have this price."
	}
}

// query is the query of an address with these changes, each once and as it was understood.
func (w *whatIf) query(query url.Values) url.Values {
	plain := unchanged(query)
	for _, in := range w.Changed() {
		plain.Set(in.Name, in.Given)
	}
	if w.Item != "" {
		plain.Set(itemParam, w.Item)
	}
	if w.Price != "" {
		plain.Set(newPriceParam, w.Price)
	}
	return plain
}

// changesComparison tells whether a parameter of an address changes the comparison.
func changesComparison(name string) bool {
	return slices.Contains([]string{rateParam, periodParam, carbonParam, carbonInParam, itemParam, newPriceParam}, name) ||
		strings.HasPrefix(name, haulParam) || strings.HasPrefix(name, priceParam)
}

// unchanged is a query without what changes the comparison.
func unchanged(query url.Values) url.Values {
	plain := url.Values{}
	for name, values := range query {
		if !changesComparison(name) {
			plain[name] = values
		}
	}
	return plain
}

// apply makes the comparison as changed; it is the request itself where nothing is.
func (w *whatIf) apply() ([]byte, error) {
	changed := w.Changed()
	if len(changed) == 0 {
		return w.request, nil
	}
	document, err := documentOf(w.request)
	if err != nil {
		return nil, err
	}
	for _, in := range changed {
		in.set(document, in.Given)
	}
	if w.request, err = documentText(document); err != nil {
		return nil, err
	}
	return w.request, nil
}

// blame puts faults of the comparison as changed beside the fields that they are of.
func (w *whatIf) blame(faults []Fault) {
	for _, f := range faults {
		var field *input
		for _, in := range w.Changed() {
			if in.answersFor(f.Pointer) {
				field = in
			}
		}
		if field == nil { // a change may bring another member into need
			for _, in := range w.inputs() {
				if in.answersFor(f.Pointer) {
					field = in
				}
			}
		}
		if field == nil {
			w.Faults = append(w.Faults, f)
			continue
		}
		detail := f.Detail
		if field.Name == periodParam && !strings.HasPrefix(f.Pointer, "/functional_unit/analysis") {
			detail = f.Pointer + ": " + detail
		}
		if !slices.Contains(field.Faults, detail) {
			field.Faults = append(field.Faults, detail)
		}
	}
}

// itemAt is the item of the override that a pointer leads into.
func (w *whatIf) itemAt(pointer string) string {
	document, err := documentOf(w.request)
	if err != nil {
		return ""
	}
	list, _ := document["overrides"].([]any)
	n, err := strconv.Atoi(strings.SplitN(pointer, "/", 4)[2])
	if err != nil || n < 0 || n >= len(list) {
		return ""
	}
	override, _ := list[n].(map[string]any)
	return textOf(override["item"])
}

// documentOf reads a JSON object. Numbers stay as they are written.
func documentOf(text []byte) (map[string]any, error) {
	var document map[string]any
	err := json.Unmarshal(text, &document, json.WithUnmarshalers(json.UnmarshalFromFunc(func(dec *jsontext.Decoder, value *any) error {
		if dec.PeekKind() == '0' {
			*value = jsontext.Value(nil)
		}
		return errors.ErrUnsupported
	})))
	if err != nil {
		return nil, &service.Error{Code: service.Malformed, Detail: "The comparison cannot be read.", Cause: err}
	}
	return document, nil
}

// documentText writes what documentOf read.
func documentText(document map[string]any) ([]byte, error) {
	var text bytes.Buffer
	if err := json.MarshalWrite(&text, document, json.Deterministic(true)); err != nil {
		return nil, &service.Error{Code: service.Malformed, Detail: "The comparison cannot be written.", Cause: err}
	}
	return text.Bytes(), nil
}

// objectIn is a member that is an object, made where it is missing.
func objectIn(document map[string]any, name string) map[string]any {
	object, is := document[name].(map[string]any)
	if !is {
		object = map[string]any{}
		document[name] = object
	}
	return object
}

// textOf is a text or a number as it is written; empty for anything else.
func textOf(value any) string {
	switch v := value.(type) {
	case string:
		return v
	case jsontext.Value:
		return string(v)
	}
	return ""
}

func beginsWith(prefixes ...string) func(string) bool {
	return func(pointer string) bool {
		return slices.ContainsFunc(prefixes, func(prefix string) bool { return strings.HasPrefix(pointer, prefix) })
	}
}

// codeOf is the code of an item in a reference like demo@1/cement.
func codeOf(ref string) string { return ref[strings.LastIndexByte(ref, '/')+1:] }

// nameOf is what an item is called.
func nameOf(used []service.ItemUsed, code string) string {
	for i := range used {
		if codeOf(used[i].Ref) == code {
			return report.Printable(used[i].Name)
		}
	}
	return code
}

// capital and lower write a name at the beginning of a line, and inside one. A name that
// has more capitals keeps them.
func capital(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(first)) + s[size:]
}

func lower(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	if strings.ContainsFunc(s[size:], unicode.IsUpper) {
		return s
	}
	return string(unicode.ToLower(first)) + s[size:]
}
