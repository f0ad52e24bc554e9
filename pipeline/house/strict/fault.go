// Package strict reads the house's YAML: one small document at a time, every
// fault of it at once with its line and column. It knows scalars, lists and
// mappings; anchors, aliases, merge keys, tags and further documents are
// refused, and so is every key that nobody asked for. What a key may hold
// stands in the tags of the Go struct that it is read into (see Decode).
package strict

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"chapterhouse/pipeline"
)

// A Fault is one thing wrong in a file.
type Fault struct {
	File         string // as a person finds it; empty where the text came from no file
	Line, Column int    // from 1; 0: the file as a whole
	Path         string // leads to it in the document: "bands[1].ratio"
	Text         string // what is wrong; what would be right
}

// String is "file:line:column: what is wrong; what would be right", on one line
// whatever the names in it hold.
func (f Fault) String() string {
	switch {
	case f.File == "":
		return pipeline.Visible(f.Text)
	case f.Line == 0:
		return pipeline.Visible(f.File + ": " + f.Text)
	}
	return pipeline.Visible(fmt.Sprintf("%s:%d:%d: %s", f.File, f.Line, f.Column, f.Text))
}

// Faults is the error of files with something wrong in them, in the order of
// file, line and column. It is a pipeline.Error of kind House for errors.As.
type Faults []Fault

// Error is one line a fault.
func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i, fault := range f {
		lines[i] = fault.String()
	}
	return strings.Join(lines, "\n")
}

// As makes a pipeline.Error of f.
func (f Faults) As(target any) bool {
	e, ok := target.(**pipeline.Error)
	if ok {
		*e = &pipeline.Error{Kind: pipeline.House, Err: f}
	}
	return ok
}

// AsError is nil where there is no fault, else all of them in order.
func AsError(faults []Fault) error {
	if len(faults) == 0 {
		return nil
	}
	sorted := slices.Clone(faults)
	slices.SortStableFunc(sorted, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line),
			cmp.Compare(a.Column, b.Column), cmp.Compare(a.Text, b.Text))
	})
	return Faults(sorted)
}
