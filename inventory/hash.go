package inventory

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
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
	texts, err := canonicalItems(sortedByCode(items))
	if err != nil {
		return "", err
	}

	// Members of a canonical object stand in order of their names, so "items"
	// comes first, and the text can be hashed piece by piece.
	h := sha256.New()
	h.Write([]byte(`{"items":[`))
	for n, text := range texts {
		if n > 0 {
			h.Write([]byte{','})
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

// canonicalItems is canonical of each item, made on all cores: it is most of the time
// that publishing takes.
func canonicalItems(items []*Item) ([]jsontext.Value, error) {
	texts, errs := make([]jsontext.Value, len(items)), make([]error, len(items))
	workers := min(runtime.GOMAXPROCS(0), 1+len(items)/1000)
	var wg sync.WaitGroup
	for w := range workers {
		wg.Go(func() {
			for n := w; n < len(items); n += workers {
				if texts[n], errs[n] = canonical(items[n].json()); errs[n] != nil {
					errs[n] = fmt.Errorf("item %q: %w", items[n].Code, errs[n])
				}
			}
		})
	}
	wg.Wait()
	return texts, errors.Join(errs...)
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
