package service

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"golang.org/x/text/unicode/norm"

	"slabledger/lca/fault"
)

// resolved is an alternative with everything it takes over from others.
type resolved struct {
	Alternative
	at             fault.Path
	constituentsAt []fault.Path // where each constituent was written; beside ratios, each that is added
	chain          []int        // its own index, then those it is like
	incomplete     bool         // what it is like is not known
	design         string       // equal where the design of the thickness is; empty where that is not known
}

// resolve gives each alternative what it is "like", then its own members, as
// RFC 7396 merges a patch: objects merge, lists and values replace. mix.add is
// the exception that a fibre mix needs: it appends to the constituents. Proportions
// by mass and by ratio take each other's place.
// at is where each stands. Of two with one name the first is meant. The list is
// nil where an alternative cannot be read.
func resolve(raw []jsontext.Value, at func(int) fault.Path) (all []resolved, faults fault.List) {
	type head struct {
		Name string `json:"name"`
		Like string `json:"like"`
	}
	heads := make([]head, len(raw))
	byName := make(map[string]int, len(raw))
	named := true // all of them; else one without a name may be the one that another is like
	for i, r := range raw {
		if err := json.Unmarshal(r, &heads[i]); err != nil {
			faults.Add(at(i), "wrong-type", "the alternative cannot be read")
			return nil, faults
		}
		if !norm.NFC.IsNormalString(heads[i].Name) {
			faults.Add(at(i).At("name"), "name-form", "write the name in Unicode normalisation form C, so that equal names are equal")
		}
		if heads[i].Name == "" {
			named = false
			faults.Add(at(i).At("name"), "required-member-missing", "every alternative needs a name")
		} else if first, twice := byName[heads[i].Name]; twice {
			faults.Add(at(i).At("name"), "duplicate-name", "the name %q is taken by alternative %d; names are unique within their list", short(heads[i].Name), first)
		} else {
			byName[heads[i].Name] = i
		}
	}
	all = make([]resolved, len(raw))
	for i := range raw {
		all[i].at = at(i)
		chain := []int{i}
		for like := heads[i].Like; like != ""; {
			j, known := byName[like]
			if !known {
				if len(chain) == 1 && named { // else it has been told of the one that says so
					faults.Add(at(i).At("like"), "alternative-unknown", "no alternative has the name %q", short(like))
				}
				all[i].incomplete = true
				break
			}
			if len(chain) > min(len(raw), maxLike) {
				cycle := cycleOf(i, func(k int) int { return followed(byName, heads[k].Like) })
				switch {
				case cycle != nil && slices.Min(cycle) == i: // each cycle is told once
					var way []string
					for _, k := range cycle {
						way = append(way, heads[k].Name)
					}
					faults.Add(at(i).At("like"), "like-cycle", "%s", cycleInWords(way))
				case cycle == nil:
					faults.Add(at(i).At("like"), "like-too-deep", "%q is like another that is like another, and so on, more than %d deep; let it be like one nearer to the first", short(heads[i].Name), maxLike)
				}
				all[i].incomplete, chain = true, chain[:1]
				break
			}
			chain = append(chain, j)
			like = heads[j].Like
		}
		all[i].chain = chain
	}
	for i := range all {
		for c := len(all[i].chain) - 1; c >= 0; c-- {
			all[i].apply(raw[all[i].chain[c]], at(all[i].chain[c]), &faults)
		}
		all[i].Name, all[i].Like = heads[i].Name, ""
	}
	return all, faults
}

// followed is the place of what a name means; -1 where it means nothing.
func followed(byName map[string]int, name string) int {
	if k, known := byName[name]; known {
		return k
	}
	return -1
}

// cycleOf is the cycle into which a way of steps leads, in its order; nil where the way
// ends.
func cycleOf(start int, next func(int) int) []int {
	seen := map[int]int{}
	var way []int
	for k := start; k >= 0; k = next(k) {
		if first, again := seen[k]; again {
			return way[first:]
		}
		seen[k] = len(way)
		way = append(way, k)
	}
	return nil
}

// cycleInWords names what stands on itself, as far as somebody reads.
func cycleInWords(names []string) string {
	const most = 10
	if len(names) == 1 {
		return fmt.Sprintf("%q is like itself", short(names[0]))
	}
	text := fmt.Sprintf("%q is like itself by way of others: it is like ", short(names[0]))
	for k, name := range names[1:] {
		if k == most {
			text += fmt.Sprintf("and %d others, of which the last is like ", len(names)-1-most)
			break
		}
		text += fmt.Sprintf("%q, which is like ", short(name))
	}
	return text + fmt.Sprintf("%q", short(names[0]))
}

// maxLike is how many alternatives may stand on each other: each is laid over all
// those below it.
const maxLike = 16

// apply lays one alternative's members over what is there.
func (r *resolved) apply(raw jsontext.Value, at fault.Path, faults *fault.List) {
	// Which lists this layer writes decides where faults in them point.
	var wrote struct {
		Mix struct {
			Constituents []jsontext.Value `json:"constituents"`
			ByRatio      jsontext.Value   `json:"by_ratio"`
		} `json:"mix"`
		Maintenance jsontext.Value `json:"maintenance"`
		Strategy    jsontext.Value `json:"strategy"`
	}
	if err := json.Unmarshal(raw, &wrote); err != nil {
		faults.Add(at, "wrong-type", "the alternative cannot be read")
		return
	}
	var added []Constituent
	if r.Mix != nil {
		r.switchMix(wrote.Mix.Constituents != nil, wrote.Mix.ByRatio != nil)
		added, r.Mix.Add = r.Mix.Add, nil
	}
	// A plan and the name of one take each other's place.
	switch {
	case wrote.Maintenance != nil && wrote.Strategy != nil:
		faults.Add(at.At("strategy"), "one-of", "an alternative has either its own maintenance or the strategy that it names")
	case wrote.Maintenance != nil:
		r.Strategy = ""
	case wrote.Strategy != nil:
		r.Maintenance = nil
	}
	if err := json.Unmarshal(raw, &r.Alternative); err != nil {
		faults.Add(at, "wrong-type", "the alternative cannot be read")
		return
	}
	if r.Mix == nil {
		return
	}
	if wrote.Mix.Constituents != nil {
		r.constituentsAt = nil
		for k := range wrote.Mix.Constituents {
			r.constituentsAt = append(r.constituentsAt, at.At("mix", "constituents", k))
		}
	}
	for k := range r.Mix.Add {
		r.constituentsAt = append(r.constituentsAt, at.At("mix", "add", k))
	}
	if r.Mix.ByRatio != nil {
		r.Mix.Add = append(added, r.Mix.Add...)
		return
	}
	r.Mix.Constituents = append(r.Mix.Constituents, r.Mix.Add...)
	r.Mix.Add = nil
}

// switchMix makes room for a layer that gives the proportions in the other way
// than they are given so far. The air belongs to the mix, in whichever way it is
// written.
func (r *resolved) switchMix(byMass, byRatio bool) {
	m := r.Mix
	switch {
	case byMass == byRatio:
	case byRatio && m.ByRatio == nil:
		m.ByRatio = &MixRatios{Air: m.Air}
		m.Constituents, m.Air, r.constituentsAt = nil, "", nil
	case byMass && m.ByRatio != nil:
		m.Air = m.ByRatio.Air
		m.ByRatio, m.Add, r.constituentsAt = nil, nil, nil
	}
}

// locator finds where a member that an alternative took over was written.
type locator struct {
	body     []byte
	document any // the body as read; nil until a fault needs it
	all      []resolved
	known    map[string]int // "index/member" → index of the alternative that wrote it, or -1
}

func newLocator(body []byte, all []resolved) *locator {
	return &locator{body: body, all: all, known: map[string]int{}}
}

// has follows a pointer within the body.
func (l *locator) has(pointer string) bool {
	if l.document == nil {
		if err := json.Unmarshal(l.body, &l.document); err != nil {
			return false // then nothing is found and pointers stay as they are
		}
	}
	return exists(l.document, pointer)
}

// locate moves the pointer of a fault to where the member was written.
func (l *locator) locate(p fault.Path) fault.Path {
	const prefix = "/alternatives/"
	rest, ok := strings.CutPrefix(string(p), prefix)
	if !ok {
		return p
	}
	number, member, _ := strings.Cut(rest, "/")
	i, err := strconv.Atoi(number)
	if err != nil || i >= len(l.all) {
		return p
	}
	// Lists replace, so whoever wrote a list wrote all that is in it, and lacks what is
	// not there. Of other members that are missing, it is who wrote most of the way.
	way := upToList(member)
	for ; way != ""; way = way[:max(0, strings.LastIndexByte(way, '/'))] {
		if j := l.writer(i, way); j >= 0 {
			return fault.Path(prefix + strconv.Itoa(j) + "/" + member)
		}
	}
	return p
}

// upToList is the way to the first list that a member lies in; all of the way where it
// lies in none. No member of an object has a number for its name.
func upToList(member string) string {
	end := 0
	for step := range strings.SplitSeq(member, "/") {
		if _, err := strconv.Atoi(step); err == nil {
			return member[:max(0, end-1)]
		}
		end += len(step) + 1
	}
	return member
}

// writer is the nearest alternative of the chain that has the member. What one
// alternative finds serves those that are like it.
func (l *locator) writer(i int, member string) int {
	key := strconv.Itoa(i) + "/" + member
	if j, ok := l.known[key]; ok {
		return j
	}
	j := -1
	if l.has("/alternatives/" + key) {
		j = i
	} else if chain := l.all[i].chain; len(chain) > 1 {
		j = l.writer(chain[1], member)
	}
	l.known[key] = j
	return j
}

// exists tells whether an RFC 6901 pointer leads somewhere.
func exists(document any, pointer string) bool {
	_, ok := follow(document, pointer)
	return ok
}

// follow finds what an RFC 6901 pointer leads to.
func follow(document any, pointer string) (any, bool) {
	if pointer == "" {
		return document, true
	}
	for step := range strings.SplitSeq(pointer[1:], "/") {
		step = fault.Unescape(step)
		switch at := document.(type) {
		case map[string]any:
			next, ok := at[step]
			if !ok {
				return nil, false
			}
			document = next
		case []any:
			i, err := strconv.Atoi(step)
			if err != nil || i < 0 || i >= len(at) || step != strconv.Itoa(i) { // no sign, no leading zero
				return nil, false
			}
			document = at[i]
		default:
			return nil, false
		}
	}
	return document, true
}

// short keeps echoed input small.
func short(s string) string {
	const most = 80
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}
