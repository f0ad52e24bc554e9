package reel

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
)

// chapterOf is a chapter of so many seconds that ends and opens at levels.
func chapterOf(n int, seconds, opens, ends float64) pipeline.ChapterOutcome {
	flat := make(pipeline.Spectrum, len(spectrum.SixthOctaves()))
	edge := func(at float64) pipeline.EdgeSound {
		return pipeline.EdgeSound{RMS: dsp.DBFS(at), SpeechS: 4, Spectrum: flat}
	}
	r := pipeline.FileRecord{LengthS: seconds, Opens: edge(opens), Ends: edge(ends), Loudest: pipeline.Spot{AtS: 30, DB: dsp.DB(-20 + n)}, Quietest: pipeline.Spot{AtS: 60, DB: dsp.DB(-30 + n)}, Sharpest: pipeline.Spot{AtS: seconds - 3, DB: -10}}
	return pipeline.ChapterOutcome{Number: n, Name: "Chapter", Role: pipeline.RoleChapter, Files: []pipeline.FileOutcome{
		{Spec: "lossless", Format: pipeline.FileFormat{Format: pipeline.FLAC}, Blob: pipeline.DigestOf([]byte{byte(n)}), Verdict: pipeline.Ready, Record: r}}}
}

// TestChoose: the start, the places that are the most of something, and the
// joins that step most, in three minutes, in an order that can be followed.
func TestChoose(t *testing.T) {
	var o pipeline.Outcome
	for n := 1; n <= 20; n++ {
		ends := -20.0
		if n == 7 || n == 12 {
			ends = -26
		}
		o.Chapters = append(o.Chapters, chapterOf(n, 600, -20, ends))
	}
	o.Chapters[19].Role = pipeline.RoleAsset
	parts := Choose(o, "lossless")
	var whats []string
	end, joins := 0.0, map[int]bool{}
	for i, p := range parts {
		whats = append(whats, string(p.What))
		if p.FromS < 0 || p.ToS > 600 || p.ToS <= p.FromS || p.AtS < end-0.01 {
			t.Errorf("part %d: %+v after %g s", i, p, end)
		}
		end = p.AtS + p.ToS - p.FromS
		if p.Chapter == 20 {
			t.Error("music is in the reel")
		}
		if p.What == Join && i+1 < len(parts) && parts[i+1].joined {
			joins[p.Chapter] = true
			if parts[i+1].Chapter != p.Chapter+1 || parts[i+1].AtS != p.AtS+endS {
				t.Errorf("join %+v goes on with %+v", p, parts[i+1])
			}
		}
	}
	if end > lengthS || end < lengthS-25 {
		t.Errorf("%.1f s", end)
	}
	if got := strings.Join(whats[:4], " "); got != "start loudest quietest sharpest" || parts[1].Chapter != 19 || parts[2].Chapter != 1 || !joins[7] || !joins[12] {
		t.Errorf("%s: %+v", got, parts)
	}
	if parts[3].ToS != 600 {
		t.Errorf("a spot at a file's end: %+v", parts[3])
	}
	if got := Choose(pipeline.Outcome{}, "lossless"); got != nil {
		t.Errorf("of nothing: %+v", got)
	}
	short := pipeline.Outcome{Chapters: []pipeline.ChapterOutcome{chapterOf(1, 8, -20, -20)}}
	for _, p := range Choose(short, "lossless") {
		if p.FromS != 0 || p.ToS != 8 {
			t.Errorf("of a short file: %+v", p)
		}
	}
}

// TestSpec: files that lose nothing before those that do.
func TestSpec(t *testing.T) {
	spec := func(name string, f pipeline.Format) pipeline.Spec {
		return pipeline.Spec{Spec: name, Sound: pipeline.Sound{Files: []pipeline.FileFormat{{Format: f}}}}
	}
	if s, ok := Spec([]pipeline.Spec{spec("a", pipeline.MP3), spec("b", pipeline.WAV), spec("c", pipeline.FLAC)}); !ok || s.Spec != "b" {
		t.Errorf("%+v", s)
	}
	if s, ok := Spec([]pipeline.Spec{spec("a", pipeline.MP3)}); !ok || s.Spec != "a" {
		t.Errorf("%+v", s)
	}
	if _, ok := Spec(nil); ok {
		t.Error("of none")
	}
}

// TestCut: what is heard in a reel is what stands in the files, at the times
// that are told.
func TestCut(t *testing.T) {
	const rate = 44100
	dir := t.TempDir()
	write := func(name string, channels int, at func(i int) float64) string {
		path := filepath.Join(dir, name+".wav")
		w, err := codec.CreateWAV(path, rate, channels, 24, false)
		ch := make([][]float64, channels)
		for k := range ch {
			ch[k] = make([]float64, 20*rate)
			for i := range ch[k] {
				ch[k][i] = at(i)
			}
		}
		if err == nil {
			err = w.Write(ch)
		}
		if err == nil {
			err = w.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
		return path
	}
	ramp := func(slope float64) func(i int) float64 {
		return func(i int) float64 { return slope * float64(i) / (20 * rate) }
	}
	files := []string{write("a", 1, ramp(0.8)), write("b", 2, ramp(-0.8))}
	parts := []Part{{What: Start, FromS: 5, ToS: 8, AtS: 0, Blob: "a"}, {What: Join, FromS: 15, ToS: 20, AtS: 3.5, Blob: "a"}, {What: Join, FromS: 0, ToS: 10, AtS: 8.5, Blob: "b", joined: true}}
	n := 0
	open := func(_ context.Context, p Part) (string, error) {
		n++
		return files[strings.Index("ab", string(p.Blob))], nil
	}
	out := filepath.Join(dir, "reel.flac")
	if err := Cut(t.Context(), parts, open, out); err != nil {
		t.Fatal(err)
	}
	if n != 2 {
		t.Errorf("%d files brought, want each of two once", n)
	}
	r, err := codec.Open(out)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if i := r.Info(); i.Frames != dsp.FramesIn(18.5, rate) || i.Channels != 1 || i.Bits != bits {
		t.Errorf("%+v", i)
	}
	x := make([]float64, r.Info().Frames)
	if _, err := r.Read([][]float64{x}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ atS, want float64 }{
		{1, 0.8 * 6 / 20}, {3.2, 0}, {4.5, 0.8 * 16 / 20}, {8.499, 0.8 * 19.999 / 20}, {8.6, -0.8 * 0.1 / 20}, {18, -0.8 * 9.5 / 20},
	} {
		if got := x[int(c.atS*rate)]; math.Abs(got-c.want) > 2e-4 {
			t.Errorf("at %g s: %g, want %g", c.atS, got, c.want)
		}
	}
	if math.Abs(x[0]) > 1e-3 || math.Abs(x[len(x)-1]) > 1e-3 {
		t.Errorf("it starts at %g and ends at %g: no fade", x[0], x[len(x)-1])
	}
	gone := errors.New("gone")
	if err := Cut(t.Context(), parts, func(context.Context, Part) (string, error) { return "", gone }, out); !errors.Is(err, gone) {
		t.Errorf("%v", err)
	}
}
