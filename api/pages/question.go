package pages

import (
	"bytes"
	"compress/flate"
	"context"
	"encoding/base64"
	"errors"
	"io"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/service"
)

// A comparison that is not saved stands in the address of its page, so that a link shares
// it, the back button takes a change back, and two tabs do not disturb each other. It is
// the canonical JSON of the request (RFC 8785), deflated (RFC 1951), in base64url (RFC
// 4648, 5).
const (
	// maxWritten is the longest text of a request in an address; with it, the address fits
	// into the head of a request (16 KiB).
	maxWritten = 12 << 10
	// maxRead bounds what a short text may unpack to.
	maxRead = 1 << 20
)

// errLong is the fault of a comparison too large for an address.
var errLong = errors.New("the comparison is too long for an address; save it to share it")

// writeRequest is a request as a text for an address, or errLong.
func writeRequest(request []byte) (string, error) {
	canonical := jsontext.Value(bytes.Clone(request))
	if err := canonical.Canonicalize(); err != nil {
		return "", err
	}
	var packed bytes.Buffer
	w, err := flate.NewWriter(&packed, flate.BestCompression)
	if err != nil {
		return "", err
	}
	if _, err := w.Write(canonical); err != nil {
		return "", err
	}
	if err := w.Close(); err != nil {
		return "", err
	}
	text := base64.RawURLEncoding.EncodeToString(packed.Bytes())
	if len(text) > maxWritten {
		return "", errLong
	}
	return text, nil
}

// readRequest reads what writeRequest wrote.
func readRequest(text string) ([]byte, error) {
	broken := func(err error) error {
		return &service.Error{Code: service.Malformed, Detail: "The comparison in the address cannot be read; perhaps the end of the address was cut off.", Cause: err}
	}
	packed, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if err != nil {
		return nil, broken(err)
	}
	r := flate.NewReader(bytes.NewReader(packed))
	request, err := io.ReadAll(io.LimitReader(r, maxRead+1))
	switch {
	case err != nil:
		return nil, broken(err)
	case len(request) > maxRead:
		return nil, broken(errLong)
	}
	return request, nil
}

// pinnedIn is the version that a request names.
func pinnedIn(request []byte) (inventory.Ref, bool) {
	var named struct {
		Inventory string `json:"inventory"`
	}
	if err := json.Unmarshal(request, &named); err != nil {
		return inventory.Ref{}, false
	}
	return inventory.ParseRef(named.Inventory)
}

// question is the comparison that a page is about.
type question struct {
	Name    string           // for people
	Study   *inventory.Study // that it is saved as; nil where it is not
	Request []byte
}

// asked reads which comparison the address means: a saved study by the path, the demo by
// of=demo, else the request that is written in it.
func (p *Pages) asked(c echo.Context) (question, error) {
	ctx := c.Request().Context()
	if id := c.Param("study"); id != "" {
		study, request, err := p.desk.Service.StudyRequest(ctx, id)
		return question{study.Name, &study, request}, err
	}
	if text := c.QueryParam("request"); text != "" {
		request, err := readRequest(text)
		return question{Name: "Comparison", Request: request}, err
	}
	if p.hasDemo(c) && c.QueryParam("of") == "demo" {
		return question{Name: "Demo: three slabs for one road", Request: p.desk.Demo}, nil
	}
	return question{}, &service.Error{Code: service.NotFound, Detail: "The address names no comparison."}
}

// Asked reads which comparison the address means: the study that it is saved as, or nil,
// and its request. An address that names none is not found.
func (p *Pages) Asked(c echo.Context) (*inventory.Study, []byte, error) {
	q, err := p.asked(c)
	var told *service.Error
	if err != nil && !errors.As(err, &told) {
		err = &service.Error{Code: service.NotFound, Detail: "The address names no comparison.", Cause: err}
	}
	return q.Study, q.Request, err
}

// compared computes the comparison of a question, after it was held against the contract.
func (p *Pages) compared(ctx context.Context, request []byte) (resp *service.ComparisonResponse, err error) {
	accepted, refused, err := p.desk.Check("compare", request)
	if err != nil {
		return nil, err
	}
	err = p.desk.Compute(ctx, "compare", func(ctx context.Context) (err error) {
		resp, err = p.desk.Service.Compare(ctx, accepted, refused...)
		return err
	})
	return resp, err
}
