package report

import (
	"bytes"
	"encoding/csv"
	"io"
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

func TestCSVGolden(t *testing.T) {
	for name, write := range map[string]func(io.Writer, Report) error{"morning.csv": CSV, "morning-findings.csv": FindingsCSV} {
		var got bytes.Buffer
		if err := write(&got, morning()); err != nil {
			t.Fatal(err)
		}
		golden(t, name, got.Bytes())
		if err := write(failing{}, morning()); err == nil {
			t.Errorf("%s: a full disk is not told", name)
		}
	}
}

// cells reads a table strictly: every row as long as its header (RFC 4180).
func cells(t *testing.T, text []byte) [][]string {
	t.Helper()
	if n, ends := bytes.Count(text, []byte("\n")), bytes.Count(text, []byte("\r\n")); n != ends {
		t.Errorf("%d lines, %d of them end as RFC 4180 says", n, ends)
	}
	rows, err := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(text, []byte("\ufeff")))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// TestCSVFigures: a figure stands under its head.
func TestCSVFigures(t *testing.T) {
	var text bytes.Buffer
	if err := CSV(&text, morning()); err != nil {
		t.Fatal(err)
	}
	rows := cells(t, text.Bytes())
	if len(rows) != 1+6+1 { // a head, three chapters for two specs, a hole
		t.Fatalf("%d rows", len(rows))
	}
	at := func(row int, head string) string {
		for i, h := range rows[0] {
			if h == head {
				return rows[row][i]
			}
		}
		t.Fatalf("there is no column %q", head)
		return ""
	}
	for _, c := range []struct {
		row        int
		head, want string
	}{
		{1, "chapter", "Low Water"}, {1, "spec", "lossless"}, {2, "spec", "retail"}, {1, "RMS dBFS", "-19.8"}, {1, "level room left dB", "1.8"},
		{1, "true peak limit dBTP", "-3"}, {1, "true peak room left dB", "0.05"}, {1, "limiter deepest dB", "-2.1"}, {1, "noise floor limit dBFS", ""},
		{3, "noise floor dBFS", ""}, {3, "parts", "2"}, {3, "findings to listen to", "1"}, {5, "findings to return", "1"}, {5, "accepted", "0"}, {6, "accepted", "1"},
		{7, "missing because", "05.flac: ends at 12.0 s of 40.0 s"}, {7, "RMS dBFS", ""}, {7, "verdict", "return"}, {7, "findings to return", "1"},
	} {
		if got := at(c.row, c.head); got != c.want {
			t.Errorf("row %d, %s: %q, not %q", c.row, c.head, got, c.want)
		}
	}
}

// TestCSVFormulas: no cell of a text starts what a spreadsheet would run, and
// none breaks a row.
func TestCSVFormulas(t *testing.T) {
	for _, name := range []string{`=cmd|'/C calc'!A0`, "+1", "-1", "@SUM(A1)", "a\r\n=1", `",=1`, "a;b", "\t=1", "'=1"} {
		r := morning()
		r.Title, r.Chapters[0].Name, r.Chapters[3].Hole = name, name, name
		r.Findings = append(r.Findings, pipeline.Finding{Check: name, Measured: name, Limit: name, Do: name, Path: name, Accepted: name})
		for _, write := range []func(io.Writer, Report) error{CSV, FindingsCSV} {
			var text bytes.Buffer
			if err := write(&text, r); err != nil {
				t.Fatal(err)
			}
			for _, row := range cells(t, text.Bytes()) {
				for _, cell := range row {
					figure := strings.HasPrefix(cell, "-") && strings.Trim(cell[1:], "0123456789.") == "" && cell != "-1"
					if cell != "" && strings.ContainsAny(cell[:1], "=+-@\t\r") && !figure {
						t.Errorf("%q: a cell is %q", name, cell)
					}
				}
			}
		}
	}
}
