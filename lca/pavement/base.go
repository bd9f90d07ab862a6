package pavement

import (
	"fmt"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// BaseKind tells how a base is bound.
type BaseKind string

// Kinds of base.
const (
	Untreated     BaseKind = "untreated"      // granular, unbound
	CementTreated BaseKind = "cement_treated" // bound with cement
)

// Base is the layer between subgrade and slab.
type Base struct {
	ThicknessMM decimal.Decimal // soil/base/thickness
	Kind        BaseKind        // soil/base/kind
}

// baseTable is k on top of a base in lb/in³, by the k of the subgrade (rows) and
// the thickness of the base in in (columns). Zero stands where the source has no
// value.
type baseTable struct {
	kind      BaseKind
	source    string
	subgrade  []int64
	thickness []int64
	k         [][]int64
}

// baseTables are those of EB109P (1984): table 1, untreated subbases, and table 2,
// cement-treated subbases (values from memory). The handbook's Design 1 has 130
// lb/in³ on 4 in of untreated base over a subgrade of 100 lb/in³.
var baseTables = []baseTable{
	{
		Untreated, "EB109P (1984), table 1, untreated subbases; value from memory",
		[]int64{50, 100, 200, 300}, []int64{4, 6, 9, 12},
		[][]int64{{65, 75, 85, 110}, {130, 140, 160, 190}, {220, 230, 270, 320}, {320, 330, 370, 430}},
	},
	{
		CementTreated, "EB109P (1984), table 2, cement-treated subbases; value from memory",
		[]int64{50, 100, 200}, []int64{4, 6, 8, 10},
		[][]int64{{170, 230, 310, 390}, {280, 400, 520, 640}, {470, 640, 830, 0}},
	},
}

var (
	mmInInch = decimal.New(254, -1)
	// MPa/m in 1 lb/in³: a pound-force of 4.4482216152605 N on 16.387064 cm³ (NIST
	// SP 811).
	reactionPerLb = num.Quotient(decimal.New(44482216152605, -13), decimal.New(16387064, -6))
)

// Foundation is a soil reaction that was found from a subgrade and a base.
type Foundation struct {
	K        decimal.Decimal // MPa/m, on top of the base
	Subgrade decimal.Decimal // MPa/m, under the base
	Base     Base
	Source   string // the table that made K of the two
}

// On is k on top of the base over a subgrade of the given k in MPa/m, to 12
// decimals: bilinear interpolation between the values of the table. Outside the
// table it is a fault at "base/kind", "base/thickness" or "subgrade_k" below at,
// which is the soil.
func (b Base) On(subgrade decimal.Decimal, at fault.Path) (f Foundation, faults fault.List) {
	var t *baseTable
	for i := range baseTables {
		if baseTables[i].kind == b.Kind {
			t = &baseTables[i]
		}
	}
	if t == nil {
		faults.Add(at.At("base", "kind"), "one-of", "%q is no kind of base; accepted: %s, %s", b.Kind, Untreated, CementTreated)
		return f, faults
	}
	row, down := interval(t.subgrade, num.Quotient(subgrade, reactionPerLb))
	column, across := interval(t.thickness, num.Quotient(b.ThicknessMM, mmInInch))
	if row < 0 {
		low, high := t.subgrade[0], t.subgrade[len(t.subgrade)-1]
		faults.Add(at.At("subgrade_k"), "out-of-range", "a subgrade of %s MPa/m; the table of %s bases covers %s to %s MPa/m, which is %d to %d psi/in (%s)",
			num.Line(subgrade), label(b.Kind), reactionOf(low), reactionOf(high), low, high, t.source)
	}
	if column < 0 {
		low, high := t.thickness[0], t.thickness[len(t.thickness)-1]
		faults.Add(at.At("base", "thickness"), "out-of-range", "a base of %s mm; the table of %s bases covers %s to %s mm, which is %d to %d in (%s)",
			b.ThicknessMM, label(b.Kind), mmOf(low), mmOf(high), low, high, t.source)
	}
	if !faults.Empty() {
		return f, faults
	}
	sum := decimal.Zero
	for _, corner := range []struct {
		row, column int
		weight      decimal.Decimal
	}{
		{row, column, num.One.Sub(down).Mul(num.One.Sub(across))}, {row, column + 1, num.One.Sub(down).Mul(across)},
		{row + 1, column, down.Mul(num.One.Sub(across))}, {row + 1, column + 1, down.Mul(across)},
	} {
		if corner.weight.IsZero() {
			continue
		}
		k := t.k[corner.row][corner.column]
		if k == 0 {
			faults.Add(at.At("base", "thickness"), "out-of-range", "a base of %s mm over a subgrade of %s MPa/m; over more than %s MPa/m (%d psi/in) the table of %s bases ends at %s mm (%d in) (%s)",
				b.ThicknessMM, num.Line(subgrade), reactionOf(t.subgrade[row]), t.subgrade[row], label(b.Kind), mmOf(t.thickness[column]), t.thickness[column], t.source)
			return f, faults
		}
		sum = sum.Add(corner.weight.Mul(decimal.New(k, 0)))
	}
	return Foundation{K: num.Amount(sum.Mul(reactionPerLb)), Subgrade: subgrade, Base: b, Source: t.source}, faults
}

// String tells how K was found.
func (f Foundation) String() string {
	return fmt.Sprintf("k %s MPa/m on %s mm of %s base over a subgrade of %s MPa/m, interpolated in both directions (%s)",
		num.Line(f.K), f.Base.ThicknessMM, label(f.Base.Kind), num.Line(f.Subgrade), f.Source)
}

// interval is the place of v on a rising axis, to 9 decimals, so that the ends of
// the axis are inside in either system of units: the index below v, less than the
// last, and its share of the way to the next. The index is -1 outside.
func interval(axis []int64, v decimal.Decimal) (below int, share decimal.Decimal) {
	v = v.RoundBank(9)
	for i := 1; i < len(axis); i++ {
		low, high := decimal.New(axis[i-1], 0), decimal.New(axis[i], 0)
		if v.GreaterThanOrEqual(low) && v.LessThanOrEqual(high) {
			return i - 1, num.Quotient(v.Sub(low), high.Sub(low))
		}
	}
	return -1, decimal.Zero
}

func label(k BaseKind) string {
	if k == CementTreated {
		return "cement-treated"
	}
	return string(k)
}

func reactionOf(lb int64) decimal.Decimal { return num.Line(reactionPerLb.Mul(decimal.New(lb, 0))) }

func mmOf(inches int64) decimal.Decimal { return mmInInch.Mul(decimal.New(inches, 0)) }
