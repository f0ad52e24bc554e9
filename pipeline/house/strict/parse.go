package strict

import (
	"errors"
	"regexp"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

const (
	MaxBytes = 64 << 10 // of one document: a title of many hundred chapters has room
	maxDepth = 10       // levels of lists and mappings: the deepest file of a house has six
)

// number is a JSON number (RFC 8259, section 6): what looks like one in YAML
// but is octal, hexadecimal or grouped by underscores surprises its reader.
var number = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?$`)

// Parse reads one YAML document; file is its name in faults. The node is nil
// where the text can't be read at all.
func Parse(text []byte, file string) (*Node, []Fault) {
	whole := func(line, column int, text string) (*Node, []Fault) {
		return nil, []Fault{{File: file, Line: line, Column: column, Text: text}}
	}
	if len(text) > MaxBytes {
		return whole(0, 0, "the file is over 64 KiB; split it or remove what doesn't belong there")
	}
	if !utf8.Valid(text) {
		return whole(0, 0, "the file is not UTF-8 text; save it as UTF-8")
	}
	tokens := lexer.Tokenize(string(text))
	if t, why := refuse(tokens); t != nil {
		return whole(t.Position.Line, t.Position.Column, why)
	}
	doc, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		var syntax *yaml.SyntaxError
		if errors.As(err, &syntax) && syntax.Token != nil {
			at := syntax.Token.Position
			return whole(at.Line, at.Column, "not readable as YAML ("+syntax.Message+"); check quotes, colons and indentation")
		}
		return whole(0, 0, "not readable as YAML; check quotes, colons and indentation")
	}
	if len(doc.Docs) == 0 || doc.Docs[0].Body == nil {
		return whole(0, 0, "the file is empty; write its keys, or remove it")
	}
	r := reader{file: file}
	root := r.node(doc.Docs[0].Body, 1)
	return root, r.faults
}

// refuse finds the first token that the house's YAML doesn't have. It runs
// before the parser, which would follow any depth.
func refuse(tokens token.Tokens) (*token.Token, string) {
	var flow int
	var block []int  // columns of the open block levels
	var started bool // past what may stand before a document
	for i, t := range tokens {
		column := 0
		switch t.Type {
		case token.AnchorType, token.AliasType:
			return t, "anchors and aliases are not read here; write the value out"
		case token.MergeKeyType:
			return t, "merge keys are not read here; write the keys out"
		case token.TagType:
			return t, "tags are not read here; write the plain value, in quotes if it starts with !"
		case token.DirectiveType:
			return t, "directives are not read here; remove the line"
		case token.MappingKeyType:
			return t, "keys behind a question mark are not read here; write key: value"
		case token.DocumentHeaderType:
			if started {
				return t, "a second document starts here; one file holds one document"
			}
		case token.DocumentEndType:
			if i < len(tokens)-1 {
				return tokens[i+1], "there is text after the document's end; one file holds one document"
			}
		case token.SequenceStartType, token.MappingStartType:
			flow++
		case token.SequenceEndType, token.MappingEndType:
			flow--
		case token.SequenceEntryType:
			column = t.Position.Column
		case token.MappingValueType:
			column = t.Position.Column
			if i > 0 && tokens[i-1].Position.Line == t.Position.Line {
				column = tokens[i-1].Position.Column
			}
		}
		started = started || t.Type != token.CommentType
		if column > 0 && flow == 0 {
			for len(block) > 0 && block[len(block)-1] >= column {
				block = block[:len(block)-1]
			}
			block = append(block, column)
		}
		if flow+len(block) > maxDepth {
			return t, tooDeep
		}
	}
	return nil, ""
}

const tooDeep = "lists and mappings lie more than 10 deep here; nothing in a house does, check the indentation"

// reader turns the syntax tree into nodes.
type reader struct {
	file   string
	faults []Fault
}

func (r *reader) node(a ast.Node, depth int) *Node {
	at := a.GetToken().Position
	n := &Node{File: r.file, Line: at.Line, Column: at.Column}
	if depth > maxDepth {
		r.faults = append(r.faults, n.Fault("", tooDeep))
		return n
	}
	switch a := a.(type) {
	case *ast.MappingNode:
		r.mapping(n, a.Values, depth)
	case *ast.MappingValueNode:
		r.mapping(n, []*ast.MappingValueNode{a}, depth)
	case *ast.SequenceNode:
		n.Kind = List
		for _, item := range a.Values {
			n.Items = append(n.Items, r.node(item, depth+1))
		}
	case *ast.NullNode:
	case *ast.BoolNode:
		n.Kind, n.Value = Bool, a.Token.Value
	case *ast.StringNode:
		n.Kind, n.Value = Text, a.Value
	case *ast.LiteralNode:
		n.Kind, n.Value = Text, a.Value.Value
	default: // integer, float, infinity, not a number
		n.Kind, n.Value = Text, a.GetToken().Value
		if number.MatchString(n.Value) {
			n.Kind = Number
		}
	}
	return n
}

func (r *reader) mapping(n *Node, values []*ast.MappingValueNode, depth int) {
	n.Kind = Map
	seen := map[string]bool{}
	for _, entry := range values {
		at := entry.Key.GetToken().Position
		key := entry.Key.GetToken().Value
		value := r.node(entry.Value, depth+1)
		value.Line, value.Column = at.Line, at.Column
		if seen[key] {
			r.faults = append(r.faults, value.Fault(key, "%s stands here twice; keep one", clip(key)))
			continue
		}
		if len(seen) == 0 {
			n.Line, n.Column = at.Line, at.Column
		}
		seen[key] = true
		n.Keys = append(n.Keys, key)
		n.Values = append(n.Values, value)
	}
}
