package render

import (
	"encoding/json"
	"os"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
)

// A profile leaves its part's phrases in a blob that only the recipe of a chain
// that rides them names; with it the chain makes soft phrases louder.
func TestMarks(t *testing.T) {
	const rate = 44100
	f := newJobFolder(t)
	x := append(narration(5, rate, 0.9, 3, 0.6), narration(6, rate, 0.3, 3, 0.9)...)
	for i := range len(x) / 2 {
		x[i] *= 0.25
	}
	source := f.wav("a.wav", rate, 24, x)
	commit := f.do(profileOf(source, len(x), rate))[0]
	if len(commit.Files) != 1 || commit.Files[0].Role != pipeline.MarksRole {
		t.Fatalf("a profile left %+v", commit.Files)
	}
	cut := record[pipeline.ProfileRecord](t, commit).Cut
	if cut.Marks != commit.Files[0].Blob {
		t.Errorf("the cut names %s, the commit has %s", cut.Marks.Short(), commit.Files[0].Blob.Short())
	}
	text, err := os.ReadFile(OutputPath(f.dir, cut.Marks))
	if err != nil {
		t.Fatal(err)
	}
	var marks pipeline.Marks
	if err := json.Unmarshal(text, &marks); err != nil || len(marks.Phrases) < 2 {
		t.Fatalf("marks %s: %v", text, err)
	}
	level := map[string]float64{}
	for name, yaml := range map[string]string{
		"gain": "  - gain: {gain_db: 0}\n",
		"ride": "  - ride: {share_percent: 60, max_db: 6}\n",
	} {
		c, faults := chain.Parse([]byte("chain: x\nnarrator: n\nsetup: s\nstages:\n"+yaml), "x.yaml")
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		p, _ := f.part(source, len(x), rate, c.Stages)
		r := weighOf(p)
		if n := len(r.Inputs()); n != map[string]int{"gain": 1, "ride": 2}[name] {
			t.Errorf("%s: the recipe reads %d blobs", name, n)
		}
		level[name] = float64(record[pipeline.WeighRecord](t, f.do(r)[0]).Levels.RangeLU)
	}
	if level["ride"] > level["gain"]-1 {
		t.Errorf("loudness range %.1f LU with a ride, %.1f without", level["ride"], level["gain"])
	}
}

// Edges are laid of room tone that has gone on for half a second, where there is
// enough of it; else of what comes nearest. In time order, and no more than 20.
func TestPickTone(t *testing.T) {
	const rate = 1000
	var windows []meter.Window
	stretch := func(from dsp.Frames, n int) {
		for range n {
			windows = append(windows, meter.Window{From: from, To: from + rate/2})
			from += rate / 2
		}
	}
	for i := range 30 { // pauses of one window, and a long one after each tenth
		stretch(dsp.Frames(20*rate*i), 1)
		if i%10 == 9 {
			stretch(dsp.Frames(20*rate*i+5*rate), 9)
		}
	}
	picked := pickTone(windows, rate)
	if len(picked) != maxTone {
		t.Fatalf("%d picked", len(picked))
	}
	for i, w := range picked {
		if into := w.From % (20 * rate); into < 5*rate+rate/2 {
			t.Errorf("a window %d ms into its stretch", into%(5*rate))
		}
		if i > 0 && w.From <= picked[i-1].From {
			t.Error("not in order")
		}
	}
	windows = windows[:0]
	for i := range 8 {
		stretch(dsp.Frames(20*rate*i), 1+i/6)
	}
	if picked = pickTone(windows, rate); len(picked) != 10 {
		t.Errorf("%d of 10 picked", len(picked))
	}
	if got := pickTone(nil, rate); len(got) != 0 {
		t.Errorf("of none: %v", got)
	}
}
