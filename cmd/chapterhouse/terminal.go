package main

import (
	"fmt"
	"io"
	"strings"

	"chapterhouse/pipeline"
)

// What names hold comes from folders and from the store. Where they are printed
// they move no cursor and begin no line of their own.

// tell prints an error, which may have several lines.
func tell(w io.Writer, err error) {
	for line := range strings.SplitSeq(err.Error(), "\n") {
		fmt.Fprintln(w, pipeline.Visible(line))
	}
}

// oneLine is a log's output: what is written at once is one line.
type oneLine struct{ io.Writer }

func (o oneLine) Write(p []byte) (int, error) {
	line := strings.TrimSuffix(string(p), "\n")
	cells := strings.Split(line, "\t") // the log's own columns
	for i := range cells {
		cells[i] = pipeline.Visible(cells[i])
	}
	if _, err := io.WriteString(o.Writer, strings.Join(cells, "\t")+"\n"); err != nil {
		return 0, err
	}
	return len(p), nil
}
