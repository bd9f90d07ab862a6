package api_test

import (
	"net/http"
	"testing"

	"github.com/go-json-experiment/json"

	"slabledger/api"
)

// Requests that use what a whole life can be asked for have answers that fit the
// contract.
func TestAnswersOfAWholeLifeFitTheContract(t *testing.T) {
	server := newServer(t, api.Options{})
	object := func(kv ...any) map[string]any {
		m := map[string]any{}
		for i := 0; i < len(kv); i += 2 {
			m[kv[i].(string)] = kv[i+1]
		}
		return m
	}
	nominal := object("nominal_discount_rate", "5 %", "inflation", "2 %", "nominal_escalation", []any{object("item", "joint-resealing", "rate", "3 %")}, "include_user_cost", true,
		"carbon_price", object("amount", "80 EUR/t", "nominal_growth", "4 %", "price_year", 2026, "source", "invented", "in_cost", true))
	scheduled := object("discount_rate_schedule", []any{object("from_year", 0, "rate", "3.5 %"), object("from_year", 31, "rate", "3 %")}, "include_user_cost", false)
	carbonation := object("strength_class", "C30/37", "exposure", "sheltered_from_rain", "cements", []any{object("item", "cement-cem-i", "clinker", "95 %", "reactive_cao", "65 %")})
	strategies := []any{object("name", "grind", "maintenance", []any{object("item", "surface-grinding", "at_age_years", 12, "life_years", 10, "user_cost", "0.30 EUR/m2"),
		object("item", "joint-resealing", "after", "surface-grinding", "at_age_years", 5)})}
	for name, c := range map[string]struct {
		economics map[string]any
		lives     string
	}{"nominal, common period": {nominal, "common_period"}, "schedule, annual equivalents": {scheduled, "annual_equivalent"}, "no money": {nil, "annual_equivalent"}} {
		t.Run(name, func(t *testing.T) {
			var body map[string]any
			if err := json.Unmarshal([]byte(demo(t)), &body); err != nil {
				t.Fatal(err)
			}
			if body["economics"] = c.economics; c.economics == nil {
				delete(body, "economics")
			}
			body["strategies"] = strategies
			body["functional_unit"].(map[string]any)["unequal_lives"] = c.lives
			for i, a := range body["alternatives"].([]any) {
				slab := a.(map[string]any)
				slab["slab"].(map[string]any)["service_life_years"] = []int{20, 25, 40}[i]
				slab["residual"] = object("method", "remaining_life", "life_years", []int{20, 25, 40}[i])
			}
			plain := body["alternatives"].([]any)[0].(map[string]any)
			delete(plain, "maintenance")
			plain["strategy"], plain["carbonation"] = "grind", carbonation
			out, err := json.Marshal(body)
			if err != nil {
				t.Fatal(err)
			}
			w := server.do(post("/v1/comparisons", string(out)))
			if w.Code != http.StatusOK {
				t.Fatalf("%d %s", w.Code, w.Body)
			}
			checkAnswer(t, "compare", w)
		})
	}
}
