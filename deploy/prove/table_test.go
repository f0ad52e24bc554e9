package main

import (
	"math"
	"strings"
	"testing"
)

func TestTableIsMet(t *testing.T) {
	for _, c := range []struct {
		name string
		fill func(*table)
		want bool
	}{
		{"nothing measured", func(*table) {}, false},
		{"nothing held against a limit", func(t *table) { t.tell("a", "1") }, false},
		{"at the limit", func(t *table) { t.atMost("a", 5, 5, "%.1f", "") }, true},
		{"over the limit", func(t *table) { t.atMost("a", 5.01, 5, "%.1f", "") }, false},
		{"not measurable", func(t *table) { t.atMost("a", math.NaN(), 5, "%.1f", "") }, false},
		{"infinitely far", func(t *table) { t.atMost("a", math.Inf(1), 5, "%.1f", "") }, false},
		{"one of many falls short", func(t *table) {
			t.atMost("a", 1, 5, "%.1f", "")
			t.hold("b", "1", "2", false)
			t.atMost("c", 1, 5, "%.1f", "")
		}, false},
		{"all within", func(t *table) {
			t.atMost("a", 1, 5, "%.1f", "")
			t.hold("b", "2", "2", true)
			t.tell("c", "3")
		}, true},
	} {
		var tab table
		c.fill(&tab)
		if got := tab.met(); got != c.want {
			t.Errorf("%s: met %t, want %t", c.name, got, c.want)
		}
	}
}

func TestTableIsWritten(t *testing.T) {
	var tab table
	tab.atMost("plain RMS", 0.004, 0.01, "%.3f dB", "17 files")
	tab.atMost("true peak", 0.21, 0.2, "%.1f dB", "")
	tab.tell("a name\twith\nbreaks", "1")
	tab.note("Measured %s.", "twice")
	var out strings.Builder
	if err := tab.write(&out); err != nil {
		t.Fatal(err)
	}
	want := `what                measured            limit              ok
plain RMS           0.004 dB, 17 files  at most 0.010 dB   yes
true peak           0.2 dB              at most 0.2 dB     no
a name with breaks  1                   –                  –
Measured twice.
`
	// Columns are checked by their cells: widths follow the longest.
	cells := func(s string) string {
		var lines []string
		for _, l := range strings.Split(s, "\n") {
			lines = append(lines, strings.Join(strings.Fields(l), " "))
		}
		return strings.Join(lines, "\n")
	}
	if cells(out.String()) != cells(want) {
		t.Errorf("wrote\n%s\nwant\n%s", out.String(), want)
	}
}
