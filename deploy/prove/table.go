package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
)

// A table is what a proof found.
type table struct {
	rows  []row
	notes []string // printed beneath: how it was measured
}

// A row is one thing that was measured. Without a limit it only tells.
type row struct {
	what, measured, limit string
	met                   bool
}

// hold adds a row that is met or not.
func (t *table) hold(what, measured, limit string, met bool) {
	t.rows = append(t.rows, row{what, measured, limit, met})
}

// atMost adds a row that is met while v is at most limit; NaN is not. Both are
// written with format; more says something of the measured value.
func (t *table) atMost(what string, v, limit float64, format, more string) {
	measured := fmt.Sprintf(format, v)
	if more != "" {
		measured += ", " + more
	}
	t.hold(what, measured, "at most "+fmt.Sprintf(format, limit), v <= limit)
}

// tell adds a row without a limit.
func (t *table) tell(what, measured string) {
	t.rows = append(t.rows, row{what: what, measured: measured})
}

// note adds a sentence beneath the table.
func (t *table) note(format string, args ...any) {
	t.notes = append(t.notes, fmt.Sprintf(format, args...))
}

// met is whether something was held against a limit, and nothing fell short.
func (t *table) met() bool {
	held := 0
	for _, r := range t.rows {
		if r.limit == "" {
			continue
		}
		if !r.met {
			return false
		}
		held++
	}
	return held > 0
}

func (t *table) write(w io.Writer) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "what\tmeasured\tlimit\tok")
	for _, r := range t.rows {
		limit, ok := r.limit, "no"
		switch {
		case r.limit == "":
			limit, ok = "–", "–"
		case r.met:
			ok = "yes"
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\n", oneLine(r.what), oneLine(r.measured), limit, ok)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	for _, n := range t.notes {
		if _, err := fmt.Fprintln(w, n); err != nil {
			return err
		}
	}
	return nil
}

// oneLine keeps a file's name from breaking the table.
func oneLine(s string) string { return strings.NewReplacer("\t", " ", "\n", " ").Replace(s) }
