package service

import "slabledger/lca/fault"

// Code is the small set of outcomes that the HTTP layer maps to a status.
type Code string

// Codes.
const (
	Malformed   Code = "malformed-json"      // 400: cannot be read
	Invalid     Code = "validation-failed"   // 422: read, but cannot be computed
	NotFound    Code = "not-found"           // 404
	Conflict    Code = "version-conflict"    // 409
	Unavailable Code = "service-unavailable" // 503
	Internal    Code = "internal"            // 500
)

// Error is what every use case returns. Cause goes to the log, never to the
// client.
type Error struct {
	Code   Code
	Detail string
	Faults []fault.Fault
	Cause  error
}

func (e *Error) Error() string {
	if e.Cause != nil {
		return string(e.Code) + ": " + e.Detail + ": " + e.Cause.Error()
	}
	return string(e.Code) + ": " + e.Detail
}

func (e *Error) Unwrap() error { return e.Cause }

func oneFault(at fault.Path, code, detail string) []fault.Fault {
	return []fault.Fault{{Pointer: at, Code: code, Detail: detail}}
}
