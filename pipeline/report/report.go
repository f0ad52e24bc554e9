// Package report writes what a run's records say, for people and programs. It
// computes nothing: every number was measured by a step or decided at the close.
package report

import (
	"encoding/json"
	"io"
	"time"

	"chapterhouse/pipeline"
)

// A Report is a run's outcome with what this call knows beside it.
type Report struct {
	pipeline.Outcome
	Work       Work       `json:"work"`
	Deliveries []Delivery `json:"deliveries"`
}

// Work counts results, by how they were come by.
type Work struct {
	Profiled int `json:"profiled"`
	Weighed  int `json:"weighed"`
	Rendered int `json:"rendered"`
	Taken    int `json:"taken"` // from storage
}

// Delivery is where one spec's files were written.
type Delivery struct {
	Spec     string `json:"spec"`
	Folder   string `json:"folder"`
	Files    int    `json:"files"`
	Complete bool   `json:"complete"`
	Withheld string `json:"withheld,omitempty"`
}

// JSON writes r for programs.
func JSON(w io.Writer, r Report) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(r)
}

// clock is a time in a source as h:mm:ss.s, without hours while there are none.
func clock(seconds float64) string {
	d := time.Duration(seconds * float64(time.Second)).Round(100 * time.Millisecond)
	h, m := int(d.Hours()), int(d.Minutes())%60
	s := d.Seconds() - float64(h*3600+m*60)
	if h > 0 {
		return sprintf("%d:%02d:%04.1f", h, m, s)
	}
	return sprintf("%d:%04.1f", m, s)
}
