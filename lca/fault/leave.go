package fault

import (
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
)

// LeaveOut is a JSON text without what a path leads to, so that the rest of it can be
// checked further; it tells whether there was such a thing.
func LeaveOut(text []byte, at Path) (rest []byte, left bool) {
	var value any
	if err := json.Unmarshal(text, &value); err != nil || at == "" {
		return nil, false
	}
	value, left = Without(value, at)
	if !left {
		return nil, false
	}
	rest, err := json.Marshal(value)
	return rest, err == nil
}

// Without leaves out of a JSON value what a path leads to, and tells whether there was
// such a thing: a member is removed, an entry of a list becomes null, so that the
// others stay where they are, and of the whole nothing is left. The value is changed.
func Without(value any, at Path) (rest any, left bool) {
	if at == "" {
		return nil, true
	}
	name, below, deeper := strings.Cut(string(at[1:]), "/")
	name = Unescape(name)
	var next Path
	if deeper {
		next = Path("/" + below)
	}
	switch inside := value.(type) {
	case map[string]any:
		member, ok := inside[name]
		switch {
		case !ok:
			return value, false
		case deeper:
			inside[name], left = Without(member, next)
			return value, left
		}
		delete(inside, name)
		return value, true
	case []any:
		if i, err := strconv.Atoi(name); err == nil && i >= 0 && i < len(inside) {
			inside[i], left = Without(inside[i], next)
			return value, left
		}
	}
	return value, false
}
