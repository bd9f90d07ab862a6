package inventory

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

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
	sorted := slices.SortedFunc(slices.Values(items), func(a, b Item) int { return strings.Compare(a.Code, b.Code) })

	// Members of a canonical object stand in order of their names, so "items"
	// comes first, and the text can be hashed piece by piece.
	h := sha256.New()
	h.Write([]byte(`{"items":[`))
	for n, item := range sorted {
		if n > 0 {
			h.Write([]byte{','})
		}
		text, err := canonical(item)
		if err != nil {
			return "", fmt.Errorf("item %q: %w", item.Code, err)
		}
		h.Write(text)
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

// canonical is the RFC 8785 form of a value's JSON.
func canonical(value any) (jsontext.Value, error) {
	text, err := json.Marshal(value)
	if err != nil {
		return nil, err
	}
	v := jsontext.Value(text)
	return v, v.Canonicalize()
}
