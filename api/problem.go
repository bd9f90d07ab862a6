package api

import (
	"errors"
	"fmt"
	"net/http"

	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
)

// Kind is a type of problem. Its page is /docs/problems/ and its code.
type Kind struct {
	Code    string
	Status  int
	Title   string
	Meaning string // what happened
	Remedy  string // what to do
}

// Type is the URI of the problem type, a path on this service.
func (k Kind) Type() string { return "/docs/problems/" + k.Code }

// kinds is the registry of problems: every error that leaves the service is one
// of these. The codes of service.Code are among them.
var kinds = []Kind{
	{string(service.Malformed), http.StatusBadRequest, "The body is not JSON that can be read",
		"The body is cut off, is not JSON, has text behind the JSON, has a member twice in one object, is not UTF-8, or exceeds a limit: 32 levels, 5,000 members and entries in all, 4,096 bytes a text (more for the file of a test machine).",
		"Send one JSON object (RFC 8259). The pointer and the detail of the error say where reading stopped."},
	{"malformed-request", http.StatusBadRequest, "The request cannot be read",
		"The request line, a header or the query is not valid HTTP.",
		"Use an HTTP client that encodes the address and the headers."},
	{"idempotency-key-missing", http.StatusBadRequest, "The request must name itself",
		"What is stored is stored once, also where a client sends a request again because the answer was lost: the header Idempotency-Key tells such a request from a new one. It is missing.",
		"Send the header Idempotency-Key with 1 to 255 visible characters of ASCII, such as a new UUID, and send the same one when you send the request again."},
	{"cursor-invalid", http.StatusBadRequest, "The cursor does not belong to this list",
		"The cursor was changed, or it came with another filter or another order.",
		"Follow the links of an answer as they are, or begin again without a cursor."},
	{string(service.Unauthenticated), http.StatusUnauthorized, "A key is needed",
		"The request has no key, or one that the service does not know, that was revoked or that has expired.",
		"Send the header \"Authorization: Bearer\" with a key. Whoever runs the service makes one with slabledger keys create, or POST /v1/keys."},
	{"insufficient-scope", http.StatusForbidden, "The key may not do this",
		"The key is good, but its role is not the one that this operation needs. An analyst may do what a viewer may, and an admin may do everything.",
		"Use a key with the role that the answer names."},
	{"cross-origin", http.StatusForbidden, "A page of another site may not do this",
		"No keys are set, so whoever reaches the service may use it, and a browser has sent this request for a page of another site.",
		"Send it from a program or from this service's own pages, or set keys."},
	{string(service.NotFound), http.StatusNotFound, "There is no such thing",
		"Nothing stands under this address: the path, the inventory, the version or the item does not exist.",
		"Look at /docs for the paths and at /v1/inventories for what is published."},
	{"method-not-allowed", http.StatusMethodNotAllowed, "The method is not allowed here",
		"The path exists, but not with this method.",
		"Use one of the methods in the header Allow."},
	{"not-acceptable", http.StatusNotAcceptable, "The answer cannot be given in an accepted form",
		"The header Accept excludes application/json.",
		"Accept application/json, or leave the header out."},
	{"request-timeout", http.StatusRequestTimeout, "The request did not arrive in time",
		"The body came too slowly, or the connection stalled.",
		"Send it again in one go."},
	{string(service.Conflict), http.StatusConflict, "Another publisher took the version number",
		"Two publications of one inventory ran at once, and the other was first.",
		"Look at what was published and, if yours is still needed, publish it again."},
	{string(service.NotDone), http.StatusConflict, "The job has no result",
		"The job is queued, runs, has failed or was cancelled.",
		"Get the job: its state says where it stands, and its problem why it failed. Ask for the result once the state is done."},
	{"precondition-failed", http.StatusPreconditionFailed, "It has changed since it was read",
		"The header If-Match names a state that is not the present one: another client has changed it in between.",
		"Get it again, look at what has changed, and send the request with the new ETag if it is still right."},
	{"body-too-large", http.StatusRequestEntityTooLarge, "The body is too large",
		"A body has at most 1 MiB.",
		"Compare fewer alternatives at a time; \"like\" keeps alternatives short."},
	{"unsupported-media-type", http.StatusUnsupportedMediaType, "The body is not of a supported type",
		"A body is application/json in UTF-8, and the header Content-Type must say so.",
		"Send the header \"Content-Type: application/json\"."},
	{"unsupported-encoding", http.StatusUnsupportedMediaType, "A compressed body is not supported",
		"The header Content-Encoding names a coding. A small compressed body can unpack to a large one, so none is taken.",
		"Send the body as it is."},
	{"expectation-failed", http.StatusExpectationFailed, "The expectation cannot be met",
		"The header Expect asks for something other than 100-continue.",
		"Leave the header Expect out."},
	{"misdirected-request", http.StatusMisdirectedRequest, "The request is meant for another service",
		"The header Host names neither this machine nor a name that the service was started with.",
		"Address the service as localhost or 127.0.0.1, or start it with --host and the name that clients use."},
	{string(service.Invalid), http.StatusUnprocessableEntity, "The request cannot be computed",
		"The request was read, but members are missing, unknown, of the wrong type or unit, out of range, or do not fit together. Faults are listed with a pointer to their members; what rests on a faulty member is checked once it is mended.",
		"Mend what the list names; each entry says what is accepted."},
	{"idempotency-key-reused", http.StatusUnprocessableEntity, "Another request has this name",
		"The header Idempotency-Key names a request of the last 24 hours that was sent to another address or with another body.",
		"Send the first request as it was, or give this one a name of its own."},
	{"precondition-required", http.StatusPreconditionRequired, "Say which state is to be changed",
		"Changing this needs the header If-Match, so that no one's change is lost unseen.",
		"Get it first, and send the ETag of that answer in If-Match."},
	{"rate-limited", http.StatusTooManyRequests, "Too many keys that are none",
		"Too many requests from this address had a key that the service refused.",
		"Mend the key, and try again after the seconds that the header Retry-After gives."},
	{string(service.TooManyJobs), http.StatusTooManyRequests, "Too many jobs have not ended",
		"Of each key only so many jobs may be queued or running at once.",
		"Wait until some have ended, or cancel one that is not needed."},
	{"header-fields-too-large", http.StatusRequestHeaderFieldsTooLarge, "The head of the request is too large",
		"The request line and the headers have at most 16 KiB together.",
		"Send fewer or shorter headers."},
	{string(service.Internal), http.StatusInternalServerError, "The service failed",
		"A fault of the service, not of the request. Its cause is in the log under the request's id.",
		"Report the instance, which is that id. Sending the request again may or may not help."},
	{string(service.JobLost), http.StatusInternalServerError, "The job was lost again and again",
		"The process that ran the job ended in the middle of it, as often as a job is begun anew.",
		"Ask for less at once; if it happens again, report the job."},
	{"not-implemented", http.StatusNotImplemented, "The transfer coding is not supported",
		"The header Transfer-Encoding names a coding other than chunked.",
		"Send the body with a Content-Length, or chunked."},
	{string(service.Unavailable), http.StatusServiceUnavailable, "The service is not available at the moment",
		"The database does not answer, or the service is stopping.",
		"Try again after the seconds that the header Retry-After gives."},
	{"overloaded", http.StatusServiceUnavailable, "The service has no room for more work at the moment",
		"As many requests as the machine bears are computed already.",
		"Try again after the seconds that the header Retry-After gives, or send long work as a job (POST /v1/jobs), which waits for its turn."},
	{"compute-timeout", http.StatusServiceUnavailable, "The computation takes too long",
		"What was asked takes more time than one request may have.",
		"Send it as a job (POST /v1/jobs), which may take longer, or ask for less at once: fewer alternatives, shorter chains of \"like\", a narrower range. On a machine that is busy it may also be in time after the seconds that the header Retry-After gives."},
	{string(service.JobTimeout), http.StatusServiceUnavailable, "The job took too long",
		"A job has a longest time (see serve --job-timeout), which this one has used up.",
		"Ask for less at once, or have whoever runs the service allow more time."},
	{"http-version-not-supported", http.StatusHTTPVersionNotSupported, "The version of HTTP is not supported",
		"The request line names a version of HTTP that is not spoken here.",
		"Use HTTP/1.1."},
}

var kindByCode = func() map[string]Kind {
	m := make(map[string]Kind, len(kinds))
	for _, k := range kinds {
		m[k.Code] = k
	}
	return m
}()

// kindOfStatus finds the kind for an answer of which only the status is known:
// one of the HTTP library's own. Of several kinds with one status it is the one
// that speaks of the request as a whole.
func kindOfStatus(status int) Kind {
	switch status {
	case http.StatusBadRequest:
		return kindByCode["malformed-request"]
	case http.StatusUnsupportedMediaType:
		return kindByCode["unsupported-media-type"]
	}
	for _, k := range kinds {
		if k.Status == status {
			return k
		}
	}
	if status >= http.StatusInternalServerError {
		return kindByCode[string(service.Internal)]
	}
	return kindByCode["malformed-request"]
}

// refusal is an error of the HTTP layer itself.
type refusal struct {
	code   string // of a Kind
	detail string
	header [2]string // a header that the status asks for; may be empty
	cause  error
}

func (r *refusal) Error() string { return r.code + ": " + r.detail }
func (r *refusal) Unwrap() error { return r.cause }

// problem is the document of RFC 9457.
type problem struct {
	Type     string  `json:"type"`
	Title    string  `json:"title"`
	Status   int     `json:"status"`
	Detail   string  `json:"detail"`
	Instance string  `json:"instance"`
	Errors   []entry `json:"errors,omitempty"`
}

// entry is one fault in a problem.
type entry struct {
	Pointer string `json:"pointer"`
	Code    string `json:"code"`
	Detail  string `json:"detail"`
}

// maxEntries is the most faults that a problem lists.
const maxEntries = 100

func newProblem(k Kind, detail, id string) problem {
	if detail == "" {
		detail = k.Meaning
	}
	return problem{Type: k.Type(), Title: k.Title, Status: k.Status, Detail: detail, Instance: "urn:uuid:" + id}
}

// describe turns an error into a problem, the header it needs, and the cause for
// the log. This is the only place that knows which status an error has.
func describe(err error, id string) (p problem, header [2]string, cause error) {
	var failed *service.Error
	var refused *refusal
	var rows *inventory.UploadError
	var routed *echo.HTTPError
	switch {
	case errors.As(err, &refused):
		return newProblem(kindByCode[refused.code], refused.detail, id), refused.header, refused.cause
	case errors.As(err, &failed):
		k, known := kindByCode[string(failed.Code)]
		if !known {
			k = kindByCode[string(service.Internal)]
		}
		if k.Status == http.StatusServiceUnavailable {
			header = [2]string{"Retry-After", "2"}
		}
		if failed.Code == service.TooManyJobs {
			header = [2]string{"Retry-After", "30"}
		}
		if k.Status == http.StatusInternalServerError {
			return newProblem(k, "", id), header, err
		}
		p = newProblem(k, failed.Detail, id)
		for _, f := range failed.Faults[:min(len(failed.Faults), maxEntries)] {
			p.Errors = append(p.Errors, entry{string(f.Pointer), f.Code, f.Detail})
		}
		if len(failed.Faults) > maxEntries {
			p.Detail += fmt.Sprintf(" There are %d faults; the first %d are listed.", len(failed.Faults), maxEntries)
		}
		if k.Status > http.StatusInternalServerError {
			cause = failed.Cause
		}
		return p, header, cause
	case errors.As(err, &rows):
		return describeRows(rows, id), header, nil
	case errors.As(err, &routed):
		return newProblem(kindOfStatus(routed.Code), "", id), header, nil
	}
	return newProblem(kindByCode[string(service.Internal)], "", id), header, err
}

// describeRows tells every bad row of a file. The pointer of a row is /rows/, its
// number and the column; a fault of the file as a whole has none.
func describeRows(rows *inventory.UploadError, id string) problem {
	k := kindByCode[string(service.Invalid)]
	p := newProblem(k, fmt.Sprintf("Nothing was stored, since the file has %d to mend.", len(rows.Rows)+rows.More), id)
	if rows.More > 0 {
		p.Detail += fmt.Sprintf(" The first %d are listed.", len(rows.Rows))
	}
	for _, row := range rows.Rows {
		at := fault.Path("")
		if row.Row > 0 {
			at = at.At("rows", row.Row)
			if row.Column != "" {
				at = at.At(row.Column)
			}
		}
		detail := row.Detail
		if row.Found != "" {
			detail += fmt.Sprintf(" (found %q)", row.Found)
		}
		if row.Item != "" {
			detail = row.Item + ": " + detail
		}
		p.Errors = append(p.Errors, entry{string(at), row.Code, detail})
	}
	return p
}
