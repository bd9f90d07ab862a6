package pavement

import (
	"slices"

	"github.com/shopspring/decimal"
)

// Criterion is a way in which a slab reaches the end of its life.
type Criterion string

const (
	Fatigue        Criterion = "fatigue"        // cracking by bending
	Erosion        Criterion = "erosion"        // loss of support at the joints
	Serviceability Criterion = "serviceability" // loss of riding quality
	// MinimumThickness governs where every criterion is met at the lower bound.
	MinimumThickness Criterion = "minimum_thickness"
)

// About says what a method is and what it takes.
type About struct {
	ID       string
	Title    string
	Source   string
	Criteria []Criterion
	Strength string          // statistic and age of the modulus of rupture it wants
	LowerMM  decimal.Decimal // bounds of the thickness, for checks and solutions
	UpperMM  decimal.Decimal
	Bounds   string // source of the bounds
	Ranges   []Range
}

// clone keeps a caller's changes out of the package.
func (a About) clone() About {
	a.Criteria, a.Ranges = slices.Clone(a.Criteria), slices.Clone(a.Ranges)
	return a
}

// method is one thickness method. A new one is a file and a line in methods.
type method interface {
	about() *About // shared, never changed
	// model reads what the method needs. effective is the modulus of rupture of
	// the design in MPa. What is wrong goes into the intake; the model is used only
	// if nothing is.
	model(in Input, effective decimal.Decimal, intake *intake) model
}

// model is a problem made ready: what does not depend on the thickness is done.
// Thicknesses are in mm, inside the bounds of the method.
type model interface {
	// damage is the share of life used up under a criterion of the method: at most
	// 1 passes.
	damage(c Criterion, h float64) float64
	// indices appends quantities that must not rise with thickness, and with which
	// damage rises.
	indices(dst []float64, h float64) []float64
	// result fills in what is particular to the method.
	result(r *Result, h float64)
}

var methods = []method{eb109p{}, austroads{}, aashto93{}}

// Methods describes every method, in a fixed order.
func Methods() []About {
	list := make([]About, len(methods))
	for i, m := range methods {
		list[i] = m.about().clone()
	}
	return list
}

func find(id string) method {
	for _, m := range methods {
		if m.about().ID == id {
			return m
		}
	}
	return nil
}
