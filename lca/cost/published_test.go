package cost_test

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/lca/cost"
	"slabledger/lca/num"
)

func dec(text string) decimal.Decimal {
	d, err := num.Parse(text)
	if err != nil {
		panic(text + ": " + err.Error())
	}
	return d
}

// percent reads a rate in per cent as a fraction.
func percent(text string) decimal.Decimal { return dec(text).Mul(decimal.New(1, -2)) }

func whole(text string) int {
	n, err := strconv.Atoi(text)
	if err != nil {
		panic(err)
	}
	return n
}

// published runs a check on every row of a table of published values.
func published(t *testing.T, file string, check func(t *testing.T, row map[string]string)) {
	t.Helper()
	in, err := os.Open(filepath.Join("..", "..", "testdata", "published", "life-cycle-cost", file))
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	records, err := csv.NewReader(in).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(records) < 2 {
		t.Fatalf("%s has no rows", file)
	}
	for _, record := range records[1:] {
		row := map[string]string{}
		for i, name := range records[0] {
			row[name] = record[i]
		}
		t.Run(row["id"], func(t *testing.T) {
			if row["source"] == "" || row["kind"] == "" {
				t.Fatal("a published value needs a source and its kind")
			}
			check(t, row)
		})
	}
}

// agree compares by rounding ours to the digits that the source prints.
func agree(t *testing.T, got decimal.Decimal, err error, printed, decimals, source string) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	places := int32(whole(decimals))
	if !got.RoundBank(places).Equal(dec(printed)) {
		t.Errorf("got %s, printed %s to %d decimals in: %s", got, printed, places, source)
	}
}

func TestPublishedDiscountFactors(t *testing.T) {
	formulas := map[string]func(decimal.Decimal, int) (decimal.Decimal, error){
		"SPV": cost.SinglePresentValue,
		"UPV": cost.UniformPresentValue,
	}
	published(t, "discount-factors.csv", func(t *testing.T, row map[string]string) {
		formula, ok := formulas[row["factor"]]
		if !ok {
			t.Fatalf("no formula for %q", row["factor"])
		}
		got, err := formula(percent(row["rate_percent"]), whole(row["n"]))
		agree(t, got, err, row["printed"], row["printed_decimals"], row["source"])
	})
}

// The compound factor (1+d)^n is what an escalated payment comes to where the
// discount rate is 0.
func TestPublishedCompoundFactors(t *testing.T) {
	published(t, "compound-factors.csv", func(t *testing.T, row map[string]string) {
		got, err := cost.EscalatedSinglePresentValue(decimal.Zero, percent(row["rate_percent"]), whole(row["n"]))
		agree(t, got, err, row["printed"], row["printed_decimals"], row["source"])
	})
}

func TestPublishedEscalatedFactors(t *testing.T) {
	formulas := map[string]func(d, e decimal.Decimal, n int) (decimal.Decimal, error){
		"SPV*": cost.EscalatedSinglePresentValue,
		"UPV*": cost.EscalatedUniformPresentValue,
	}
	published(t, "escalation.csv", func(t *testing.T, row map[string]string) {
		formula, ok := formulas[row["factor"]]
		if !ok {
			t.Fatalf("no formula for %q", row["factor"])
		}
		got, err := formula(percent(row["rate_percent"]), percent(row["escalation_percent"]), whole(row["n"]))
		agree(t, got, err, row["printed"], row["printed_decimals"], row["source"])
	})
}

func TestPublishedRealAndNominal(t *testing.T) {
	hundred := func(d decimal.Decimal) decimal.Decimal { return d.Mul(num.Hundred) }
	published(t, "real-nominal.csv", func(t *testing.T, row map[string]string) {
		var got decimal.Decimal
		var err error
		switch row["quantity"] {
		case "nominal-rate":
			got, err = cost.Nominal(percent(row["real_rate_percent"]), percent(row["inflation_percent"]))
			got = hundred(got)
		case "real-rate":
			got, err = cost.Real(percent(row["nominal_rate_percent"]), percent(row["inflation_percent"]))
			got = hundred(got)
		case "inflation": // implied by the two rates: the roles are symmetric
			got, err = cost.Real(percent(row["nominal_rate_percent"]), percent(row["real_rate_percent"]))
			got = hundred(got)
		case "present-value":
			escalation := percent(row["real_escalation_percent"])
			rate := row["real_rate_percent"]
			if rate == "" { // the amount is nominal: it escalates by E, and is discounted by D
				rate = row["nominal_rate_percent"]
				if escalation, err = cost.Nominal(escalation, percent(row["inflation_percent"])); err != nil {
					t.Fatal(err)
				}
			}
			got, err = cost.EscalatedSinglePresentValue(percent(rate), escalation, whole(row["years"]))
			got = got.Mul(dec(row["amount"]))
		default:
			t.Fatalf("no formula for %q", row["quantity"])
		}
		agree(t, got, err, row["printed"], row["printed_decimals"], row["source"])
	})
}

func TestPublishedResidualValues(t *testing.T) {
	published(t, "residual.csv", func(t *testing.T, row map[string]string) {
		amount, life, period := dec(row["cost"]), whole(row["life_years"]), whole(row["period_years"])
		var got decimal.Decimal
		var err error
		switch row["method"] {
		case "remaining-life":
			got, err = cost.RemainingLife(amount, whole(row["cost_year"]), life, period)
		case "straight-line":
			got, err = cost.StraightLine(amount, decimal.Zero, life, period-whole(row["cost_year"]))
		default:
			t.Fatalf("no formula for %q", row["method"])
		}
		agree(t, got, err, row["printed"], row["printed_decimals"], row["source"])
		if row["present_value_printed"] == "" {
			return
		}
		factor, err := cost.SinglePresentValue(percent(row["rate_percent"]), period)
		agree(t, got.Mul(factor), err, row["present_value_printed"], row["present_value_decimals"], row["source"])
	})
}

// The worked table of FHWA-SA-98-079 through the engine. Where the table
// slipped, the row says so, and the exact value is to be met instead.
func TestPublishedPavementCase(t *testing.T) {
	const period = 35
	rate := dec("0.04")
	var flows []cost.Flow
	var checks []map[string]string
	published(t, "fhwa-sa-98-079.csv", func(t *testing.T, row map[string]string) {
		if !percent(row["rate_percent"]).Equal(rate) {
			t.Fatalf("the table is at 4 %%, not at %s", row["rate_percent"])
		}
		checks = append(checks, row)
		if row["row"] != "flow" {
			return
		}
		flow := cost.Flow{Label: row["id"], Year: whole(row["year"]), Amount: dec(row["amount"]), Price: num.One}
		switch {
		case flow.Amount.IsNegative():
			flow.Kind, flow.Amount = cost.Residual, flow.Amount.Neg()
		case row["payer"] == "users":
			flow.Kind = cost.User
		case flow.Year == 0:
			flow.Kind = cost.Initial
		default:
			flow.Kind = cost.Maintenance
		}
		flows = append(flows, flow)
	})

	factors, err := cost.NewFactors(rate, period)
	if err != nil {
		t.Fatal(err)
	}
	result, err := factors.Present(flows)
	if err != nil {
		t.Fatal(err)
	}
	agency, all := result.NetPresentValue, result.NetPresentValue.Add(result.User)
	got := map[string]decimal.Decimal{
		"total":             all,
		"total-annualised":  factors.Annual(all),
		"agency-total":      agency,
		"agency-annualised": result.EquivalentAnnual,
	}
	for _, line := range result.Lines {
		got[line.Label] = line.PresentValue
		if line.Kind == cost.Residual {
			got[line.Label] = line.PresentValue.Neg()
		}
	}
	for _, row := range checks {
		value, ok := got[row["id"]]
		if !ok {
			t.Errorf("%s was not computed", row["id"])
			continue
		}
		agree(t, value, nil, row["exact"], row["exact_decimals"], row["source"])
		if row["printed"] == "" {
			continue
		}
		agrees := value.RoundBank(int32(whole(row["printed_decimals"]))).Equal(dec(row["printed"]))
		if deviates := row["deviates"] == "yes"; agrees == deviates {
			t.Errorf("%s: %s against the printed %s, of which the table says: %q", row["id"], value, row["printed"], row["note"])
		}
	}
	if gap := all.Sub(dec("1918181")).Abs(); gap.GreaterThan(dec("6")) {
		t.Errorf("the total is %s from the printed one, more than the 6 that its slip explains", gap)
	}
}
