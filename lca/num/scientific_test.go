package num_test

import (
	"errors"
	"math/big"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"slabledger/lca/num"
)

func TestPrintedNumbersAreReadFromTheirDigits(t *testing.T) {
	tests := []struct {
		text, want string // plain decimal
		last       int    // power of ten of the last digit
	}{
		{"0", "0", 0},
		{"-0.00", "0", -2},
		{"0E5", "0", 5},
		{"12", "12", 0},
		{"+12.30", "12.3", -2},
		{".5", "0.5", -1},
		{"5.", "5", 0},
		{"007", "7", 0},
		{"1.23E-2", "0.0123", -4},
		{"1.23e+02", "123", 0},
		{"1.2E2", "120", 1},
		{"-6.153E2", "-615.3", -1},
		{"9.99999999999999E14", "999999999999999", 0},
		{"1E-30", "0." + strings.Repeat("0", 29) + "1", -30},
		{"0.30000000000000004", "0.30000000000000004", -17},
		{"123456789012.123456789012345678", "123456789012.123456789012345678", -18},
		{"100000000000.000000000000000001", "100000000000.000000000000000001", -18},
	}
	for _, tt := range tests {
		got, err := num.ParsePrinted(tt.text)
		if err != nil || num.Canonical(got.Value) != tt.want || got.Last != tt.last {
			t.Errorf("%s: %s to 10^%d, %v; want %s to 10^%d", tt.text, got.Value, got.Last, err, tt.want, tt.last)
		}
	}
}

func TestPrintedNumbersThatAreRefused(t *testing.T) {
	for text, want := range map[string]error{
		"": num.ErrPrinted, " ": num.ErrPrinted, ".": num.ErrPrinted, "-": num.ErrPrinted, "+-1": num.ErrPrinted, "E5": num.ErrPrinted, "1E": num.ErrPrinted,
		"1E+-2": num.ErrPrinted, "1E2.5": num.ErrPrinted, "1,5": num.ErrPrinted, "1 000": num.ErrPrinted, "0x1p-2": num.ErrPrinted, "1_0": num.ErrPrinted,
		"1/3": num.ErrPrinted, "NaN": num.ErrPrinted, "INF": num.ErrPrinted, "-INF": num.ErrPrinted, "Infinity": num.ErrPrinted, "1.2.3": num.ErrPrinted, "١": num.ErrPrinted,
		"1E31": num.ErrPrintedRange, "1E-31": num.ErrPrintedRange, "1E999999999": num.ErrPrintedRange, "1E99999999999999999999999": num.ErrPrintedRange,
		"1E15": num.ErrPrintedRange, "1000000000000000": num.ErrPrintedRange, "-1E15": num.ErrPrintedRange,
		"1.234567890123456789012345678901": num.ErrPrintedRange, strings.Repeat("0", 65): num.ErrPrintedRange,
	} {
		if got, err := num.ParsePrinted(text); !errors.Is(err, want) {
			t.Errorf("%q: %v, %v; want %v", text, got, err, want)
		}
	}
}

// math/big reads the same text as an exact fraction.
func TestPrintedNumbersAgreeWithExactFractions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[-+]?[0-9]{1,9}(\.[0-9]{0,18})?([eE][-+]?(0?[0-9]|[12][0-9]|30))?`).Draw(t, "number")
		got, err := num.ParsePrinted(text)
		want, ok := new(big.Rat).SetString(text)
		if !ok {
			t.Fatalf("the oracle does not read %s", text)
		}
		if want.Cmp(big.NewRat(1e15, 1)) >= 0 || want.Cmp(big.NewRat(-1e15, 1)) <= 0 {
			if !errors.Is(err, num.ErrPrintedRange) {
				t.Fatalf("%s: %v, %v", text, got, err)
			}
			return
		}
		if err != nil || got.Value.Rat().Cmp(want) != 0 {
			t.Fatalf("%s: %s, %v", text, got.Value, err)
		}
	})
}

// The two rules differ where a program saved a binary number: in print 17 digits are
// what stands there, in a sheet they are 0.142.
func TestAPrintedNumberKeepsTheDigitsThatABinaryOneDrops(t *testing.T) {
	const text = "0.14199999999999999"
	printed, err := num.ParsePrinted(text)
	if err != nil {
		t.Fatal(err)
	}
	binary, err := num.ShortestDouble(text)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{text, "0.142"}, []string{num.Canonical(printed.Value), binary}); diff != "" {
		t.Error(diff)
	}
}

func TestBinaryNumbersAsProgramsSaveThem(t *testing.T) {
	for text, want := range map[string]string{
		"0.14199999999999999": "0.142", "1.4199999999999999E-1": "0.142", "1E3": "1000", "-2.5e-3": "-0.0025", "0": "0", "-0": "0", "00.50": "0.5",
		"0.30000000000000004": "0.30000000000000004", "1e21": "1000000000000000000000",
	} {
		if got, err := num.ShortestDouble(text); err != nil || got != want {
			t.Errorf("%s: %s, %v; want %s", text, got, err, want)
		}
	}
	for text, want := range map[string]error{
		"": num.ErrDouble, "x": num.ErrDouble, "1e": num.ErrDouble, "1E999": num.ErrDouble, "0x1p-2": num.ErrDouble, "inf": num.ErrDouble, "1_0": num.ErrDouble,
		"0.123456789012345678": num.ErrDoubleDigits, strings.Repeat("0", 41): num.ErrDoubleDigits,
	} {
		if got, err := num.ShortestDouble(text); !errors.Is(err, want) {
			t.Errorf("%q: %s, %v; want %v", text, got, err, want)
		}
	}
}

// What was typed with at most 15 digits comes back as typed, whatever a program made
// of it in binary.
func TestFifteenDigitsSurviveABinaryProgram(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		typed := rapid.StringMatching(`[1-9][0-9]{0,5}\.[0-9]{0,8}[1-9]`).Draw(t, "typed")
		f, err := strconv.ParseFloat(typed, 64)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := num.ShortestDouble(strconv.FormatFloat(f, 'e', 16, 64)); err != nil || got != typed {
			t.Fatalf("%s: %s, %v", typed, got, err)
		}
	})
}
