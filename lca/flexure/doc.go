// Package flexure turns beam tests into strengths, and the strengths of several
// beams into statistics:
//
//   - astm-c78: modulus of rupture under third-point loading, ASTM C78/C78M.
//   - astm-c1609: first-peak and residual strengths and toughness of fibre
//     concrete under third-point loading, ASTM C1609/C1609M.
//   - en-14651: limit of proportionality and residual strengths of notched beams
//     under one central load, EN 14651.
//
// The standards' formulas, sizes and points are quoted from memory of the
// standards; the worked figures beside the examples check them. Rules that read
// a curve and are marked "common practice, no source" are this package's own.
//
// # Numbers
//
// Lengths are mm, loads kN, strengths MPa, toughness J (kN·mm). All arithmetic
// is decimal (package num); nothing crosses to binary floating point. The values
// of a beam are rounded once, to 12 decimals (num.Amount), and statistics are
// taken of what is printed. Statistics keep 34 digits.
//
// # Curves
//
// Points stand in the order in which they were measured, and the load between
// two points is on the straight line between them. The load at a named
// deflection is the one where the curve first gets there. Toughness is the sum of
// trapezoids along the curve from its first point to there, so what a falling
// deflection adds it also takes away.
//
// What is odd about a curve is named in the findings of its beam, and what cannot
// be read from it is absent, which is not zero. Nothing is smoothed, and no beam
// is left out unless the caller says so.
package flexure
