package inventory

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"slabledger/lca/num"
)

// checkOptions reports what is wrong with the options, before anything is read.
func (u *upload) checkOptions() {
	o := &u.options
	bad := func(option, found, format string, args ...any) {
		u.add(0, option, ProblemOption, found, fmt.Sprintf(format, args...))
	}
	if o.Form != "" && formNames[o.Form] == "" {
		bad("form", string(o.Form), "one of csv, json, xlsx")
	}
	if o.Separator != 0 && !slices.Contains(separators, o.Separator) {
		bad("separator", string(o.Separator), "a comma, a semicolon or a tab")
	}
	seen := map[string]bool{}
	for _, r := range o.Rates {
		switch {
		case r.From == "" || r.From == r.To:
			bad("rates", r.From, "a rate is from another currency than to")
		case seen[r.From]:
			bad("rates", r.From, "the rate stands twice")
		case !r.Rate.IsPositive():
			bad("rates", num.Canonical(r.Rate), "more than 0 %s per %s", r.To, r.From)
		case !validDay(r.Date):
			bad("rates", r.Date, "the day of the rate of %s, as in 2026-01-31", r.From)
		case strings.TrimSpace(r.Source) == "":
			bad("rates", "", "the source of the rate of %s", r.From)
		}
		seen[r.From] = true
	}
	if (o.BaseMonth == "") != (len(o.Indices) == 0) {
		bad("base_month", o.BaseMonth, "indices and the month to restate to are given together")
	}
	if o.BaseMonth != "" && !validMonth(o.BaseMonth) {
		bad("base_month", o.BaseMonth, "a month, as in 2026-01")
		return
	}
	clear(seen)
	for _, x := range o.Indices {
		switch {
		case !slices.Contains(Categories(), x.Category):
			bad("indices", string(x.Category), "one of %s", strings.Join(texts(Categories()), ", "))
		case seen[string(x.Category)]:
			bad("indices", string(x.Category), "a category has one series")
		case strings.TrimSpace(x.Series) == "":
			bad("indices", "", "the name of the series of %s", x.Category)
		}
		seen[string(x.Category)] = true
		for month, value := range x.Points {
			if !validMonth(month) {
				bad("indices", month, "a month of the series %q, as in 2026-01", x.Series)
			}
			if !value.IsPositive() {
				bad("indices", num.Canonical(value), "the series %q is more than 0 in %s", x.Series, month)
			}
		}
		if _, ok := x.Points[o.BaseMonth]; !ok && o.BaseMonth != "" {
			bad("indices", o.BaseMonth, "the series %q has no value in the month to restate to; none is interpolated", x.Series)
		}
	}
}

func validDay(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}

const monthOnly = "2006-01"

func validMonth(s string) bool {
	_, err := time.Parse(monthOnly, s)
	return err == nil
}

// restate turns prices of other currencies into the inventory's by the rates of the
// options, and prices of other months into those of the base month by the indices.
// What the file says is kept beside each. A price that was converted or restated
// before goes back to what was quoted then, so that nothing is rounded twice.
func (u *upload) restate() {
	for _, r := range u.options.Rates {
		if r.To != u.meta.Currency {
			u.add(0, "rates", ProblemOption, r.To, fmt.Sprintf("a rate is to the currency of the inventory, %s", u.meta.Currency))
		}
	}
	for n := range u.items {
		i := &u.items[n]
		spoilt := u.spoilt[int32(n)]
		unread := func(column string) bool { return spoilt.has(columnIndex(column)) }
		if i.Price == nil || i.Price.Currency == u.meta.Currency && len(u.options.Indices) == 0 || i.Price.Currency == "" || spoilt.has(wholeRow) || unread(priceColumn) || unread(currencyColumn) || unread(dateColumn) {
			continue
		}
		u.restatePrice(n, i)
	}
}

func (u *upload) restatePrice(n int, i *Item) {
	p := i.Price
	quoted := Quoted{Amount: p.Amount, Currency: p.Currency, Date: p.Date}
	if p.Quoted != nil {
		quoted = *p.Quoted
	}
	fail := func(column, code, found, format string, args ...any) {
		if u.spoil(n, columnIndex(column)) {
			u.addMeaning(n, column, code, found, fmt.Sprintf(format, args...))
		}
	}
	note := func(column, code, of, format string, args ...any) {
		u.notes.add(RowNote{Row: int(u.rows[n]), Column: column, Code: code, Item: shown(i.Code), Detail: fmt.Sprintf(format, args...)}, of)
	}

	converted := p.Currency != u.meta.Currency
	if converted {
		at := slices.IndexFunc(u.options.Rates, func(r Rate) bool { return r.From == p.Currency })
		switch {
		case p.Quoted != nil:
			fail(currencyColumn, ProblemMismatch, p.Currency, "a price that says what was quoted is in the currency of the inventory, %s", u.meta.Currency)
			return
		case at < 0:
			fail(currencyColumn, ProblemRate, p.Currency, "the currency of the inventory, %s, or one whose rate is given with the file: %s", u.meta.Currency, u.rateNames())
			return
		}
		r := u.options.Rates[at]
		quoted.Rate.Decimal, quoted.Rate.Valid, quoted.RateDate, quoted.RateSource = r.Rate, true, r.Date, r.Source
	}

	date := p.Date
	at := slices.IndexFunc(u.options.Indices, func(x Index) bool { return x.Category == i.Category })
	restated := at >= 0 && validDay(p.Date) && validDay(quoted.Date) && p.Date[:len(monthOnly)] != u.options.BaseMonth
	if restated {
		x, month := u.options.Indices[at], quoted.Date[:len(monthOnly)]
		from, ok := x.Points[month]
		if !ok {
			fail(dateColumn, ProblemIndex, quoted.Date, "the series %q has no value in %s; none is interpolated", x.Series, month)
			return
		}
		quoted.IndexSeries = x.Series
		quoted.IndexFrom.Decimal, quoted.IndexFrom.Valid = from, true
		quoted.IndexTo.Decimal, quoted.IndexTo.Valid = x.Points[u.options.BaseMonth], true
		date = u.options.BaseMonth + "-01"
	}
	if !converted && !restated {
		return
	}
	amount, ok := quoted.Price()
	if !ok {
		return // what was quoted is not sound, and validation says so
	}
	if converted {
		note(currencyColumn, NoteCurrency, p.Currency, "prices in %s were converted at %s %s of %s (%s)", p.Currency, num.Canonical(quoted.Rate.Decimal), u.meta.Currency, quoted.RateDate, shown(quoted.RateSource))
	}
	if restated {
		note(dateColumn, NoteIndex, quoted.IndexSeries, "prices were restated to %s by the series %s", u.options.BaseMonth, shown(quoted.IndexSeries))
	}
	p.Amount, p.Currency, p.Date, p.Quoted = amount, u.meta.Currency, date, &quoted
}

// rateNames lists the currencies that can be converted.
func (u *upload) rateNames() string {
	if len(u.options.Rates) == 0 {
		return "none is given"
	}
	names := make([]string, len(u.options.Rates))
	for n, r := range u.options.Rates {
		names[n] = r.From
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}
