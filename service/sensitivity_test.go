package service_test

import (
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/service"
)

func sensitivity(t *testing.T, svc *service.Service, comparison []byte, rest map[string]any) *service.SensitivityResponse {
	t.Helper()
	var c any
	if err := json.Unmarshal(comparison, &c); err != nil {
		t.Fatal(err)
	}
	body := object2("comparison", c, "first", "plain", "second", "fibre", "measure", "net_present_value", "percent", "10 %")
	for k, v := range rest {
		body[k] = v
	}
	text, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	r, err := svc.Sensitivity(t.Context(), text)
	if err != nil {
		for _, f := range service.Faults(err) {
			t.Log(f)
		}
		t.Fatal(err)
	}
	return r
}

// One input at a time, over the spread that is stated or else by a percentage; the
// inputs come in order of what they do, and what is said is what a comparison with
// that input says.
func TestSensitivityOneAtATime(t *testing.T) {
	svc := newService(t)
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		if code == "cement-cem-i" {
			i.FactorData.Spread = &inventory.Spread{Distribution: inventory.Lognormal, GSD: decimal.NewNullDecimal(decimal.RequireFromString("1.2"))}
		}
	})
	body := request(t, edit{"/inventory", "demo@2"})
	r := sensitivity(t, svc, body, object2("measure", "total_carbon", "members", []any{object2("pointer", "/alternatives/1/slab/thickness", "unit", "mm")}))
	if len(r.Lines) < 10 || len(r.Pairs) != 4 {
		t.Fatalf("%d lines, %d pairs", len(r.Lines), len(r.Pairs))
	}
	for i, l := range r.Lines {
		if i > 0 && l.Swing.GreaterThan(r.Lines[i-1].Swing.Decimal) {
			t.Errorf("%s is out of order", l.Name)
		}
		if !l.High.Difference.Sub(l.Low.Difference.Decimal).Abs().Equal(l.Swing.Decimal) {
			t.Errorf("%s: the swing is not that of the ends", l.Name)
		}
		switch l.Name {
		case "factor of cement-cem-i": // 0.842 / 1.44 and 0.842 * 1.44
			if l.Basis != "spread lognormal 1.2" || !l.HighAt.Equal(decimal.RequireFromString("1.21248")) || l.LowAt.String() != "0.584722222222" {
				t.Errorf("%+v", l)
			}
			// The total is a straight line in the factor, so the elasticity is its share.
			share := decimal.Zero
			full := compare(t, svc, body).Alternatives[0]
			for _, line := range full.Carbon.Lines {
				if line.Item == "cement-cem-i" {
					share = share.Add(line.GWPKgCO2ePerM2.Decimal)
				}
			}
			share = share.DivRound(full.Carbon.TotalKgCO2ePerM2.Decimal, 6)
			if l.Elastic.First.Sub(share).Abs().GreaterThan(decimal.New(1, -5)) {
				t.Errorf("elasticity %s, share %s", l.Elastic.First, share)
			}
		case "alternatives/1/slab/thickness":
			if l.LowAt.String() != "193.5" || l.HighAt.String() != "236.5" || !strings.Contains(l.Basis, "percentage") {
				t.Errorf("%+v", l)
			}
			thick := compare(t, svc, changed(t, body, edit{"/alternatives/1/slab/thickness", "236.5 mm"}))
			if !thick.Alternatives[1].Carbon.TotalKgCO2ePerM2.Equal(l.High.Second.Decimal) {
				t.Errorf("%s, a comparison says %s", l.High.Second, thick.Alternatives[1].Carbon.TotalKgCO2ePerM2)
			}
		}
	}
	// A slab 10 % thicker turns the demo's answer in carbon.
	reversed := strings.Join(r.Reversals, " ")
	for _, l := range r.Lines {
		if l.Reverses != strings.Contains(reversed, l.Name) {
			t.Errorf("reversals %q do not fit %s", reversed, l.Name)
		}
	}
}

// The prices are those that cost depends on; an item without a price of its own is
// said.
func TestSensitivityOfCost(t *testing.T) {
	r := sensitivity(t, newService(t), request(t), object2("members", []any{object2("pointer", "/economics/real_discount_rate", "unit", "%")}))
	found := map[string]bool{}
	for _, l := range r.Lines {
		found[l.Name] = true
	}
	for _, name := range []string{"price of fibre-pp-macro", "price of cement-cem-i", "economics/real_discount_rate"} {
		if !found[name] {
			t.Errorf("%s was not varied: %v", name, found)
		}
	}
	for _, p := range r.Pairs {
		if len(p.Inputs) != 2 || p.Inputs[0] != r.Lines[0].Name || p.Inputs[1] != r.Lines[1].Name {
			t.Errorf("%+v", p)
		}
	}
}
