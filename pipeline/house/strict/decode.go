package strict

import (
	"encoding"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
)

// A Checker has rules of its own between its keys. Check is asked once each
// key by itself is right; Path leads from the value.
type Checker interface{ Check() []Fault }

// Read reads one document into a struct: Parse and Decode.
func Read(text []byte, file string, into any) []Fault {
	n, faults := Parse(text, file)
	if n == nil {
		return faults
	}
	return append(faults, Decode(n, "the file", into)...)
}

// Decode reads n, called name in its faults, into what into points to, and
// returns every fault, each with its place and with its path from n.
//
// A struct takes a mapping. Its fields' tags are the rules:
//
//	json     the key; fields without one are left alone
//	default  makes the key optional and fills it; "" is the zero value
//	range    "20..1000", bounds included, for numbers and numbers in a list
//	oneof    "peak,rms": the only values
//	len      "1..8": items of a list
//	doc      what the key means
//
// A key that no field has is a fault, as is a key without a value. Text takes
// numbers as they are written (a title called 1871). Types with UnmarshalText
// (Slug, Name) refuse by their own rule; a Checker is asked at the end. A *Node
// is left for the caller to read.
func Decode(n *Node, name string, into any) []Fault {
	var d decoder
	d.value(n, reflect.ValueOf(into).Elem(), rule{key: name, most: mostItems}, "")
	return d.faults
}

type decoder struct{ faults []Fault }

func (d *decoder) fault(n *Node, path, format string, args ...any) {
	d.faults = append(d.faults, n.Fault(path, format, args...))
}

// wrong says that n is not what r wants.
func (d *decoder) wrong(n *Node, r rule, t reflect.Type, path string) {
	is := map[Kind]string{Null: "without a value", List: "a list", Map: "a mapping"}[n.Kind]
	if is == "" {
		is = clip(n.Value)
		if n.Kind == Text {
			is = strconv.Quote(is)
		}
	}
	d.fault(n, path, "%s is %s; give %s", r.key, is, r.wants(t))
}

func (d *decoder) value(n *Node, v reflect.Value, r rule, path string) {
	before := len(d.faults)
	d.plain(n, v, r, path)
	if c, ok := v.Addr().Interface().(Checker); ok && len(d.faults) == before {
		for _, f := range c.Check() {
			at := n.At(f.Path)
			f.File, f.Line, f.Column, f.Path = at.File, at.Line, at.Column, join(path, f.Path)
			d.faults = append(d.faults, f)
		}
	}
}

func (d *decoder) plain(n *Node, v reflect.Value, r rule, path string) {
	if text, ok := v.Addr().Interface().(encoding.TextUnmarshaler); ok && v.Kind() == reflect.String {
		if n.Kind != Text && n.Kind != Number && n.Kind != Bool {
			d.wrong(n, r, v.Type(), path)
		} else if err := text.UnmarshalText([]byte(n.Value)); err != nil {
			d.fault(n, path, "%s %v", r.key, err)
		}
		return
	}
	if node, ok := v.Addr().Interface().(**Node); ok {
		*node = n
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		d.value(n, v.Elem(), r, path)
	case reflect.Struct:
		d.mapping(n, v, r, path)
	case reflect.Map:
		d.slugs(n, v, r, path)
	case reflect.Slice, reflect.Array:
		d.list(n, v, r, path)
	case reflect.String:
		if n.Kind == Null || n.Kind == List || n.Kind == Map || len(r.oneOf) > 0 && !slices.Contains(r.oneOf, n.Value) {
			d.wrong(n, r, v.Type(), path)
			return
		}
		v.SetString(n.Value)
	case reflect.Bool:
		if n.Kind != Bool {
			d.wrong(n, r, v.Type(), path)
			return
		}
		v.SetBool(n.Value == "true")
	case reflect.Int, reflect.Int64, reflect.Float64:
		d.number(n, v, r, path)
	default:
		panic(fmt.Sprintf("%s: a %s can't be read from YAML", r.key, v.Type()))
	}
}

func (d *decoder) number(n *Node, v reflect.Value, r rule, path string) {
	x, err := strconv.ParseFloat(n.Value, 64)
	ok := n.Kind == Number && err == nil && r.inside(x)
	if ok && len(r.oneOf) > 0 {
		ok = slices.ContainsFunc(r.oneOf, func(s string) bool { return mustFloat(s) == x })
	}
	if v.Kind() != reflect.Float64 {
		ok = ok && x == math.Trunc(x) && math.Abs(x) < 1<<53
	}
	if !ok {
		d.wrong(n, r, v.Type(), path)
		return
	}
	if v.Kind() == reflect.Float64 {
		v.SetFloat(x + 0) // -0 and 0 are one number, and one digest
		return
	}
	v.SetInt(int64(x))
}

func (d *decoder) list(n *Node, v reflect.Value, r rule, path string) {
	count := len(n.Items)
	if n.Kind != List || v.Kind() == reflect.Array && count != v.Len() {
		d.wrong(n, r, v.Type(), path)
		return
	}
	if v.Kind() == reflect.Slice {
		if count < r.least || count > r.most {
			d.fault(n, path, "%s has %d items; give %s", r.key, count, r.wants(v.Type()))
			return
		}
		v.Set(reflect.MakeSlice(v.Type(), count, count))
	}
	for i, item := range n.Items {
		each := r
		each.key = fmt.Sprintf("%s[%d]", r.key, i)
		d.value(item, v.Index(i), each, fmt.Sprintf("%s[%d]", path, i))
	}
}

// slugs reads a mapping whose keys are the house's to choose.
func (d *decoder) slugs(n *Node, v reflect.Value, r rule, path string) {
	if n.Kind != Map {
		d.wrong(n, r, v.Type(), path)
		return
	}
	v.Set(reflect.MakeMap(v.Type()))
	for i, key := range n.Keys {
		var s Slug
		if err := s.UnmarshalText([]byte(key)); err != nil {
			d.fault(n.Values[i], join(path, key), "a key of %s %v", r.key, err)
			continue
		}
		item := reflect.New(v.Type().Elem()).Elem()
		d.value(n.Values[i], item, rule{key: key, most: mostItems}, join(path, key))
		v.SetMapIndex(reflect.ValueOf(key), item)
	}
}

func (d *decoder) mapping(n *Node, v reflect.Value, r rule, path string) {
	t := v.Type()
	if n.Kind != Map {
		d.wrong(n, r, t, path)
		return
	}
	known := keysOf(t)
	for i, key := range n.Keys {
		if !slices.Contains(known, key) {
			d.fault(n.Values[i], join(path, key), "%s", Unknown(key, "key", known))
		}
	}
	for i := range t.NumField() {
		rule, ok := ruleOf(t.Field(i))
		if !ok {
			continue
		}
		field, at := v.Field(i), join(path, rule.key)
		switch value := n.Key(rule.key); {
		case value != nil:
			d.value(value, field, rule, at)
		case rule.optional:
			preset(field, rule)
		default:
			d.fault(n, at, "%s is missing; give %s", rule.key, rule.wants(field.Type()))
		}
	}
}

// preset fills in a default. A struct that is left out takes the defaults of
// its own keys.
func preset(v reflect.Value, r rule) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			if inner, ok := ruleOf(v.Type().Field(i)); ok {
				preset(v.Field(i), inner)
			}
		}
	case reflect.String:
		v.SetString(r.preset)
	case reflect.Float64:
		if r.preset != "" {
			v.SetFloat(mustFloat(r.preset))
		}
	case reflect.Int, reflect.Int64:
		if r.preset != "" {
			v.SetInt(int64(mustFloat(r.preset)))
		}
	case reflect.Bool:
		v.SetBool(r.preset == "true")
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 0, 0)) // [] in JSON, not null
	}
}

// join puts a key behind a path.
func join(path, key string) string {
	switch {
	case path == "":
		return key
	case key == "" || key[0] == '[':
		return path + key
	}
	return path + "." + key
}
