package inventory

import (
	"strings"
	"time"
)

// ItemFilter is which items of a list are asked for; the zero value asks for all.
type ItemFilter struct {
	Category   Category   // empty: any
	Text       string     // in the code or the name, in whichever case
	SourceKind SourceKind // of the price or of the factors; empty: any
	Missing    string     // "price" or "factors": an item that has neither those nor a recipe
	ExpiredBy  string     // RFC 3339 full-date: the price or the factors held until before that day
}

// DayKnown tells whether ExpiredBy is empty or a day of the calendar.
func (f ItemFilter) DayKnown() bool {
	_, err := time.Parse(time.DateOnly, f.ExpiredBy)
	return f.ExpiredBy == "" || err == nil
}

// Wanted tells of an item whether it is asked for.
func (f ItemFilter) Wanted() func(*Item) bool {
	text := strings.ToLower(f.Text)
	return func(i *Item) bool {
		switch {
		case f.Category != "" && i.Category != f.Category,
			text != "" && !strings.Contains(i.Code, text) && !strings.Contains(strings.ToLower(i.Name), text),
			f.SourceKind != "" && !i.hasSource(f.SourceKind),
			f.Missing == "price" && (i.Price != nil || len(i.Recipe) > 0),
			f.Missing == "factors" && (len(i.Factors) > 0 || len(i.Recipe) > 0),
			f.ExpiredBy != "" && !i.ExpiredBy(f.ExpiredBy):
			return false
		}
		return true
	}
}

func (i *Item) hasSource(kind SourceKind) bool {
	return i.Price != nil && i.Price.Source.Kind == kind || i.FactorSource != nil && i.FactorSource.Kind == kind
}

// ExpiredBy tells whether the price or the factors of an item held until before a day.
func (i *Item) ExpiredBy(day string) bool {
	return i.Price != nil && i.Price.ValidUntil != "" && i.Price.ValidUntil < day || i.FactorData.ValidUntil != "" && i.FactorData.ValidUntil < day
}
