package attention

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
)

// recording is a quiet WAV of so many seconds with a spike at one place.
func recording(t *testing.T, dir, name string, seconds, spikeS float64) {
	t.Helper()
	w, err := codec.CreateWAV(filepath.Join(dir, name), rate, 1, 24, false)
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float64, dsp.FramesIn(seconds, rate))
	for i := range x {
		x[i] = 0.01 * math.Sin(2*math.Pi*200*float64(i)/rate)
	}
	x[dsp.FramesIn(spikeS, rate)] = 0.5
	if err := errors.Join(w.Write([][]float64{x}), w.Close()); err != nil {
		t.Fatal(err)
	}
}

// samples is a file whole, mono.
func samples(t *testing.T, path string) []float64 {
	t.Helper()
	_, heard, err := codec.Stretches(t.Context(), path, []codec.Stretch{{ToS: 1000}})
	if err != nil {
		t.Fatal(err)
	}
	out := make([]float64, len(heard[0]))
	for i, v := range heard[0] {
		out[i] = float64(v)
	}
	return out
}

func loudest(x []float64) (at int) {
	for i, v := range x {
		if math.Abs(v) > math.Abs(x[at]) {
			at = i
		}
	}
	return at
}

// TestCut: a clip and a picture have the place where they say it is, at the
// level of all clips, from the delivered file and from the source of what was
// cut away; a recording that is gone costs its own clips alone.
func TestCut(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	o := pipeline.Outcome{Specs: []pipeline.Spec{spec()}, Chapters: []pipeline.ChapterOutcome{
		chapter(1, pipeline.Listen, finding("clicks", pipeline.Listen, 40), finding("clicks", pipeline.Listen, 10.3), pipeline.Finding{Check: "spread", Weight: pipeline.Listen}),
		chapter(2, pipeline.Listen, finding("clicks", pipeline.Listen, 11)),
		chapter(3, pipeline.Listen, finding("../x", pipeline.Listen, 40)),
	}}
	recording(t, dir, string(o.Chapters[0].Files[0].Blob)+".wav", 60, 29.5)
	recording(t, dir, string(o.Chapters[0].Parts[0].Source), 80, 10.3)
	recording(t, dir, string(o.Chapters[1].Files[0].Blob)+".wav", 60, 0.5)
	asked := map[string]int{}
	bring := func(_ context.Context, r Recording) (string, error) {
		asked[r.Name]++
		path := filepath.Join(dir, r.Name)
		if _, err := os.Stat(path); err != nil {
			return "", pipeline.Errorf(pipeline.Missing, "", "%w", err)
		}
		return path, nil
	}
	l := Of(o)
	if err := l.Cut(t.Context(), o, bring, out); pipeline.KindOf(err) != pipeline.Missing {
		t.Errorf("of a file that is gone: %v", err)
	}
	for name, n := range asked {
		if n != 1 {
			t.Errorf("%s was brought %d times", name, n)
		}
	}
	entries, err := os.ReadDir(out)
	if err != nil || len(entries) != 3 {
		t.Errorf("%d clips, %v", len(entries), err)
	}
	for _, c := range []struct {
		what     string
		p        Place
		clip     string
		spikeS   float64 // in the clip
		pictured float64 // in the picture
		peak     float64
		cut      bool
	}{
		{"in the file", l.Chapters[0].Places[1], "001-0h00m29.5s-clicks.flac", 2, 0.5, 0.5 * math.Pow(10, -4/20.0), true},
		{"in the source", l.Chapters[0].Places[2], "001-source-0h00m10.3s-clicks.flac", 2, 0.5, 0.5 * math.Pow(10, 6/20.0), true},
		{"at a file's start", l.Chapters[1].Places[0], "002-0h00m00.5s-clicks.flac", 0.5, 0.5, 0.5 * math.Pow(10, -4/20.0), true},
		{"of all of it", l.Chapters[0].Places[0], "", 0, 0, 0, false},
		{"gone", l.Chapters[2].Places[0], "", 0, 0, 0, false},
	} {
		if c.p.Clip != c.clip || (len(c.p.Wave) > 0) != c.cut {
			t.Errorf("%s: clip %q, %d columns", c.what, c.p.Clip, len(c.p.Wave))
		}
		if !c.cut || c.p.Clip == "" {
			continue
		}
		x := samples(t, filepath.Join(out, c.p.Clip))
		if at := loudest(x); math.Abs(float64(at)/rate-c.spikeS) > 0.001 || math.Abs(x[at]-c.peak) > 0.001 {
			t.Errorf("%s: the spike is at %.3f s, %.4f", c.what, float64(at)/rate, x[at])
		}
		if n := float64(len(x)) / rate; n < 3 || n > clipMostS {
			t.Errorf("%s: %g s", c.what, n)
		}
		high := 0
		for k, e := range c.p.Wave {
			if e.High > c.p.Wave[high].High {
				high = k
			}
		}
		if at := float64(high) * WaveS / waveColumns; math.Abs(at-c.pictured) > 1.01*WaveS/waveColumns {
			t.Errorf("%s: the picture has it at %.3f s", c.what, at)
		}
	}
	if got := nameOf(l.Chapters[2], &piece{places: []*Place{&l.Chapters[2].Places[0]}, atS: []float64{29.5}}, map[string]bool{}); got != "003-0h00m29.5s-finding.flac" {
		t.Errorf("a name that leads elsewhere: %s", got)
	}
}

// TestCutTogether: what is found within half a second is heard in one clip, which
// each of it names, and has its own picture.
func TestCutTogether(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	o := pipeline.Outcome{Specs: []pipeline.Spec{spec()}, Chapters: []pipeline.ChapterOutcome{chapter(1, pipeline.Listen,
		finding("clipped", pipeline.Listen, 40.3), finding("limiter", pipeline.Return, 40), finding("esses", pipeline.Listen, 40.9),
		finding("hum", pipeline.Listen, 20), finding("hum", pipeline.Listen, 20.2))}}
	recording(t, dir, string(o.Chapters[0].Files[0].Blob)+".wav", 60, 29.5)
	bring := func(_ context.Context, r Recording) (string, error) { return filepath.Join(dir, r.Name), nil }
	l := Of(o)
	if err := l.Cut(t.Context(), o, bring, out); err != nil {
		t.Fatal(err)
	}
	spikes := map[string]float64{}
	for _, p := range l.Chapters[0].Places {
		want, first := "001-0h00m29.5s.flac", 29.5
		switch p.Check {
		case "esses":
			want, first = "001-0h00m30.4s-esses.flac", 30.4
		case "hum":
			want, first = "001-0h00m09.5s-hum.flac", 9.5
		}
		if p.Clip != want || len(p.Wave) == 0 {
			t.Errorf("%s at %s: %q, %d columns", p.Check, p.InFile, p.Clip, len(p.Wave))
		}
		spikes[want] = 29.5 - first + clipBeforeS
	}
	if entries, err := os.ReadDir(out); err != nil || len(entries) != len(spikes) {
		t.Fatalf("%d clips, %v", len(entries), err)
	}
	for _, name := range []string{"001-0h00m29.5s.flac", "001-0h00m30.4s-esses.flac"} {
		x := samples(t, filepath.Join(out, name))
		if at := loudest(x); math.Abs(float64(at)/rate-spikes[name]) > 0.001 {
			t.Errorf("%s: the spike is at %.3f s, not %.3f", name, float64(at)/rate, spikes[name])
		}
	}
}

// TestCutIsBounded: however much asks for an ear, clips stay as many.
func TestCutIsBounded(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	var o pipeline.Outcome
	o.Specs = []pipeline.Spec{spec()}
	for n := 1; n <= 2; n++ {
		var found []pipeline.Finding
		for i := range 50 {
			found = append(found, finding("clicks", pipeline.Listen, 12+0.6*float64(i)))
		}
		o.Chapters = append(o.Chapters, chapter(n, pipeline.Listen, found...))
		recording(t, dir, string(o.Chapters[n-1].Files[0].Blob)+".wav", 60, 5)
	}
	l := Of(o)
	bring := func(_ context.Context, r Recording) (string, error) { return filepath.Join(dir, r.Name), nil }
	if err := l.Cut(t.Context(), o, bring, out); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(out)
	if err != nil || len(entries) != 2*maxOfAChapter {
		t.Errorf("%d clips, %v", len(entries), err)
	}
}

// TestReview: a copy has the file's samples and a labelled point at every place
// in it.
func TestReview(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	o := pipeline.Outcome{Specs: []pipeline.Spec{spec()}, Chapters: []pipeline.ChapterOutcome{
		chapter(1, pipeline.Listen, finding("clicks", pipeline.Listen, 40), finding("hum", pipeline.Listen, 40), finding("esses", pipeline.Listen, 12), finding("pauses", pipeline.Listen, 10.3), finding("drift", pipeline.Ready, 20)),
		chapter(2, pipeline.Listen, finding("clicks", pipeline.Listen, 40)),
	}}
	o.Chapters[0].Findings[2].Measured, o.Chapters[0].Findings[2].Act, o.Chapters[0].Findings[2].Stage = "9 dB", pipeline.Change, "de-esser"
	o.Chapters[1].Files = nil
	blob := string(o.Chapters[0].Files[0].Blob) + ".wav"
	recording(t, dir, blob, 60, 29.5)
	bring := func(_ context.Context, r Recording) (string, error) { return filepath.Join(dir, r.Name), nil }
	names, err := Of(o).Review(t.Context(), o, bring, out)
	if err != nil || len(names) != 1 || names[0] != "001-review.wav" {
		t.Fatal(names, err)
	}
	r, err := codec.OpenSource(filepath.Join(out, names[0]), "a.wav")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	want := []pipeline.Cue{{At: 12000, Label: "listen, esses: 9 dB; change the de-esser stage of the chain"}, {At: 29.5 * rate, Label: "listen, clicks; listen, hum"}}
	if got := r.Info().Cues; len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("%+v", got)
	}
	was, is := samples(t, filepath.Join(dir, blob)), samples(t, filepath.Join(out, names[0]))
	if len(was) != len(is) {
		t.Fatalf("%d frames of %d", len(is), len(was))
	}
	for i := range was {
		if was[i] != is[i] {
			t.Fatalf("frame %d is %v, was %v", i, is[i], was[i])
		}
	}
}
