package pages

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/service"
)

// What a form without a file may send.
const (
	// maxFormBytes: a request of 1 MiB can take three times that as the text of a field.
	maxFormBytes = 3<<20 + 1<<16
	// maxShortForm: a few lines of text.
	maxShortForm = 4 << 10
)

// sent is what a person sent in a form. Lines end with LF.
type sent struct{ url.Values }

// formOf reads the fields of a form of at most so many bytes.
func formOf(c echo.Context, most int64) (sent, error) {
	body, err := io.ReadAll(http.MaxBytesReader(c.Response(), c.Request().Body, most))
	var over *http.MaxBytesError
	if errors.As(err, &over) {
		return sent{}, &service.Error{Code: "body-too-large", Detail: fmt.Sprintf("The form has more than %d bytes.", most)}
	}
	if err != nil {
		return sent{}, &service.Error{Code: service.Malformed, Detail: "The form ended before it was complete.", Cause: err}
	}
	fields, err := url.ParseQuery(string(body))
	if err != nil {
		return sent{}, &service.Error{Code: service.Malformed, Detail: "The form is not encoded as a form is.", Cause: err}
	}
	for _, values := range fields {
		for i, value := range values {
			if !utf8.ValidString(value) {
				return sent{}, &service.Error{Code: service.Malformed, Detail: "The form is not in UTF-8."}
			}
			values[i] = strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(value)
		}
	}
	return sent{fields}, nil
}

// text is a field without space at its ends.
func (f sent) text(name string) string { return strings.TrimSpace(f.Get(name)) }

// revision is the state of a draft or a study that a form was filled in on; 0, which none
// has, where the field says none.
func (f sent) revision() int {
	n, err := strconv.Atoi(f.Get("revision"))
	if err != nil || n < 1 {
		return 0
	}
	return n
}

// newName names the request that a form is to send, so that a double click or a form
// that is sent again stores once.
func newName() string { return rand.Text() }

// once does what a form asks to be stored, and goes to the page of what came of it. A
// name belongs to one content: a form that was mended after it was stored is another.
func (p *Pages) once(c echo.Context, f sent, work func(*inventory.Retry) (location string, err error)) error {
	content := url.Values{}
	for field, values := range f.Values {
		if field != "once" {
			content[field] = values
		}
	}
	sum := sha256.Sum256([]byte(content.Encode()))
	name := f.Get("once")
	if name == "" || len(name) > 64 || strings.ContainsFunc(name, func(r rune) bool { return r < '!' || r > '~' }) {
		name = newName()
	}
	location, err := p.desk.Once(c, name+"-"+hex.EncodeToString(sum[:8]), []byte(content.Encode()), work)
	if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, Of(location))
}

// Of is the address of the page of what the API shows at a location.
func Of(location string) string {
	rest := strings.TrimPrefix(location, "/v1")
	if slug, number, isVersion := strings.Cut(rest, "/versions/"); isVersion {
		return slug + "?version=" + number
	}
	if id, isJob := strings.CutPrefix(rest, "/jobs/"); isJob {
		return "/runs/" + id
	}
	return rest
}

// may tells whether whoever asks has a role.
func may(c echo.Context, role inventory.Role) bool {
	return service.ActorOf(c.Request().Context()).Role.May(role)
}

// hasCode tells whether an error is of a kind that a page deals with itself.
func hasCode(err error, code service.Code) bool {
	var failed *service.Error
	return errors.As(err, &failed) && failed.Code == code
}

// number is a parameter of the query that is a number from 1, or 0 where it is none.
func number(c echo.Context, name string) int {
	n, err := strconv.Atoi(c.QueryParam(name))
	if err != nil || n < 1 {
		return 0
	}
	return n
}

// day is the day of an instant that FormatTime wrote.
func day(at string) string { return at[:min(len(at), 10)] }

// instant is an instant that FormatTime wrote, to the second.
func instant(at string) string {
	if len(at) < len("2006-01-02T15:04:05") {
		return at
	}
	return at[:10] + " " + at[11:19] + " UTC"
}

// pager is where a page of a list stands in it.
type pager struct {
	From, To, Total int    // entries, from 1
	Prev, Next      string // addresses; empty where there is no such page
}

// paged cuts out the page of a list that a parameter of the address asks for, so many
// entries long. The list stands on the page at the id given.
func paged[E any](c echo.Context, list []E, each int, parameter, id string) ([]E, pager, error) {
	last := max(1, (len(list)+each-1)/each)
	at := min(max(1, number(c, parameter)), last)
	from, to := (at-1)*each, min(at*each, len(list))
	p := pager{From: from + 1, To: to, Total: len(list)}
	for number, address := range map[int]*string{at - 1: &p.Prev, at + 1: &p.Next} {
		if number < 1 || number > last {
			continue
		}
		var err error
		if *address, err = with(c.Request().URL.RequestURI(), parameter, strconv.Itoa(number)); err != nil {
			return nil, p, err
		}
		*address += "#" + id
	}
	return list[from:to], p, nil
}
