package strict

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"
)

// A rule is what the tags of a struct field say.
type rule struct {
	key      string
	doc      string
	optional bool
	preset   string // default, as written; "" for the zero value
	low      string // of the range, as written; "" where it is open
	high     string
	oneOf    []string
	least    int // items of a list
	most     int
}

// mostItems is the longest list of a rule that sets no bound: a document of
// 64 KiB holds no longer one.
const mostItems = MaxBytes

// ruleOf reads a field's tags; ok is false for fields that no key fills.
// Tags are the project's own text, so a wrong one panics.
func ruleOf(f reflect.StructField) (r rule, ok bool) {
	key, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	if key == "" || key == "-" {
		return rule{}, false
	}
	r = rule{key: key, doc: f.Tag.Get("doc"), most: mostItems}
	r.preset, r.optional = f.Tag.Lookup("default")
	if span := f.Tag.Get("range"); span != "" {
		r.low, r.high, _ = strings.Cut(span, "..")
	}
	if list := f.Tag.Get("oneof"); list != "" {
		r.oneOf = strings.Split(list, ",")
	}
	if span := f.Tag.Get("len"); span != "" {
		if _, err := fmt.Sscanf(span, "%d..%d", &r.least, &r.most); err != nil {
			panic(fmt.Sprintf("tag of %s: %v", key, err))
		}
	}
	return r, true
}

// inside tells whether v lies in the rule's range.
func (r rule) inside(v float64) bool {
	return (r.low == "" || v >= mustFloat(r.low)) && (r.high == "" || v <= mustFloat(r.high))
}

func mustFloat(s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		panic(err) // a tag
	}
	return v
}

// wants says what is right for a field of type t: "a number from 20 to 1000".
func (r rule) wants(t reflect.Type) string {
	if len(r.oneOf) > 0 {
		return orList(r.oneOf)
	}
	switch t.Kind() {
	case reflect.Pointer:
		return r.wants(t.Elem())
	case reflect.Bool:
		return "true or false"
	case reflect.Int, reflect.Int64:
		return "a whole number" + r.span()
	case reflect.Float64:
		return "a number" + r.span()
	case reflect.Slice:
		switch {
		case r.least == 0 && r.most < mostItems:
			return fmt.Sprintf("a list of at most %d", r.most)
		case r.least > 0:
			return fmt.Sprintf("a list of %d to %d", r.least, r.most)
		}
		return "a list"
	case reflect.Array:
		return fmt.Sprintf("%d numbers in brackets, each%s", t.Len(), strings.TrimPrefix(r.span(), ","))
	case reflect.Struct:
		return "a mapping of " + strings.Join(keysOf(t), ", ")
	case reflect.Map:
		return "a mapping"
	}
	return "text"
}

func (r rule) span() string {
	switch {
	case r.low != "" && r.high != "":
		return " from " + r.low + " to " + r.high
	case r.low != "":
		return " from " + r.low + " up"
	}
	return ""
}

func orList(words []string) string {
	if len(words) == 1 {
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}

func keysOf(t reflect.Type) []string {
	var keys []string
	for i := range t.NumField() {
		if r, ok := ruleOf(t.Field(i)); ok {
			keys = append(keys, r.key)
		}
	}
	return keys
}

// Doc describes the keys that v (a struct, or a pointer to one) is read from,
// one line each: key, what is right, default, meaning. Nested keys are indented.
func Doc(v any) string {
	var out strings.Builder
	writeDoc(&out, reflect.Indirect(reflect.ValueOf(v)).Type(), "")
	return out.String()
}

func writeDoc(out *strings.Builder, t reflect.Type, indent string) {
	for i := range t.NumField() {
		f := t.Field(i)
		r, ok := ruleOf(f)
		if !ok {
			continue
		}
		fmt.Fprintf(out, "%s%s: %s", indent, r.key, r.wants(f.Type))
		if r.optional && r.preset != "" {
			fmt.Fprintf(out, ", default %s", r.preset)
		}
		if r.doc != "" {
			fmt.Fprintf(out, "; %s", r.doc)
		}
		out.WriteByte('\n')
		inner := f.Type
		if inner.Kind() == reflect.Slice {
			inner = inner.Elem()
		}
		if inner.Kind() == reflect.Struct {
			writeDoc(out, inner, indent+"  ")
		}
	}
}
