// Package pavement designs the thickness of jointed plain concrete slabs, by
// three published methods behind one table:
//
//   - eb109p: fatigue and erosion analysis of the Portland Cement Association,
//     "Thickness Design for Concrete Highway and Street Pavements", EB109P,
//     1984; its curves as the equations of R. G. Packard and S. D. Tayabji,
//     "New PCA thickness design procedure for concrete highway and street
//     pavements", Third International Conference on Concrete Pavement Design,
//     Purdue University, 1985.
//   - austroads: the metric form of the same analysis, Austroads, "Pavement
//     Design", 2001 guide, chapter 9, for undowelled joints; it knows single
//     tyres and tridems.
//   - aashto93: AASHTO "Guide for Design of Pavement Structures", 1993, part II
//     chapter 3, the equation for rigid pavements; its equivalent axles are given,
//     or follow from a spectrum by the equivalence of the AASHO Road Test.
//
// The soil reaction k is given on top of the base, or follows from that of the
// subgrade and a Base by the tables of EB109P. A problem is an Input. Prepare checks it, names every fault at once, and
// returns a Design, which checks a given thickness, solves for the least one,
// and tells how the least one moves with strength, soil and traffic. Rounding
// turns the least thickness into one that is built.
//
// Provenance stands beside each formula in two words: "read" is read in print,
// in the source or in one that quotes it; "value from memory" is quoted from
// memory of the source, and checked only where the tests say so. Limits of
// input marked "common practice, no source" are this package's own.
//
// # Numbers
//
// Input is decimal SI and crosses to float64 once, through num.Float. The
// methods compute in float64 in the units of their source: psi, in, kip and
// lb/in³ in eb109p and aashto93; mm, MPa, kN and CBR % in austroads. A product
// that goes into a sum is written float64(a*b), which forbids fused
// multiply-add, so that processors agree. Results come back through
// num.FromFloat with 6 decimals, at most 12 significant digits. Thicknesses are
// searched on a grid of 0.001 mm and are exact on it.
//
// # What the methods do not cover
//
// Ductility of fibre concrete after cracking, crack width, joint faulting with
// fibres, curling by temperature or drying, overlays, and reinforced or
// prestressed slabs.
package pavement
