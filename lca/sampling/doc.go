// Package sampling tells how sure a comparison is: it lets every uncertain price,
// factor and amount scatter, and counts how the alternatives come out.
//
// A Model is a list of uncertain multipliers, each with its Distribution, and for
// each alternative and measure (cost, carbon) a sum of products of at most two of
// them. An input that several alternatives share is one draw for all of them in
// each sample, so that what they have in common cancels out of their difference,
// as it does in fact. Prepare checks a model and says what a run takes; Run draws.
//
// # Same seed, same bits
//
// Every draw is a function of the seed, the name of the input and the number of
// the sample, and every sum has one order, so that a result does not depend on the
// number of workers; nor on the processor, as no product is fused with a sum and
// no function of package math is used but the square root and such as are exact.
//
// # Numbers
//
// Everything is float64. Decimals cross through num.Float, and results cross back
// through num.FromFloat; a result carries as many digits as its standard error
// leaves, not seventeen. Summary.Distance says how far the kernel is from decimal
// arithmetic where nothing scatters.
//
// # Errors of sampling
//
// Every figure has a standard error, or an interval, that comes from the number of
// samples alone. It says nothing of how well the distributions are known, and more
// samples do not make a difference between alternatives any more certain. That is
// why there are no tests of significance here (R. Heijungs, "On the number of
// Monte Carlo runs in comparative probabilistic LCA", International Journal of Life
// Cycle Assessment 25, 2020; as quoted).
package sampling
