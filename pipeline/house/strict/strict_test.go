package strict

import (
	"encoding/json"
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"chapterhouse/pipeline"
)

// sample has every kind of field that Decode reads.
type sample struct {
	Name   Name            `json:"name"`
	Slug   Slug            `json:"slug" default:""`
	Why    Prose           `json:"why" default:""`
	Shape  string          `json:"shape" default:"bell" oneof:"bell,notch"`
	Gain   float64         `json:"gain_db" default:"-3" range:"-24..24"`
	Slope  int             `json:"slope" default:"12" oneof:"6,12,18,24" doc:"steepness"`
	Count  int             `json:"count" default:"0" range:"0.."`
	On     bool            `json:"on" default:"true"`
	Window [2]float64      `json:"window" default:"" range:"0..10"`
	Bands  []band          `json:"bands" default:"" len:"1..3"`
	Booths map[string]band `json:"booths" default:""`
	Level  level           `json:"level" default:""`
	Other  *band           `json:"other" default:""`
	Kept   string          `json:"-"`
	//lint:ignore U1000 a field without a key
	unread map[string]error
}

type band struct {
	Ratio float64 `json:"ratio" range:"1..20"`
	From  float64 `json:"from" default:"1"`
	To    float64 `json:"to" default:"2"`
}

func (b band) Check() []Fault {
	if b.From >= b.To {
		return []Fault{{Path: "to", Text: "to is not above from; swap them"}}
	}
	return nil
}

type level struct {
	PoolS float64 `json:"pool_s" default:"60"`
}

func TestDecodeFillsDefaults(t *testing.T) {
	var got sample
	faults := Read([]byte("name: 1871\nbooths: {a-1: {ratio: 2}}\nother: {ratio: 3, to: 9}\nwindow: [0, 10]\n"), "f", &got)
	want := sample{Name: "1871", Shape: "bell", Gain: -3, Slope: 12, On: true, Window: [2]float64{0, 10}, Bands: []band{},
		Booths: map[string]band{"a-1": {Ratio: 2, From: 1, To: 2}}, Level: level{60}, Other: &band{3, 1, 9}}
	if len(faults) > 0 || !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, faults %v", got, faults)
	}
}

func TestFaultSentences(t *testing.T) {
	deep := "a: " + strings.Repeat("[", 11) + strings.Repeat("]", 11)
	for _, tt := range []struct{ name, text, want string }{
		{"empty", "", "f: the file is empty; write its keys, or remove it"},
		{"only a comment", "# later\n", "f: the file is empty; write its keys, or remove it"},
		{"not UTF-8", "name: \xff\n", "f: the file is not UTF-8 text; save it as UTF-8"},
		{"too long", "name: " + strings.Repeat("x", MaxBytes), "f: the file is over 64 KiB; split it or remove what doesn't belong there"},
		{"open quote", "name: \"Low Water\nwhy: x\n", `f:1:7: not readable as YAML (could not find end character of double-quoted text); check quotes, colons and indentation`},
		{"anchor", "name: &n Low\n", "f:1:7: anchors and aliases are not read here; write the value out"},
		{"alias", "name: *n\n", "f:1:7: anchors and aliases are not read here; write the value out"},
		{"merge", "name: a\n<<: {why: b}\n", "f:2:1: merge keys are not read here; write the keys out"},
		{"tag", "name: !!str 5\n", "f:1:7: tags are not read here; write the plain value, in quotes if it starts with !"},
		{"directive", "%YAML 1.2\n---\nname: a\n", "f:1:1: directives are not read here; remove the line"},
		{"question mark", "? name\n: a\n", "f:1:1: keys behind a question mark are not read here; write key: value"},
		{"second document", "---\nname: a\n---\nname: b\n", "f:3:1: a second document starts here; one file holds one document"},
		{"empty second document", "---\n---\nname: b\n", "f:2:1: a second document starts here; one file holds one document"},
		{"text after the end", "name: a\n...\nname: b\n", "f:3:1: there is text after the document's end; one file holds one document"},
		{"deep in brackets", deep, "f:1:13: " + tooDeep},
		{"deep in blocks", "a:\n b:\n  c:\n   d:\n    e:\n     f:\n      g:\n       h:\n        i:\n         j:\n          k: 1\n", "f:11:12: " + tooDeep},
		{"deep in dashes", "- - - - - - - - - - - a\n", "f:1:21: " + tooDeep},
		{"twice", "name: a\nname: b\n", "f:2:1: name stands here twice; keep one"},
		{"a list", "- a\n", "f:1:1: the file is a list; give a mapping of name, slug, why, shape, gain_db, slope, count, on, window, bands, booths, level, other"},
		{"missing", "why: a\n", "f:1:1: name is missing; give text"},
		{"near miss", "name: a\nslop: 6\n", "f:2:1: slop is not a known key; did you mean slope?"},
		{"unit left out", "name: a\ngain: 6\n", "f:2:1: gain is not a known key; did you mean gain_db?"},
		{"unknown", "name: a\nother: {ratio: 2, wormhole: 6}\n", "f:2:19: wormhole is not a known key; known are ratio, from, to"},
		{"no value", "name:\n", "f:1:1: name is without a value; give text"},
		{"mapping for text", "name: {a: b}\n", "f:1:1: name is a mapping; give text"},
		{"not one of", "name: a\nshape: bel\n", `f:2:1: shape is "bel"; give bell or notch`},
		{"not one of the numbers", "name: a\nslope: 7\n", "f:2:1: slope is 7; give 6, 12, 18 or 24"},
		{"out of range", "name: a\ngain_db: 24.5\n", "f:2:1: gain_db is 24.5; give a number from -24 to 24"},
		{"half open", "name: a\ncount: -1\n", "f:2:1: count is -1; give a whole number from 0 up"},
		{"not whole", "name: a\ncount: 1.5\n", "f:2:1: count is 1.5; give a whole number from 0 up"},
		{"hexadecimal", "name: a\ngain_db: 0x10\n", `f:2:1: gain_db is "0x10"; give a number from -24 to 24`},
		{"octal", "name: a\ngain_db: 010\n", `f:2:1: gain_db is "010"; give a number from -24 to 24`},
		{"grouped", "name: a\ncount: 1_000\n", `f:2:1: count is "1_000"; give a whole number from 0 up`},
		{"infinite", "name: a\ngain_db: -.inf\n", `f:2:1: gain_db is "-.inf"; give a number from -24 to 24`},
		{"too large", "name: a\ncount: 1e999\n", `f:2:1: count is "1e999"; give a whole number from 0 up`},
		{"number in quotes", "name: a\ngain_db: \"3\"\n", `f:2:1: gain_db is "3"; give a number from -24 to 24`},
		{"not true or false", "name: a\non: yes\n", `f:2:1: on is "yes"; give true or false`},
		{"wrong count", "name: a\nwindow: [1, 2, 3]\n", "f:2:1: window is a list; give 2 numbers in brackets, each from 0 to 10"},
		{"an item", "name: a\nwindow: [1, 11]\n", "f:2:13: window[1] is 11; give a number from 0 to 10"},
		{"list too short", "name: a\nbands: []\n", "f:2:1: bands has 0 items; give a list of 1 to 3"},
		{"two in a list", "name: a\nbands:\n  - {ratio: 0}\n  - {ratio: x}\n", "f:3:6: ratio is 0; give a number from 1 to 20\nf:4:6: ratio is \"x\"; give a number from 1 to 20"},
		{"between keys", "name: a\nbands:\n  - ratio: 2\n    to: 1\n", "f:4:5: to is not above from; swap them"},
		{"slug", "name: a\nslug: Low Water\n", `f:2:1: slug is "Low Water"; give lower-case letters, digits, - and _, at most 64, starting with a letter or digit`},
		{"slug as key", "name: a\nbooths: {A: {ratio: 2}}\n", `f:2:10: a key of booths is "A"; give lower-case letters, digits, - and _, at most 64, starting with a letter or digit`},
		{"empty name", "name: \"  \"\n", "f:1:1: name is empty; give a name"},
		{"long name", "name: " + strings.Repeat("x", 201) + "\n", "f:1:1: name has 201 characters; give at most 200"},
		{"two lines", "name: \"a\\nb\"\n", "f:1:1: name holds a line break or tab; write it on one line"},
		{"control", "name: \"a\\u0007\"\n", "f:1:1: name holds the control character U+0007; remove it"},
		{"direction", "name: \"a\\u202Eb\"\n", "f:1:1: name holds U+202E, which turns the direction of text; remove it"},
		{"a long reason", "name: a\nwhy: " + strings.Repeat("x", 2001) + "\n", "f:2:1: why has 2001 characters; give at most 2000"},
		{"everything at once", "nam: a\ngain_db: 99\nslope: 1\n", "f:1:1: nam is not a known key; did you mean name?\nf:1:1: name is missing; give text\nf:2:1: gain_db is 99; give a number from -24 to 24\nf:3:1: slope is 1; give 6, 12, 18 or 24"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var s sample
			err := AsError(Read([]byte(tt.text), "f", &s))
			if err == nil || err.Error() != tt.want {
				t.Errorf("got\n%v\nwant\n%s", err, tt.want)
			}
		})
	}
}

func TestNamesAreComposed(t *testing.T) {
	var s sample
	if faults := Read([]byte("name: \"  Cafe\u0301 \"\n"), "f", &s); len(faults) > 0 || s.Name != "Caf\u00e9" {
		t.Errorf("got %q, faults %v", s.Name, faults)
	}
}

func TestFaultsAreOfKindHouse(t *testing.T) {
	err := AsError([]Fault{{File: "b", Text: "2"}, {File: "a", Line: 10, Column: 1, Text: "1"}, {File: "a", Line: 9, Column: 1, Text: "0"}})
	var e *pipeline.Error
	if !errors.As(err, &e) || e.Kind != pipeline.House || pipeline.KindOf(err) != pipeline.House {
		t.Errorf("%v is not of kind house", err)
	}
	if want := "a:9:1: 0\na:10:1: 1\nb: 2"; err.Error() != want || e.Error() != want {
		t.Errorf("got %q and %q", err, e)
	}
	if AsError(nil) != nil {
		t.Error("no faults are an error")
	}
}

func TestDocNamesEveryKey(t *testing.T) {
	want := `ratio: a number from 1 to 20
from: a number, default 1
to: a number, default 2
`
	if got := Doc(band{}); got != want {
		t.Errorf("got\n%s", got)
	}
	if got := Doc(sample{}); !strings.Contains(got, "slope: 6, 12, 18 or 24, default 12; steepness\n") || !strings.Contains(got, "\n  ratio: ") {
		t.Errorf("got\n%s", got)
	}
}

// What is read from JSON and from the same JSON as YAML is one tree.
func TestJSONRoundTrip(t *testing.T) {
	value := rapid.Custom(func(t *rapid.T) any {
		return map[string]any{
			"a": rapid.Float64Range(-1e6, 1e6).Draw(t, "a"),
			"b": rapid.StringMatching(`[a-zA-Z0-9 :#'\[\]{}"é-]{0,20}`).Draw(t, "b"),
			"c": []any{rapid.Bool().Draw(t, "c"), nil, map[string]any{"d": rapid.IntRange(-99, 99).Draw(t, "d")}},
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		text, err := json.Marshal(value.Draw(t, "value"))
		if err != nil {
			t.Fatal(err)
		}
		fromJSON, err := FromJSON(text)
		if err != nil {
			t.Fatal(err)
		}
		fromYAML, faults := Parse(text, "f")
		if len(faults) > 0 {
			t.Fatalf("%s: %v", text, faults)
		}
		if !slices.Equal(fromJSON.JSON(), fromYAML.JSON()) || string(fromJSON.JSON()) != string(text) {
			t.Fatalf("%s became %s and %s", text, fromJSON.JSON(), fromYAML.JSON())
		}
	})
}

// A path leads to its node, and as far as there is one.
func TestAt(t *testing.T) {
	n, _ := Parse([]byte("bands:\n  - {ratio: 2}\n  - {ratio: 3}\n"), "f")
	for path, line := range map[string]int{"": 1, "bands": 1, "bands[1]": 3, "bands[1].ratio": 3, "bands[1].range_db": 3, "bands[7].ratio": 1, "x": 1} {
		if at := n.At(path); at.Line != line {
			t.Errorf("%q leads to line %d, want %d", path, at.Line, line)
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, seed := range []string{"name: a\nbands:\n  - {ratio: 0}\n", "a: &b [*b]\n", "- - - a", "{a: {b: [1, 2, {c: |", "? a\n: b", "a: >-\n  b\n c: d", "\"a\": 'b'\n---\n...", "<<: *a", "!!a b"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var s sample
		faults := Read(text, "f", &s)
		for _, fault := range faults {
			if fault.Text == "" || strings.ContainsAny(fault.Text, "\n\r") {
				t.Errorf("fault %q", fault.Text)
			}
		}
		if len(faults) == 0 && s.Name == "" {
			t.Error("a required key is missing and nobody says so")
		}
	})
}

// Texts of full size that grow or nest without end are refused, before they
// cost more than a text of that size may (the slowest takes a quarter second).
func TestBombs(t *testing.T) {
	fill := func(s string) string { return strings.Repeat(s, MaxBytes/len(s)) }
	var stairs strings.Builder
	for i := 0; stairs.Len() < MaxBytes-400; i++ {
		stairs.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	for name, text := range map[string]string{
		"brackets": fill("["), "closed brackets": fill("[") + "]", "braces": fill("{a: "), "dashes": fill("- "),
		"colons": fill(": "), "questions": fill("? "), "stairs": stairs.String(), "quotes": fill(`"`),
		"documents": fill("---\n"), "one key": fill("a:\n"), "folded": fill("a: >\n"),
		"laughs": "a: &a [x,x]\n" + fill("b: [*a,*a,*a]\n")[:60000],
	} {
		var s sample
		if faults := Read([]byte(text), "f", &s); len(faults) == 0 {
			t.Errorf("%s: no fault", name)
		}
	}
}
