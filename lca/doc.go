// Package lca is the root of the engine: pure functions on values, one package
// a step of the chain from the mix to the comparison. Nothing in it reads a
// file, a clock or a random number.
//
// Which clause stands where:
//
//	ACI 211.1-91, absolute volume            mix.Proportion
//	ASTM C138/C138M, yield                   mix.Measure, mix.Yield, mix.Proportion
//	ASTM C94/C94M 1.2, one system of units   mix.Proportion, service (slab record)
//	ACI FAQ 756, mixing water                mix.Proportion
//	ACI 211.1-91, ratios, moisture           mix.FromRatios, mix.CoarseMass, mix.Moisture
//	EN 206, k-value concept                  mix.ByKValue
//	EN 206, ASTM C94/C94M, batching          mix.BatchingTolerances
//	EN 15804+A2, information modules         carbon.Modules, carbon.Matrix
//	EN 15804, wasted share 1/(1-w) - 1       slab.WasteFactor, slab.Builder
//	EN 15978 7.2, functional equivalent      service (equivalence)
//	ASTM E917, E833, discount factors        cost.SinglePresentValue, cost.UniformPresentValue, cost.CapitalRecovery
//	GSA P100, escalation                     cost.EscalatedSinglePresentValue, cost.EscalatedUniformPresentValue
//	OMB Circular A-94, real and nominal      cost.Real, cost.Nominal
//	FHWA-SA-98-079, present value, salvage   cost.Factors.Present, cost.RemainingLife
//	Salmon et al. 2011, Philox4x64-10        sampling.Plan.Run
//	Wichura 1988, AS 241, normal quantile    sampling.Plan.Run
//	Frischknecht et al. 2007, pedigree       sampling.PedigreeGSD
//	Hyndman and Fan 1996, definition 1       sampling.Percentile
//	IEEE 754-2008 decimal128 precision       num.Div
//	NIST SP 811 (2008), B.8 and B.9          unit (table)
//	RFC 6901, JSON Pointer                   fault.Path
package lca
