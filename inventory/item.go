// Package inventory is the domain of prices and emission factors: items,
// published versions and the small store that keeps them.
package inventory

import (
	"time"

	"github.com/shopspring/decimal"

	"slabledger/lca/unit"
)

// Category is the closed list of what an item is.
type Category string

// Categories. The first group is materials, whose factor is cradle to gate
// (A1-A3); the second is processes, whose factor is that of performing or
// supplying one declared unit, placed in the module in which it is performed.
const (
	Cement        Category = "cement"
	SCM           Category = "scm" // supplementary cementitious material
	Aggregate     Category = "aggregate"
	Water         Category = "water"
	Fibre         Category = "fibre"
	Admixture     Category = "admixture"
	Reinforcement Category = "reinforcement"
	Base          Category = "base"
	Curing        Category = "curing"
	Sealant       Category = "sealant"

	Energy    Category = "energy"
	Fuel      Category = "fuel"
	Transport Category = "transport"
	Plant     Category = "plant"
	Operation Category = "operation"
	Disposal  Category = "disposal"
)

// Categories lists the closed list in order.
func Categories() []Category {
	return []Category{Cement, SCM, Aggregate, Water, Fibre, Admixture, Reinforcement, Base, Curing, Sealant,
		Energy, Fuel, Transport, Plant, Operation, Disposal}
}

// IsProcess tells whether items of the category carry the factor "process"
// rather than "A1-A3".
func (c Category) IsProcess() bool {
	switch c {
	case Energy, Fuel, Transport, Plant, Operation, Disposal:
		return true
	}
	return false
}

// Factor keys. A factor is kg CO2e per declared unit.
const (
	FactorA1A3    = "A1-A3"   // materials: cradle to gate
	FactorProcess = "process" // processes: performing or supplying one declared unit
	FactorA2      = "A2"      // own transport to the concrete plant, where the item states it
	FactorA4      = "A4"      // own transport to the site, where the item states it
	FactorC1      = "C1"
	FactorC2      = "C2"
	FactorC3      = "C3"
	FactorC4      = "C4"
	FactorD       = "D" // the only factor that may be negative
)

// FactorKeys lists the factor keys in order.
func FactorKeys() []string {
	return []string{FactorA1A3, FactorProcess, FactorA2, FactorA4, FactorC1, FactorC2, FactorC3, FactorC4, FactorD}
}

// DeclaredUnits is the closed list of units in which an item may be priced and
// declared (EN 15804: declared unit).
func DeclaredUnits() []string {
	return []string{"kg", "t", "m3", "L", "m2", "m", "each", "kWh", "MJ", "t.km", "h"}
}

// Price bases (Incoterms-free wording of the trade).
const (
	BasisExWorks   = "ex-works"  // transport is not in the price
	BasisDelivered = "delivered" // transport is in the price
)

// Tax states.
const (
	TaxExcluded = "excluded"
	TaxIncluded = "included"
)

// Boundary bases of a transport, fuel or energy factor.
const (
	WellToWheel = "well-to-wheel"
	TankToWheel = "tank-to-wheel"
)

// What an item may be the inventory's default for.
const (
	DefaultMixing        = "mixing"         // the mixer, where a request names no stages
	DefaultWasteDisposal = "waste-disposal" // where a request names no disposal for wasted concrete
)

// SourceKind says how much a number can be leaned on.
type SourceKind string

// Kinds of source.
const (
	EPD         SourceKind = "epd"
	Generic     SourceKind = "generic-dataset"
	AgencyTable SourceKind = "agency-table"
	Quotation   SourceKind = "quotation"
	Assumption  SourceKind = "assumption"
	Invented    SourceKind = "invented"
)

// SourceKinds lists the closed list in order.
func SourceKinds() []SourceKind {
	return []SourceKind{EPD, Generic, AgencyTable, Quotation, Assumption, Invented}
}

// Source is where a number comes from.
type Source struct {
	Kind      SourceKind `json:"kind"`
	Title     string     `json:"title"`
	Publisher string     `json:"publisher,omitempty"`
	Year      int        `json:"year,omitzero"`
	Reference string     `json:"reference,omitempty"` // identifier, page, table or link
	Licence   string     `json:"licence,omitempty"`
}

// Price is money per declared unit.
type Price struct {
	Amount     decimal.Decimal // >= 0
	Currency   string          // ISO 4217, the inventory's own
	Date       string          // RFC 3339 full-date: the price level
	Basis      string          // BasisExWorks or BasisDelivered
	Tax        string          // TaxExcluded or TaxIncluded
	ValidUntil string          // RFC 3339 full-date; empty where the source sets no end
	Spread     *Spread
	// MinQuantity is the least amount, in the declared unit, from which the price holds,
	// as an offer for larger orders says; invalid where it holds for any. > 0
	MinQuantity decimal.NullDecimal
	Quoted      *Quoted // where Amount was converted or restated
	Source      Source
}

// Quoted is what the source of a price says, where the inventory has it in another
// currency or at another date. The price is the quoted amount times the rate times
// the quotient of the indices, rounded half to even to 6 decimals.
type Quoted struct {
	Amount      decimal.Decimal
	Currency    string
	Date        string              // the price level of the source
	Rate        decimal.NullDecimal // of the inventory's currency per one of the quoted; > 0
	RateDate    string
	RateSource  string
	IndexSeries string              // of prices, by which the amount was restated
	IndexFrom   decimal.NullDecimal // at Date; > 0
	IndexTo     decimal.NullDecimal // at the price's own date; > 0
}

// Spread is how far a number may be from what is stated, relative to it.
type Spread struct {
	Distribution string              // Lognormal, Triangular or Uniform
	GSD          decimal.NullDecimal // Lognormal: geometric standard deviation, > 1
	Low, High    decimal.NullDecimal // Triangular (mode 1), Uniform: multiples of the number, 0 <= Low <= 1 <= High
}

// Distributions.
const (
	Lognormal  = "lognormal"
	Triangular = "triangular"
	Uniform    = "uniform"
)

// RecipePart is one input of an operation that is made of other items.
type RecipePart struct {
	Item   string          // code
	Amount decimal.Decimal // of the part's declared unit, per declared unit of the whole; > 0
}

// Item is one row of an inventory.
//
// An item is priced and declared as a whole (Price, Factors), or is a Recipe of
// other items and then carries neither. Its own A2 or A4 factor states that
// its transport is inside its data; such an item is priced delivered.
type Item struct {
	Code     string // slug, stable for ever
	Category Category
	Name     string
	Unit     string // declared unit, one of DeclaredUnits

	Density     decimal.NullDecimal // particle density, kg/m3, > 0; where the item has volume
	UnitMass    decimal.NullDecimal // kg per declared unit, > 0; where that is not kg, t or by density
	Solids      decimal.NullDecimal // admixtures: solids, % of mass, 0 to 100
	BatchVolume decimal.NullDecimal // mixers: m3 of concrete per batch, > 0

	Module     string // processes: the module a maintenance event reports under by default, B1 to B5
	DefaultFor string // DefaultMixing, DefaultWasteDisposal or empty
	Boundary   string // transport, fuel, energy: WellToWheel, TankToWheel or empty

	Price        *Price
	Factors      map[string]decimal.Decimal // by factor key, kg CO2e per declared unit
	FactorSource *Source                    // required where Factors is not empty
	FactorData   FactorData
	Recipe       []RecipePart
	Note         string
	// Layer is the version (slug@n) that the item was taken over from, where the
	// inventory extends another; empty for an item of its own.
	Layer string
}

// FactorData says what more is known of an item's factors. Every member may be
// absent.
type FactorData struct {
	ValidUntil string   // RFC 3339 full-date
	Spread     *Spread  // of every factor alike
	Pedigree   Pedigree // zero: not scored

	// Characterisation is the set of factors by which gases were added up to CO2e.
	Characterisation string
	// Parts of the main factor (A1-A3, or process). Fossil and LandUse are at least
	// zero, Biogenic may be negative; where all three are there they sum to it.
	Fossil, Biogenic, LandUse decimal.NullDecimal
	// Allocation says how the factor of a co-product, such as slag, was given its
	// share of the process it comes from; Alternatives are the main factor by other
	// ways of doing so.
	Allocation   string
	Alternatives []AllocatedFactor
}

// AllocatedFactor is the main factor of an item by another allocation.
type AllocatedFactor struct {
	Allocation string
	Factor     decimal.Decimal // kg CO2e per declared unit, >= 0
}

// Pedigree scores a factor from 1 (best) to 5 in reliability, completeness, and
// temporal, geographical and technological correlation (Weidema and Wesnaes,
// Journal of Cleaner Production 4, 1996, table 1).
type Pedigree [5]int

// Ways of allocation (EN 15804, 6.4.3).
const (
	AllocationNone     = "none" // all to the main product
	AllocationEconomic = "economic"
	AllocationMass     = "mass"
	AllocationCutOff   = "cut-off"
)

// Allocations lists the closed list in order.
func Allocations() []string {
	return []string{AllocationNone, AllocationEconomic, AllocationMass, AllocationCutOff}
}

// Characterisations lists the sets of global warming potentials that an inventory
// may name: those of the IPCC's assessment reports, and of the EU's environmental
// footprint method that EN 15804+A2 refers to.
func Characterisations() []string {
	return []string{"ar4", "ar5", "ar6", "ef-3.0", "ef-3.1"}
}

// DeclaredUnit returns the item's unit from the closed table. Units that are
// only declared units (m2 as an area of work, h of a machine) are in the table
// too, so it always exists for a valid item.
func (i Item) DeclaredUnit() unit.Unit {
	u, _ := unit.Lookup(i.Unit)
	return u
}

// Meta says what an inventory is about. It belongs to the version, so that a
// published version carries all that its numbers mean.
type Meta struct {
	Name     string `json:"name"`     // "Sablon Coast, 2026 prices"
	Region   string `json:"region"`   // ISO 3166-1 alpha-2 or ISO 3166-2 code; user-assigned codes (XA, QZ …) for invented places
	Currency string `json:"currency"` // ISO 4217
	Invented bool   `json:"invented"` // the numbers are made up for demonstration; shown wherever they are used
	// Extends is the version (slug@n) whose items stand below this inventory's own;
	// empty where there is none. The items of a version are the resolved set.
	Extends string `json:"extends,omitempty"`
}

// Version is one published state of an inventory. It never changes.
type Version struct {
	Slug      string
	Number    int // 1, 2, 3 …
	Meta      Meta
	Hash      string // hex SHA-256 of the RFC 8785 canonical JSON of Meta and the items
	Note      string // what changed, in the publisher's words
	Items     []Item // sorted by code, bytewise
	CreatedAt string // RFC 3339, UTC, microseconds; never part of the hash nor of a result
}

// FormatTime writes an instant as Version.CreatedAt has it: RFC 3339, UTC,
// microseconds, always six of them, so that text order is time order.
func FormatTime(t time.Time) string {
	return t.UTC().Truncate(time.Microsecond).Format("2006-01-02T15:04:05.000000Z07:00")
}

// Ref is slug@n.
type Ref struct {
	Slug   string
	Number int
}
