// Package report writes what a run's records say, for people and programs. It
// computes nothing: every number was measured by a step or decided at the close.
package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
	"chapterhouse/pipeline/intake"
	"chapterhouse/pipeline/reel"
)

// A Report is a run's outcome with what this call knows beside it.
type Report struct {
	pipeline.Outcome
	Intake     *intake.Answer `json:"intake,omitempty"` // what was said before the night; nil where this call did not submit
	Work       Work           `json:"work"`
	Deliveries []Delivery     `json:"deliveries"`
	Reel       []reel.Part    `json:"reel,omitempty"` // of reel.flac beside the report
	// Attention is where to listen, with what was cut out there; nil: the outcome's alone.
	Attention *attention.List `json:"-"`
}

// Work counts results, by how they were come by.
type Work struct {
	Profiled int `json:"profiled"`
	Weighed  int `json:"weighed"`
	Rendered int `json:"rendered"`
	Taken    int `json:"taken"` // from the store
}

// Delivery is where one spec's files were written.
type Delivery struct {
	Spec     string `json:"spec"`
	Folder   string `json:"folder"`
	Files    int    `json:"files"`
	Complete bool   `json:"complete"`
	Withheld string `json:"withheld,omitempty"`
	Forced   string `json:"forced,omitempty"` // a person's reason why it left all the same
}

// JSON writes v, a report or a list of them, for programs. Characters that
// can't be seen are escaped, so that it can be shown on a terminal as well.
func JSON(w io.Writer, v any) error {
	var text bytes.Buffer
	enc := json.NewEncoder(&text)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return err
	}
	var out bytes.Buffer
	for _, r := range text.String() {
		if r != '\n' && pipeline.Unseen(r) { // within a string: nothing else holds any
			fmt.Fprintf(&out, `\u%04x`, r)
		} else {
			out.WriteRune(r)
		}
	}
	_, err := w.Write(out.Bytes())
	return err
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
