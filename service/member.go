package service

import (
	"cmp"
	"reflect"
	"strconv"
	"strings"
	"sync"
)

// withText is an alternative with another text at a path of member names and list
// indexes. What is on the way is copied, so that the first alternative stays as it is.
// It is false where the path leads to no text. An object on the way that the
// alternative does not have is made; an entry of a list is not.
func withText(a Alternative, steps []string, text string) (Alternative, bool) {
	v, ok := placed(reflect.ValueOf(a), steps, text)
	if !ok {
		return a, false
	}
	return v.Interface().(Alternative), true
}

var (
	typeOfThickness = reflect.TypeFor[Thickness]()
	typeOfTakes     = reflect.TypeFor[Takes]()
)

// fieldsOf are the fields of a type by the names of their members, or by their own
// where they have none; a type is looked at once.
var fieldsOf sync.Map // reflect.Type to map[string][]int

func fieldOf(t reflect.Type, member string) []int {
	known, ok := fieldsOf.Load(t)
	if !ok {
		fields := map[string][]int{}
		for _, f := range reflect.VisibleFields(t) {
			if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); !f.Anonymous {
				fields[cmp.Or(name, f.Name)] = f.Index
			}
		}
		known, _ = fieldsOf.LoadOrStore(t, fields)
	}
	return known.(map[string][]int)[member]
}

func placed(v reflect.Value, steps []string, text string) (reflect.Value, bool) {
	t := v.Type()
	switch {
	case t == typeOfThickness && len(steps) == 0:
		return reflect.ValueOf(Thickness{Given: text}), true
	case t == typeOfThickness:
		return within(v, fieldOf(t, "Design"), steps, text)
	case t == typeOfTakes:
		return within(v, fieldOf(t, "List"), steps, text)
	}
	switch t.Kind() {
	case reflect.String:
		return reflect.ValueOf(text).Convert(t), len(steps) == 0
	case reflect.Pointer:
		if t.Elem().Kind() != reflect.Struct || len(steps) == 0 {
			return v, false
		}
		under := reflect.Zero(t.Elem())
		if !v.IsNil() {
			under = v.Elem()
		}
		changed, ok := placed(under, steps, text)
		if !ok {
			return v, false
		}
		out := reflect.New(t.Elem())
		out.Elem().Set(changed)
		return out, true
	case reflect.Slice:
		if len(steps) == 0 {
			return v, false
		}
		i, err := strconv.Atoi(steps[0])
		if err != nil || i < 0 || i >= v.Len() || steps[0] != strconv.Itoa(i) {
			return v, false
		}
		changed, ok := placed(v.Index(i), steps[1:], text)
		if !ok {
			return v, false
		}
		out := reflect.MakeSlice(t, v.Len(), v.Len())
		reflect.Copy(out, v)
		out.Index(i).Set(changed)
		return out, true
	case reflect.Struct:
		if len(steps) == 0 {
			return v, false
		}
		if field := fieldOf(t, steps[0]); field != nil {
			return within(v, field, steps[1:], text)
		}
	}
	return v, false
}

// within changes one field of a copy.
func within(v reflect.Value, field []int, steps []string, text string) (reflect.Value, bool) {
	out := reflect.New(v.Type()).Elem()
	out.Set(v)
	changed, ok := placed(out.FieldByIndex(field), steps, text)
	if !ok {
		return v, false
	}
	out.FieldByIndex(field).Set(changed)
	return out, true
}
