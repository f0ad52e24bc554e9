package render

import (
	"fmt"
	"math"
	"os/exec"
	"regexp"
	"strconv"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/spec"
)

var demoEdges = pipeline.Edges{HeadAimS: 0.75, TailAimS: 3}

// leveledFile is a file of one part, brought to a level as a title of that part alone would be.
func (f *jobFolder) leveledFile(p pipeline.FilePart, level pipeline.Level, peak pipeline.Peak, format pipeline.FileFormat) pipeline.Recipe {
	f.t.Helper()
	weigh := record[pipeline.WeighRecord](f.t, f.do(weighOf(p))[0])
	parts := []pipeline.LeveledPart{{RateHz: p.Cut.RateHz, Weigh: weigh}}
	gains := pipeline.LevelGains([][]pipeline.LeveledPart{parts}, level, demoEdges, 0, nil).GainDB
	p.GainDB = gains[""]
	r := fileOf(format, p)
	r.File.Level, r.File.Peak, r.File.TrimDB = level, peak, pipeline.Trim(parts, gains, level, demoEdges)
	return r
}

// One job's chapter runs through its chain once for the files of every built-in
// spec, at two rates and on one channel and two. Counted are the passes that the
// job's bench held; another chain among the recipes is one more.
func TestOnePassServesEverySpec(t *testing.T) {
	t.Parallel()
	const rate = 44100
	f := newJobFolder(t)
	x := narration(51, rate, 1, 6, 1)
	p, _ := f.part(f.wav("a.wav", rate, 24, x), len(x), rate, demoChain(t, "ines-marlow/chains/cupboard.yaml"))
	var recipes []pipeline.Recipe
	for _, name := range spec.Names() {
		s, _ := spec.Builtin(name)
		for _, format := range s.Sound.Files {
			if format.Format == pipeline.MP3 && !withMP3(t) {
				continue
			}
			recipes = append(recipes, f.leveledFile(p, s.Sound.Level, s.Sound.Peak, format))
		}
	}
	other := p
	other.Chain = other.Chain[1:]
	for _, c := range []struct {
		name    string
		recipes []pipeline.Recipe
		passes  int
	}{
		{"every spec", recipes, 1},
		{"every spec, with the check between", append(append(append([]pipeline.Recipe{}, recipes[:1]...), checkOf(p)), recipes[1:]...), 1},
		{"another chain", append(append([]pipeline.Recipe{}, recipes...), fileOf(flac24, other)), 2},
	} {
		b := &bench{ctx: t.Context(), dir: f.dir, job: f.job(c.recipes...), say: func(pipeline.Digest, pipeline.Step, float64) {}}
		passes := map[*chainPass]bool{} // keeps them, so that no two have one address
		for _, r := range c.recipes {
			made, err := b.make(r)
			if err != nil {
				t.Fatal(err)
			}
			passes[b.pass] = true
			if r.File == nil || c.passes != 1 {
				continue
			}
			format, rec, y := r.File.Format, record[pipeline.FileRecord](t, made), f.samples(made)
			if len(y) != format.Channels || max(1, rec.Levels.Channels) != format.Channels {
				t.Errorf("%s: %d channels, recorded %d, want %d", format.Format, len(y), rec.Levels.Channels, format.Channels)
			}
			want := (3.75 + p.Cut.Speech.Len().Seconds(rate)) * float64(format.RateHz)
			if math.Abs(float64(len(y[0]))-want) > 2 {
				t.Errorf("%s at %d Hz: %d frames, want %.0f", format.Format, format.RateHz, len(y[0]), want)
			}
			if at, w := r.File.Level.Of(rec.Levels), r.File.Level.Window; at < w[0] || at > w[1] || rec.Levels.TruePeak > r.File.Peak.MaxDBTP {
				t.Errorf("%s at %d Hz: level %.2f in %v, true peak %s", format.Format, format.RateHz, at, w, rec.Levels.TruePeak)
			}
		}
		b.close()
		if len(passes) != c.passes {
			t.Errorf("%s: %d passes of the chain, want %d", c.name, len(passes), c.passes)
		}
	}
}

// One narration, recorded on one channel and on two that are alike, comes to the
// loudness that its spec means, in files of one channel and of two, by programs
// that are not ours: ffmpeg's ebur128, and its loudnorm, which has libebur128.
// Both can count one channel as two by themselves (ITU-R BS.1770-5, sum of
// channels: +3.01 LU).
func TestCountedInFiles(t *testing.T) {
	t.Parallel()
	need(t, "ffmpeg")
	const rate = 48000
	window := [2]float64{-23.2, -22.8} // EBU R 128: -23.0 LUFS, 0.2 LU in a check
	mono := pipeline.FileFormat{Format: pipeline.WAV, RateHz: rate, Channels: 1, Bits: 24}
	twin := mono
	twin.Channels = 2
	x := narration(52, rate, 0.5, 4, 0.5)
	for _, source := range []struct {
		name string
		ch   [][]float64
	}{{"one channel", [][]float64{x}}, {"two alike", [][]float64{x, x}}} {
		f := newJobFolder(t)
		p, _ := f.part(f.wav("a.wav", rate, 24, source.ch...), len(x), rate, nil)
		for _, c := range []struct {
			counted pipeline.Counted
			format  pipeline.FileFormat
			reads   float64 // as the file is
			dual    float64 // one channel counted as two
		}{
			{pipeline.CountedOnce, mono, -23, -19.99},
			{pipeline.CountedTwice, mono, -26.01, -23},
			{pipeline.CountedTwice, twin, -23, -23},
		} {
			level := pipeline.Level{Measure: pipeline.MeasureLoudness, CountedAs: c.counted, Window: window, Aim: -23}
			made := f.do(f.leveledFile(p, level, pipeline.Peak{MaxDBTP: -1}, c.format))[0]
			what := fmt.Sprintf("source of %s, %s, file of %d", source.name, c.counted, c.format.Channels)
			if at := level.Of(record[pipeline.FileRecord](t, made).Levels); at < window[0] || at > window[1] {
				t.Errorf("%s: we say %.2f LUFS", what, at)
			}
			path := OutputPath(f.dir, made.Files[0].Blob)
			peers := []struct {
				name, filter, pattern string
				want                  float64
			}{
				{"ebur128", "ebur128=metadata=1,ametadata=mode=print:file=-", `lavfi\.r128\.I=(\S+)`, c.reads},
				{"ebur128, dual mono", "ebur128=dualmono=true:metadata=1,ametadata=mode=print:file=-", `lavfi\.r128\.I=(\S+)`, c.dual},
				{"libebur128", "loudnorm=print_format=json", `"input_i" : "(\S+)"`, c.reads},
				{"libebur128, dual mono", "loudnorm=dual_mono=true:print_format=json", `"input_i" : "(\S+)"`, c.dual},
			}
			if len(source.ch) > 1 {
				peers = peers[:2] // the files are those of one channel
			}
			for _, peer := range peers {
				if got := ffmpegSays(t, path, peer.filter, peer.pattern); math.Abs(got-peer.want) > 0.2 {
					t.Errorf("%s: %s says %.2f LUFS, want %.2f", what, peer.name, got, peer.want)
				}
			}
		}
	}
}

// ffmpegSays is the last match of a pattern in what a filter of ffmpeg prints of a file.
func ffmpegSays(t *testing.T, path, filter, pattern string) float64 {
	t.Helper()
	out, err := exec.Command("ffmpeg", "-hide_banner", "-nostats", "-nostdin", "-i", path, "-af", filter, "-f", "null", "-").CombinedOutput()
	all := regexp.MustCompile(pattern).FindAllSubmatch(out, -1)
	if err != nil || len(all) == 0 {
		t.Fatalf("ffmpeg says nothing of %q: %v\n%s", pattern, err, out)
	}
	v, err := strconv.ParseFloat(string(all[len(all)-1][1]), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
