package inventory

import (
	"context"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"
)

// Study is a saved comparison: its request on a version that is pinned, and what came
// of it. Its name and tags change; each change makes its next revision.
type Study struct {
	ID            string // unique among all studies
	Name          string
	Tags          []string // sorted, each once
	Inventory     Ref
	Region        string
	Currency      string
	EngineVersion string // that computed it
	RequestHash   string // hex SHA-256, as in the result
	ResultHash    string // hex SHA-256 of the bytes of the result
	Revision      int    // 1, 2, 3 …
	CreatedBy     string
	CreatedAt     string // as FormatTime writes it
	UpdatedAt     string
	Alternatives  []StudyAlternative
	Items         []string // codes that the result rests on, sorted; empty where studies are listed
}

// StudyAlternative is what a study shows of an alternative, per m2.
type StudyAlternative struct {
	Name        string              `json:"name"`
	ThicknessMM decimal.Decimal     `json:"thickness_mm"`
	TotalCarbon decimal.Decimal     `json:"total_carbon"`
	CradleGate  decimal.Decimal     `json:"cradle_to_gate"`
	NPV         decimal.NullDecimal `json:"npv"`     // without where there is no cost
	Initial     decimal.NullDecimal `json:"initial"` // without where there is no cost
}

// StudySort is what studies are sorted by. Of several alternatives the least counts;
// money is sorted by its currency first, and what has no cost comes last.
type StudySort string

// Orders of studies.
const (
	SortName      StudySort = "name" // in lower case, bytewise
	SortCreated   StudySort = "created"
	SortThickness StudySort = "thickness"
	SortCarbon    StudySort = "carbon"
	SortCost      StudySort = "cost"
	SortRegion    StudySort = "region" // bytewise
)

// StudyFilter is which studies are listed, and in which order. Empty texts and numbers
// that are not valid ask for nothing. The numbers must be met by one alternative, all
// at once; cost is that of the currency.
type StudyFilter struct {
	Region, Slug, Item, Tag, Currency, Text string
	Number                                  int // of the version; 0: any
	MinThickness, MaxThickness              decimal.NullDecimal
	MinCarbon, MaxCarbon, MinCost, MaxCost  decimal.NullDecimal
	Sort                                    StudySort
	Descending                              bool
	AfterKey, AfterID                       string // of the study behind which the list goes on
}

// Key is the text by which a study is sorted: its order, byte by byte, is the order.
func (s *Study) Key(by StudySort) string {
	switch by {
	case SortName:
		return strings.ToLower(s.Name)
	case SortThickness:
		return s.least(func(a StudyAlternative) string { return SortKey(a.ThicknessMM) })
	case SortCarbon:
		return s.least(func(a StudyAlternative) string { return SortKey(a.TotalCarbon) })
	case SortCost:
		least := s.least(func(a StudyAlternative) string { return costKey(a) })
		if least == "" {
			return "~" // behind every currency
		}
		return s.Currency + " " + least
	case SortRegion:
		return s.Region
	}
	return s.CreatedAt
}

func costKey(a StudyAlternative) string {
	if !a.NPV.Valid {
		return ""
	}
	return SortKey(a.NPV.Decimal)
}

func (s *Study) least(key func(StudyAlternative) string) (least string) {
	for _, a := range s.Alternatives {
		if k := key(a); k != "" && (least == "" || k < least) {
			least = k
		}
	}
	return least
}

// Digits of a sort key before and behind the point.
const (
	keyWhole    = 33
	keyFraction = 12
)

// SortKey is a text for a decimal, so that the order of texts, byte by byte, is that of
// the numbers. It keeps 12 decimals; what has more than 33 digits before the point is
// taken for the largest.
func SortKey(d decimal.Decimal) string {
	digits := d.Abs().Shift(keyFraction).Truncate(0).String()
	if over := len(digits) - keyWhole - keyFraction; over > 0 {
		digits = strings.Repeat("9", keyWhole+keyFraction)
	} else {
		digits = strings.Repeat("0", -over) + digits
	}
	if !d.IsNegative() {
		return "0" + digits
	}
	complement := []byte("-" + digits) // '-' is before '0'
	for i := 1; i < len(complement); i++ {
		complement[i] = '0' + '9' - complement[i]
	}
	return string(complement)
}

// Studies keeps saved comparisons. Every promise here is a test in storetest, run on
// each store; each change is recorded with its Change in one transaction.
type Studies interface {
	// CreateStudy stores a study with its request, at revision 1.
	CreateStudy(ctx context.Context, s Study, request []byte, c Change) error
	// Study returns a study with its request, or ErrNotFound. Every digit of every
	// decimal comes back as it was stored.
	Study(ctx context.Context, id string) (Study, []byte, error)
	// Studies lists studies in the order of the filter, without their items, at most
	// limit.
	Studies(ctx context.Context, f StudyFilter, limit int) ([]Study, error)
	// DescribeStudy gives a study that is at the revision given another name and other
	// tags, or ErrStale, or ErrNotFound.
	DescribeStudy(ctx context.Context, id string, revision int, name string, tags []string, c Change) error
	// DeleteStudy deletes a study that is at the revision given, for ever, or
	// ErrStale, or ErrNotFound.
	DeleteStudy(ctx context.Context, id string, revision int, c Change) error
}

// StudyColumns are the columns of a study in both databases, without the request.
const StudyColumns = `s.id, s.name, s.tags, s.slug, s.number, s.region, s.currency, s.engine_version, s.request_hash, s.result_hash, s.revision, s.created_by, s.created_at, s.updated_at, s.alternatives`

// StudyRow reads the columns of a study: scan is given where they go, in the order of
// StudyColumns, and may add to that.
func StudyRow(scan func(into ...any) error) (s Study, err error) {
	var tags, alternatives string
	if err := scan(&s.ID, &s.Name, &tags, &s.Inventory.Slug, &s.Inventory.Number, &s.Region, &s.Currency, &s.EngineVersion, &s.RequestHash, &s.ResultHash,
		&s.Revision, &s.CreatedBy, &s.CreatedAt, &s.UpdatedAt, &alternatives); err != nil {
		return s, err
	}
	if err := json.Unmarshal([]byte(tags), &s.Tags); err != nil {
		return s, err
	}
	return s, json.Unmarshal([]byte(alternatives), &s.Alternatives)
}

// StudyValues are the columns of a study to be stored: those of StudyColumns, then the
// text to be searched and the keys by name, thickness, carbon and cost.
func StudyValues(s *Study) ([]any, error) {
	tags, err := json.Marshal(s.Tags)
	if err != nil {
		return nil, err
	}
	alternatives, err := json.Marshal(s.Alternatives)
	if err != nil {
		return nil, err
	}
	return []any{s.ID, s.Name, string(tags), s.Inventory.Slug, s.Inventory.Number, s.Region, s.Currency, s.EngineVersion, s.RequestHash, s.ResultHash,
		s.Revision, s.CreatedBy, s.CreatedAt, s.UpdatedAt, string(alternatives),
		s.Text(), s.Key(SortName), s.Key(SortThickness), s.Key(SortCarbon), s.Key(SortCost)}, nil
}

// Text is what a study is searched by, in lower case: its name, its tags and the names
// of its alternatives, a line each.
func (s *Study) Text() string {
	lines := append([]string{s.Name}, s.Tags...)
	for _, a := range s.Alternatives {
		lines = append(lines, a.Name)
	}
	return strings.ToLower(strings.Join(lines, "\n"))
}

// Keys are the sort keys of an alternative: thickness, carbon, and cost, which is empty
// where it has none.
func (a StudyAlternative) Keys() (thickness, carbon, cost string) {
	return SortKey(a.ThicknessMM), SortKey(a.TotalCarbon), costKey(a)
}

// Bounds are the sort keys of the numbers of a filter: least and most thickness, carbon
// and cost. One that asks for nothing is empty.
func (f *StudyFilter) Bounds() [6]string {
	var keys [6]string
	for i, d := range []decimal.NullDecimal{f.MinThickness, f.MaxThickness, f.MinCarbon, f.MaxCarbon, f.MinCost, f.MaxCost} {
		if d.Valid {
			keys[i] = SortKey(d.Decimal)
		}
	}
	return keys
}
