package service

import (
	"errors"
	"slices"
	"strings"

	"slabledger/lca/fault"
)

// Code is the small set of outcomes that the HTTP layer maps to a status.
type Code string

// Codes.
const (
	Malformed       Code = "malformed-json"      // 400: cannot be read
	Unauthenticated Code = "unauthenticated"     // 401: the key is none, or has ended
	NotFound        Code = "not-found"           // 404
	Conflict        Code = "version-conflict"    // 409
	Stale           Code = "precondition-failed" // 412: what was read has changed
	NotDone         Code = "job-not-done"        // 409: there is no result of it
	Invalid         Code = "validation-failed"   // 422: read, but cannot be computed
	TooManyJobs     Code = "job-limit"           // 429
	Internal        Code = "internal"            // 500
	JobLost         Code = "job-lost"            // 500, of a job alone
	JobTimeout      Code = "job-timeout"         // 503, of a job alone
	Unavailable     Code = "service-unavailable" // 503
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

// errFaults carries faults out of a use case.
func errFaults(found []fault.Fault) error {
	return &Error{Code: Invalid, Detail: "the request can be read, but not computed; mend what is listed, and what rests on it is checked next", Faults: found}
}

// joined adds what a use case has found in a request to what the contract has
// refused of it: a body that is handed on lacks what was refused, so only those
// faults are told that do not follow from the lack. Without refused it is err.
func joined(refused []fault.Fault, err error) error { return joinedBy(refused, err, independently) }

// joinedBy is joined with a rule of its own for what does not follow from the lack.
func joinedBy(refused []fault.Fault, err error, stands func(fault.Fault) bool) error {
	var failed *Error
	if len(refused) == 0 || (err != nil && !asInvalid(err, &failed)) {
		return err
	}
	all := slices.Clone(refused)
	if failed != nil {
		for _, f := range failed.Faults {
			if stands(f) && !slices.ContainsFunc(refused, func(r fault.Fault) bool { return concern(r.Pointer, f.Pointer) }) {
				all = append(all, f)
			}
		}
	}
	return errFaults(all)
}

// asInvalid finds the error of a request that cannot be computed.
func asInvalid(err error, failed **Error) bool {
	return errors.As(err, failed) && (*failed).Code == Invalid
}

// concern tells whether one of two pointers leads to the other.
func concern(a, b fault.Path) bool {
	return a == b || strings.HasPrefix(string(a), string(b)+"/") || strings.HasPrefix(string(b), string(a)+"/")
}

// independent keeps the faults that one member shows by itself, whatever else the
// request lacks.
func independent(found []fault.Fault) []fault.Fault {
	var kept []fault.Fault
	for _, f := range found {
		if independently(f) {
			kept = append(kept, f)
		}
	}
	return kept
}

func independently(f fault.Fault) bool {
	switch f.Code {
	case "alternative-unknown", "category-mismatch", "code-differs", "currency-mismatch", "csv-empty", "csv-field-count", "csv-header", "csv-more",
		"csv-quote", "csv-too-large", "decimal-invalid", "duplicate-name", "inventory-reference", "inventory-unknown", "item-unknown", "like-cycle",
		"name-form", "not-in-list", "out-of-range", "pointer-unknown", "unit-incompatible", "unit-missing", "unit-unknown", "wrong-form":
		return true
	}
	return false
}

// besides is the rule for requests whose parts do not refer to each other: a fault
// may follow from what was refused in an object that the fault stands in, and from
// nothing else.
func besides(refused []fault.Fault) func(fault.Fault) bool {
	return func(f fault.Fault) bool {
		return independently(f) || !slices.ContainsFunc(refused, func(r fault.Fault) bool {
			object := r.Pointer[:max(0, strings.LastIndexByte(string(r.Pointer), '/'))]
			return concern(object, f.Pointer)
		})
	}
}
