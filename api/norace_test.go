//go:build !race

package api_test

const slowdown = 1
