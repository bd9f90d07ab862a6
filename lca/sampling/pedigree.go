package sampling

import (
	"errors"
	"math"
)

// Basic uncertainty as geometric standard deviations squared, before any pedigree:
// of carbon dioxide, energy and materials, and of transport services. Source:
// Frischknecht and others 2007, as in the table below (value from memory).
const (
	BasicMaterial  = 1.05
	BasicTransport = 2.0
)

// ErrPedigree: a score that is not from 1 to 5, or a basic uncertainty that is not
// from 1 to MaxGSD².
var ErrPedigree = errors.New("a pedigree has five scores from 1 to 5, and a basic uncertainty of at least 1")

// pedigreeFactors are the uncertainty factors, each a geometric standard deviation
// squared, by indicator (reliability, completeness, temporal, geographical and
// technological correlation) and score. Source: R. Frischknecht and others,
// "Overview and methodology", ecoinvent report 1, 2007, table of default
// uncertainty factors of the pedigree matrix after Weidema and Wesnæs 1996 (read in
// an open-source library). It leaves two scores empty, geographical 4 and
// technological 2; for both stands 1.05, from the variances of the logarithm of
// 0.0006 of B. P. Weidema and others, "Data quality guideline for the ecoinvent
// database version 3", 2013 (value from memory).
var pedigreeFactors = [5][5]float64{
	{1, 1.05, 1.1, 1.2, 1.5},
	{1, 1.02, 1.05, 1.1, 1.2},
	{1, 1.03, 1.1, 1.2, 1.5},
	{1, 1.01, 1.02, 1.05, 1.1},
	{1, 1.05, 1.2, 1.5, 2},
}

// PedigreeGSD is the geometric standard deviation of a number with the five
// scores, from 1 (best) to 5, in the order reliability, completeness, temporal,
// geographical and technological correlation, and a basic uncertainty, which is
// given squared as BasicMaterial is: √(exp √(Σ ln² U_i + ln² U_b)), at least 1; it
// is 1, and then no spread, only where all scores and the basic uncertainty are.
// Source: as of the factors. It fails with ErrPedigree.
func PedigreeGSD(scores [5]int, basic float64) (float64, error) {
	if !(basic >= 1 && basic <= MaxGSD*MaxGSD) {
		return 0, ErrPedigree
	}
	factors := []float64{basic}
	for i, score := range scores {
		if score < 1 || score > 5 {
			return 0, ErrPedigree
		}
		factors = append(factors, pedigreeFactors[i][score-1])
	}
	squared := [1]float64{half * log(CombineGSD(factors...))}
	exps(squared[:])
	return squared[0], nil
}

// CombineGSD is the geometric standard deviation of a product of independent
// lognormal factors, exp √(Σ ln² g); of the squares where squares are given. Each
// is at least 1.
func CombineGSD(gsd ...float64) float64 {
	var sum float64
	for _, g := range gsd {
		sum += float64(log(g) * log(g))
	}
	combined := [1]float64{math.Sqrt(sum)}
	exps(combined[:])
	return combined[0]
}
