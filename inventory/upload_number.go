package inventory

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"slabledger/lca/num"
)

var (
	errNumberCell = errors.New("the file of the sheet has no number in this number cell")
	errComma      = errors.New("a number with a decimal comma has one comma and no point")
	errDigits     = errors.New("a number of more digits than a number cell keeps; keep it as text to have every digit")
)

// shortest is the number of a number cell as a plain decimal (num.ShortestDouble).
// What then has more digits than an inventory keeps is refused where it is read.
func shortest(text string) (string, error) {
	plain, err := num.ShortestDouble(text)
	switch {
	case errors.Is(err, num.ErrDoubleDigits):
		return "", errDigits
	case err != nil:
		return "", errNumberCell
	}
	return plain, nil
}

// commaDecimal turns a number with a decimal comma into one with a point. A point
// in it is refused, since it may separate thousands.
func commaDecimal(text string) (string, bool) {
	if strings.Contains(text, ".") || strings.Count(text, ",") > 1 {
		return "", false
	}
	return strings.Replace(text, ",", ".", 1), true
}

// pointed turns the decimal commas of a cell into points: of a number, or of the
// amounts in a list such as "electricity=1,5; plant-hire=1" or "triangular 0,8 1,3".
func pointed(kind ColumnKind, text string) (string, bool) {
	if kind == DecimalColumn {
		return commaDecimal(text)
	}
	parts := strings.Split(text, ";")
	for n, part := range parts {
		name, amount, named := strings.Cut(part, "=")
		if named {
			amount, ok := commaDecimal(amount)
			if !ok {
				return "", false
			}
			parts[n] = name + "=" + amount
			continue
		}
		words := strings.Split(part, " ")
		for w, word := range words {
			var ok bool
			if words[w], ok = commaDecimal(word); !ok {
				return "", false
			}
		}
		parts[n] = strings.Join(words, " ")
	}
	return strings.Join(parts, ";"), true
}

// adviceOf says what is wrong with the text of a number that was refused, and how
// to write it where that can be told.
func adviceOf(err error, text string, comma bool) string {
	if advice := adviceOn(text, comma); advice != "" {
		return advice
	}
	if errors.Is(err, num.ErrRange) {
		return err.Error() + "; cut a computed value in the spreadsheet, as in =ROUND(A1, 6)"
	}
	return err.Error()
}

// adviceOn names the slip in a number that is written with marks between its
// digits; else it is empty. Nothing is computed with what it guesses.
func adviceOn(text string, comma bool) string {
	mark := "."
	if comma {
		mark = ","
	}
	body := strings.TrimSpace(text)
	sign, body := body[:len(body)-len(strings.TrimPrefix(body, "-"))], strings.TrimPrefix(body, "-")
	groups := strings.FieldsFunc(body, func(r rune) bool { return r < '0' || r > '9' })
	marks := strings.FieldsFunc(body, func(r rune) bool { return r >= '0' && r <= '9' })
	last := len(marks) - 1
	if last < 0 || len(groups) != len(marks)+1 || last == 0 && marks[0] == mark {
		return ""
	}
	for _, m := range marks {
		if !slices.Contains(thousands, m) {
			return ""
		}
	}
	// Is the last mark that of the decimals?
	final, point := groups[last+1], marks[last] == "," || marks[last] == "."
	decimals := sign + strings.Join(groups[:last+1], "") + mark + final
	three := func(groups []string) bool {
		return len(groups[0]) <= 3 && groups[0] != "0" && !slices.ContainsFunc(groups[1:], func(g string) bool { return len(g) != 3 })
	}
	switch {
	case last == 0 && point && !three(groups):
		if comma {
			return "the decimal mark of the file is said to be a comma: write " + decimals
		}
		return "the decimal mark is a point: write " + decimals + ", or say that the file has a decimal comma"
	case last == 0 && point && three(groups):
		return fmt.Sprintf("thousands are not separated: write %s, or %s if the mark is that of the decimals", sign+strings.Join(groups, ""), decimals)
	case last > 0 && point && marks[last] != marks[last-1] && three(groups[:last+1]):
		return "thousands are not separated: write " + decimals
	case three(groups):
		return "thousands are not separated: write " + sign + strings.Join(groups, "")
	}
	return ""
}

// thousands lists what people separate thousands with, and the marks of decimals.
var thousands = []string{",", ".", "'", "’", "_", " ", "\u00a0", "\u2009", "\u202f"}

var errSerial = errors.New("a spreadsheet's number of a day is whole, and of a day up to 9999-12-31")

// serialDay turns a spreadsheet's number of a day into the day. In the 1900 system
// 1 is 1900-01-01, and 60 a 29 February 1900 that there never was (ECMA-376-1,
// 18.17.4.1); in the 1904 system 0 is 1904-01-01.
func serialDay(text string, from1904 bool) (string, error) {
	plain, err := shortest(text)
	if err != nil {
		return "", err
	}
	n, err := strconv.Atoi(plain)
	first, last := 1, 2_958_465
	epoch := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	switch {
	case from1904:
		epoch, first, last = time.Date(1904, 1, 1, 0, 0, 0, 0, time.UTC), 0, last-1462
	case n < 60:
		epoch = epoch.AddDate(0, 0, 1)
	}
	if err != nil || n < first || n > last || n == 60 && !from1904 {
		return "", errSerial
	}
	return epoch.AddDate(0, 0, n).Format(time.DateOnly), nil
}

// isoDay is the day of an ISO 8601 date, or of a time at its very beginning.
func isoDay(text string) (string, bool) {
	day, clock, timed := strings.Cut(text, "T")
	if _, err := time.Parse(time.DateOnly, day); err != nil {
		return "", false
	}
	return day, !timed || strings.Trim(strings.TrimSuffix(clock, "Z"), "0:.") == ""
}
