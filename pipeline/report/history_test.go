package report

import (
	"bytes"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// TestHistory: sessions under each other, and the band in which one of them
// stands out among those of its setup.
func TestHistory(t *testing.T) {
	past := func(title, setup, session string, upHz, upDB float64) pipeline.Past {
		p := pipeline.Past{Title: title, Setup: setup, Session: session, Chapters: 12, Likeness: pipeline.Likeness{Speech: -23.4, Floor: -71.2, SNR: 47.8, Pace: 4.31, ReverbS: 0.21}}
		for _, b := range spectrum.ThirdOctaves() {
			level := -30.0
			if upHz >= b.Lower && upHz < b.Upper {
				level += upDB
			}
			p.Likeness.Spectrum = append(p.Likeness.Spectrum, dsp.DBFS(level))
		}
		return p
	}
	bare := pipeline.Past{Title: "zinc", Setup: "hall", Session: "monday", Chapters: 0, Likeness: pipeline.Likeness{Floor: -60}}
	dry := past("zinc", "hall", "tuesday", 0, 0)
	dry.Likeness.ReverbS, dry.Likeness.DirectDB = 0, 30
	all := []pipeline.Past{past("tide", "cupboard", "monday", 0, 0), past("tide", "cupboard", "tuesday", 200, 3), past("orchard", "cupboard", "monday", 40, 9), bare, dry}
	var text bytes.Buffer
	dismissed := []pipeline.Dismissal{{Check: "clicks", Found: 9, Dismissed: 7, Spared: 6, Limit: 18, Unit: "dB"}, {Check: "note", Found: 1, Dismissed: 1}}
	if err := History(&text, "ines-marlow", all, dismissed); err != nil {
		t.Fatal(err)
	}
	golden(t, "history.txt", text.Bytes())
	text.Reset()
	if err := History(&text, "ines-marlow", all[:3], nil); err != nil || strings.Contains(text.String(), "stands for what") {
		t.Errorf("%v, where all is known:\n%s", err, text.String())
	}
	if err := History(failing{}, "ines-marlow", all, dismissed); err == nil {
		t.Error("a full disk is not told")
	}
}
