package strict

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// Kind is what a node is.
type Kind int

const (
	Null Kind = iota // a key with nothing after it
	Bool
	Number // plain decimal, as JSON writes numbers
	Text
	List
	Map
)

// A Node is a value of a document and where it stands: an entry of a mapping
// at its key, an item of a list at itself.
type Node struct {
	File         string
	Line, Column int
	Kind         Kind
	Value        string  // scalars, as written
	Items        []*Node // of a list
	Keys         []string
	Values       []*Node // of a mapping, beside Keys
}

// Key is the value of a key of a mapping, nil where it has none.
func (n *Node) Key(key string) *Node {
	if i := slices.Index(n.Keys, key); i >= 0 {
		return n.Values[i]
	}
	return nil
}

// Item is an item of a list, or n itself where it has no such.
func (n *Node) Item(i int) *Node {
	if i < 0 || i >= len(n.Items) {
		return n
	}
	return n.Items[i]
}

// Without is a mapping without a key.
func (n *Node) Without(key string) *Node {
	i := slices.Index(n.Keys, key)
	if i < 0 {
		return n
	}
	c := *n
	c.Keys = slices.Delete(slices.Clone(n.Keys), i, i+1)
	c.Values = slices.Delete(slices.Clone(n.Values), i, i+1)
	return &c
}

// With is a mapping with another value for a key that it has.
func (n *Node) With(key string, value *Node) *Node {
	c := *n
	c.Values = slices.Clone(n.Values)
	c.Values[slices.Index(n.Keys, key)] = value
	return &c
}

// Fault is something wrong at n.
func (n *Node) Fault(path, format string, args ...any) Fault {
	return Fault{File: n.File, Line: n.Line, Column: n.Column, Path: path, Text: fmt.Sprintf(format, args...)}
}

// At is the node a path leads to ("bands[1].ratio"), or the last one on the
// way that there is.
func (n *Node) At(path string) *Node {
	for step := range strings.FieldsFuncSeq(path, func(r rune) bool { return r == '.' || r == '[' }) {
		next := n.Key(step)
		var i int
		if _, err := fmt.Sscanf(step, "%d]", &i); err == nil && n.Kind == List && i >= 0 && i < len(n.Items) {
			next = n.Items[i]
		}
		if next == nil {
			return n
		}
		n = next
	}
	return n
}

// JSON is n as JSON, keys and numbers as written.
func (n *Node) JSON() json.RawMessage {
	var out bytes.Buffer
	n.writeJSON(&out)
	return out.Bytes()
}

func (n *Node) writeJSON(out *bytes.Buffer) {
	switch n.Kind {
	case Null:
		out.WriteString("null")
	case Bool, Number:
		out.WriteString(n.Value)
	case Text:
		out.Write(quote(n.Value))
	case List:
		out.WriteByte('[')
		for i, item := range n.Items {
			if i > 0 {
				out.WriteByte(',')
			}
			item.writeJSON(out)
		}
		out.WriteByte(']')
	case Map:
		out.WriteByte('{')
		for i, key := range n.Keys {
			if i > 0 {
				out.WriteByte(',')
			}
			out.Write(quote(key))
			out.WriteByte(':')
			n.Values[i].writeJSON(out)
		}
		out.WriteByte('}')
	}
}

func quote(s string) []byte {
	b, _ := json.Marshal(s) // a string: can't fail
	return b
}

// FromJSON is the node of a JSON text, without places.
func FromJSON(text []byte) (*Node, error) {
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.UseNumber()
	var v any
	if err := dec.Decode(&v); err != nil {
		return nil, err
	}
	return fromAny(v), nil
}

func fromAny(v any) *Node {
	switch v := v.(type) {
	case bool:
		return &Node{Kind: Bool, Value: fmt.Sprint(v)}
	case json.Number:
		return &Node{Kind: Number, Value: v.String()}
	case string:
		return &Node{Kind: Text, Value: v}
	case []any:
		n := &Node{Kind: List}
		for _, item := range v {
			n.Items = append(n.Items, fromAny(item))
		}
		return n
	case map[string]any:
		n := &Node{Kind: Map}
		for key := range v {
			n.Keys = append(n.Keys, key)
		}
		slices.Sort(n.Keys)
		for _, key := range n.Keys {
			n.Values = append(n.Values, fromAny(v[key]))
		}
		return n
	}
	return &Node{Kind: Null}
}
