//go:build race

package api_test

// slowdown is how much slower the race detector makes things.
const slowdown = 10
