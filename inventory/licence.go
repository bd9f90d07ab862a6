package inventory

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
)

// NoRedistribution is the licence of a source whose numbers may be used and not be
// passed on, as declarations and quotations often are. Other licences are named by
// their SPDX identifier or in words.
const NoRedistribution = "no-redistribution"

// Withheld is an item whose numbers are not passed on, with the hex SHA-256 of the
// RFC 8785 canonical JSON of the whole item, so that who has it can show that it is
// the one.
type Withheld struct {
	Item string
	Hash string
}

func (s *Source) restricted() bool {
	return s != nil && strings.EqualFold(s.Licence, NoRedistribution)
}

// Redistributable is a list of items without those numbers whose licence forbids
// passing them on: the price, the factors, or both. The note of such an item keeps
// the references and the hash. The list given is not changed.
func Redistributable(items []Item) ([]Item, []Withheld, error) {
	items = slices.Clone(items)
	var withheld []Withheld
	for n := range items {
		i := &items[n]
		var sources []string
		price, factors := i.Price != nil && i.Price.Source.restricted(), i.FactorSource.restricted()
		if !price && !factors {
			continue
		}
		text, err := canonical(*i)
		if err != nil {
			return nil, nil, err
		}
		sum := sha256.Sum256(text)
		hash := hex.EncodeToString(sum[:])
		if price {
			sources = append(sources, "price: "+i.Price.Source.reference())
			i.Price = nil
		}
		if factors {
			sources = append(sources, "factors: "+i.FactorSource.reference())
			i.Factors, i.FactorSource, i.FactorData = nil, nil, FactorData{}
		}
		note := "withheld (" + NoRedistribution + "), " + strings.Join(sources, ", ") + "; item SHA-256 " + hash
		if len(note) > MaxTextBytes {
			note = "withheld (" + NoRedistribution + "); item SHA-256 " + hash
		}
		i.Note = note
		withheld = append(withheld, Withheld{i.Code, hash})
	}
	return items, withheld, nil
}

// reference is where a source is found, in one line.
func (s *Source) reference() string {
	parts := []string{s.Title}
	for _, part := range []string{s.Publisher, s.Reference} {
		if part != "" {
			parts = append(parts, part)
		}
	}
	return strings.Join(parts, ", ")
}
