package storetest

import (
	"runtime/debug"
	"slices"
)

// Raced tells whether the race detector is in, under which what takes seconds takes
// minutes, and several times the memory.
func Raced() bool {
	info, ok := debug.ReadBuildInfo()
	return ok && slices.Contains(info.Settings, debug.BuildSetting{Key: "-race", Value: "true"})
}
