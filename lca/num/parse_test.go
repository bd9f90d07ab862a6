package num_test

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"slabledger/lca/num"
)

func ExampleParse() {
	for _, text := range []string{"340", "-12.50", "1e5"} {
		d, err := num.Parse(text)
		fmt.Println(d, errors.Is(err, num.ErrSyntax))
	}
	// Output:
	// 340 false
	// -12.5 false
	// 0 true
}

func TestParseAcceptsPlainDecimalsOnly(t *testing.T) {
	digits := func(n int) string { return strings.Repeat("9", n) }
	cases := []struct {
		text string
		want string // canonical text, when accepted
		err  error
	}{
		{"0", "0", nil},
		{"7", "7", nil},
		{"0.0", "0", nil},
		{"0.000000000001", "0.000000000001", nil},
		{"-0.5", "-0.5", nil},
		{"2.50", "2.5", nil},
		{"100", "100", nil},
		{"9007199254740993", "", num.ErrRange}, // 16 digits, and beyond float64
		{"900719925474099.3", "900719925474099.3", nil},
		{digits(15), digits(15), nil},
		{digits(15) + "." + digits(12), digits(15) + "." + digits(12), nil},
		{"-" + digits(15) + "." + digits(12), "-" + digits(15) + "." + digits(12), nil},
		{"123456.789012345678", "123456.789012345678", nil},     // 18 digits: last that fits a machine word
		{"1234567.890123456789", "1234567.890123456789", nil},   // 19 digits
		{"922337203685477.5808", "922337203685477.5808", nil},   // one beyond the largest int64
		{"999999.999999999999", "999999.999999999999", nil},     // 18 nines
		{"9999999.999999999999", "9999999.999999999999", nil},   // 19 nines
		{"-9999999.999999999999", "-9999999.999999999999", nil}, // and below zero

		{"", "", num.ErrSyntax},
		{"-", "", num.ErrSyntax},
		{".", "", num.ErrSyntax},
		{"-.", "", num.ErrSyntax},
		{".5", "", num.ErrSyntax},
		{"-.5", "", num.ErrSyntax},
		{"5.", "", num.ErrSyntax},
		{"1.2.3", "", num.ErrSyntax},
		{"01", "", num.ErrSyntax},
		{"00", "", num.ErrSyntax},
		{"-01", "", num.ErrSyntax},
		{"00.5", "", num.ErrSyntax},
		{"-0", "", num.ErrSyntax},
		{"-0.00", "", num.ErrSyntax},
		{"--1", "", num.ErrSyntax},
		{"1-", "", num.ErrSyntax},
		{"+1", "", num.ErrSyntax},
		{" 1", "", num.ErrSyntax},
		{"1 ", "", num.ErrSyntax},
		{"1\n", "", num.ErrSyntax},
		{"1\x00", "", num.ErrSyntax},
		{"\ufeff1", "", num.ErrSyntax},
		{"1e5", "", num.ErrSyntax},
		{"1E5", "", num.ErrSyntax},
		{"1e999999", "", num.ErrSyntax},
		{"1_0", "", num.ErrSyntax},
		{"1,5", "", num.ErrSyntax},
		{"1'000", "", num.ErrSyntax},
		{"0x10", "", num.ErrSyntax},
		{"0b1", "", num.ErrSyntax},
		{"1/3", "", num.ErrSyntax},
		{"Inf", "", num.ErrSyntax},
		{"-Inf", "", num.ErrSyntax},
		{"NaN", "", num.ErrSyntax},
		{"sNaN", "", num.ErrSyntax},
		{"١٢", "", num.ErrSyntax},
		{"\uff11\uff12", "", num.ErrSyntax}, // full-width digits
		{"\u22121", "", num.ErrSyntax},      // U+2212, not the ASCII hyphen
		{strings.Repeat("x", 1000), "", num.ErrSyntax},
		{"1e" + strings.Repeat("9", 1000), "", num.ErrSyntax},

		{digits(16), "", num.ErrRange},
		{"-" + digits(16), "", num.ErrRange},
		{"0." + digits(13), "", num.ErrRange},
		{digits(16) + "." + digits(12), "", num.ErrRange},
		{strings.Repeat("1", 1_000_000), "", num.ErrRange},
		{"-0." + strings.Repeat("1", 1_000_000), "", num.ErrRange},
	}
	for _, c := range cases {
		name := c.text
		if len(name) > 40 {
			name = name[:40] + "…"
		}
		t.Run(name, func(t *testing.T) {
			d, err := num.Parse(c.text)
			if !errors.Is(err, c.err) {
				t.Fatalf("error %v, want %v", err, c.err)
			}
			if err == nil && num.Canonical(d) != c.want {
				t.Errorf("read as %s, want %s", num.Canonical(d), c.want)
			}
			if err != nil && (!d.IsZero() || len(err.Error()) > 200) {
				t.Errorf("a refusal must give nothing and not repeat the input: %s, %d bytes of error", d, len(err.Error()))
			}
		})
	}
}

// A million digits cost the decimal library seconds and gigabytes; here they
// are refused without a single allocation, which no clock can blur.
func TestParseRefusesLongTextWithoutWork(t *testing.T) {
	for name, text := range map[string]string{
		"digits":   strings.Repeat("9", 1_000_000),
		"fraction": "0." + strings.Repeat("9", 1_000_000),
		"exponent": "1e" + strings.Repeat("9", 1_000_000),
		"letters":  strings.Repeat("x", 1_000_000),
	} {
		allocations := testing.AllocsPerRun(100, func() {
			if _, err := num.Parse(text); err == nil {
				t.Errorf("%s: accepted", name)
			}
		})
		if allocations != 0 {
			t.Errorf("%s: %v allocations, want none", name, allocations)
		}
	}
}

// grammar restates the contract independently of the scanner.
var grammar = regexp.MustCompile(`\A-?(0|[1-9][0-9]{0,14})(\.[0-9]{1,12})?\z`)
var minusZero = regexp.MustCompile(`\A-0(\.0*)?\z`)

func checkParse(t interface {
	Helper()
	Fatalf(format string, args ...any)
}, text string) {
	t.Helper()
	d, err := num.Parse(text)
	if legal := grammar.MatchString(text) && !minusZero.MatchString(text); legal != (err == nil) {
		t.Fatalf("%q: grammar says %v, Parse says %v", text, legal, err)
	}
	if err != nil {
		return
	}
	canonical := num.Canonical(d)
	again, err := num.Parse(canonical)
	if err != nil || !again.Equal(d) {
		t.Fatalf("%q was written as %q, which reads as %s, %v", text, canonical, again, err)
	}
	want := text
	if strings.Contains(text, ".") {
		want = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	if canonical != want {
		t.Fatalf("%q was written as %q, want %q", text, canonical, want)
	}
}

func TestParseAndCanonicalAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		checkParse(t, rapid.StringMatching(`-?(0|[1-9][0-9]{0,15})(\.[0-9]{1,13})?`).Draw(t, "text"))
		checkParse(t, rapid.StringOfN(rapid.SampledFrom([]rune("-+.0159eE _")), 0, 32, -1).Draw(t, "noise"))
	})
}

func FuzzParse(f *testing.F) {
	for _, text := range []string{"0", "-0", "12.50", "999999999999999.999999999999", "1e5", "01", ".5", "5.", "١٢", "-"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) { checkParse(t, text) })
}
