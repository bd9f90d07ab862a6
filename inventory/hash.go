package inventory

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"runtime"
	"sync"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Hash is the identity of what a version says: the hex SHA-256 of the RFC 8785
// canonical JSON of
//
//	{"meta": {name, region, currency, invented}, "items": [… sorted by code]}
//
// with every decimal as a string in canonical form. The slug, the number, the
// note of the version and its time are not part of it: the same prices under
// another name are the same prices. The items need not be sorted and are not
// changed. It fails where a text is not valid UTF-8.
func Hash(m Meta, items []Item) (string, error) {
	// Members of a canonical object stand in order of their names, so "items"
	// comes first, and the text can be hashed piece by piece.
	h := sha256.New()
	h.Write([]byte(`{"items":[`))
	if err := writeCanonical(h, sortedByCode(items)); err != nil {
		return "", err
	}
	h.Write([]byte(`],"meta":`))
	text, err := canonical(m)
	if err != nil {
		return "", fmt.Errorf("meta: %w", err)
	}
	h.Write(text)
	h.Write([]byte{'}'})
	return hex.EncodeToString(h.Sum(nil)), nil
}

// writtenTogether is how many items a core writes before they are hashed.
const writtenTogether = 500

// writeCanonical writes the canonical JSON of items, separated by commas. It is made
// on all cores, some hundred items at a time.
func writeCanonical(to io.Writer, items []*Item) error {
	texts := make([]canonicalText, min(runtime.GOMAXPROCS(0), 1+len(items)/writtenTogether))
	separator := ""
	for len(items) > 0 {
		var wg sync.WaitGroup
		for n := range texts {
			piece := items[:min(writtenTogether, len(items))]
			items = items[len(piece):]
			wg.Go(func() { texts[n].items(piece) })
		}
		wg.Wait()
		for _, t := range texts {
			if t.err != nil {
				return t.err
			}
			if len(t.text) == 0 {
				continue
			}
			if _, err := io.WriteString(to, separator); err != nil {
				return err
			}
			if _, err := to.Write(t.text); err != nil {
				return err
			}
			separator = ","
		}
	}
	return nil
}

// canonical is the RFC 8785 form of a value's JSON.
func canonical(value any) (jsontext.Value, error) {
	text, err := json.Marshal(value) // in any order: Canonicalize makes one
	if err != nil {
		return nil, err
	}
	v := jsontext.Value(text)
	return v, v.Canonicalize()
}
