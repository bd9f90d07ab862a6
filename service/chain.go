package service

import (
	"bytes"
	"errors"
	"io"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// ChainLink is one step on the way from the beams to cost and carbon. Its hash
// holds the result of the step and the hash of the step before, so a change at one
// step changes the hashes of that step and of all behind it.
type ChainLink struct {
	Step string `json:"step"`
	Hash string `json:"hash"` // SHA-256, hexadecimal
}

// chainOf links the steps of an alternative that is sized from beam tests; nil for
// any other. docs/beam-tests.md has the rule by which others recompute it.
func chainOf(r *Result) ([]ChainLink, error) {
	d := r.ThicknessDesign
	if d == nil || d.BeamTests == nil {
		return nil, nil
	}
	given, err := json.Marshal(r.Resolved.Slab.Thickness.Design.Strength.BeamTests)
	if err != nil {
		return nil, err
	}
	after, err := canonicalHash(given)
	if err != nil {
		return nil, err
	}
	type members map[string]any
	steps := []struct {
		step   string
		result any
	}{
		{"beam_tests", d.BeamTests},
		{"strength", members{"effective_strength_mpa": d.EffectiveStrengthMPa, "strength_rule": d.StrengthRule}},
		{"thickness", d},
		{"take_off", members{"takeoff": r.Takeoff, "quantities": r.Quantities}},
		{"cost_and_carbon", members{"carbon": r.Carbon, "cost": r.Cost}},
	}
	chain := make([]ChainLink, len(steps))
	for i, s := range steps {
		text, err := json.Marshal(members{"after": after, "result": s.result})
		if err != nil {
			return nil, err
		}
		if text, err = placeless(text); err != nil {
			return nil, err
		}
		if after, err = canonicalHash(text); err != nil {
			return nil, err
		}
		chain[i] = ChainLink{s.step, after}
	}
	return chain, nil
}

// placeless leaves out the members of a JSON text that tell where a figure has its
// place, at any depth: another order of the alternatives, or a version of the
// inventory with another price, moves them and changes no figure.
func placeless(text []byte) ([]byte, error) {
	var out bytes.Buffer
	dec, enc := jsontext.NewDecoder(bytes.NewReader(text)), jsontext.NewEncoder(&out)
	for {
		in, read := dec.StackIndex(dec.StackDepth())
		token, err := dec.ReadToken()
		switch {
		case errors.Is(err, io.EOF):
			return out.Bytes(), nil
		case err != nil:
			return nil, err
		}
		if isName := in == '{' && read%2 == 0 && token.Kind() == '"'; isName && (token.String() == "pointer" || token.String() == "source") {
			if err := dec.SkipValue(); err != nil {
				return nil, err
			}
			continue
		}
		if err := enc.WriteToken(token); err != nil {
			return nil, err
		}
	}
}
