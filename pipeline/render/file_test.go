package render

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/pipeline"
)

// withMP3 tells whether MP3 can be tested too.
func withMP3(t *testing.T) bool {
	t.Helper()
	_, err := exec.LookPath("lame")
	if err != nil && os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
		t.Fatal("lame is not installed, and CHAPTERHOUSE_REQUIRE=all asks for it")
	}
	if err != nil {
		t.Log("without MP3: lame is not installed")
	}
	return err == nil
}

// A delivered file never stands still: no 10 ms of one value, whatever its
// source's ends are made of.
func TestNeverDigitalSilence(t *testing.T) {
	t.Parallel()
	const rate = 44100
	speech := dsptest.Speechlike(8, 4*rate, rate)
	silence := make([]float64, 2*rate)
	roomy := narration(8, rate, 1.5, 4, 1.5)
	var breathless []float64 // speech without any pause
	for seed := uint64(1); len(breathless) < 3*rate; seed++ {
		breathless = append(breathless, scaled(dsptest.Noise(seed, rate/5), -20-float64(seed%3)*8)...)
	}
	muted := append([]float64{}, roomy...)
	clear(muted[rate/2 : rate])
	clear(muted[len(muted)-rate:])
	for name, x := range map[string][]float64{
		"room at both ends":       roomy,
		"silence at both ends":    append(append(append([]float64{}, silence...), speech...), silence...),
		"cut to the first word":   speech,
		"muted here and there":    muted,
		"no room tone, silence":   append(append(append([]float64{}, silence...), breathless...), silence...),
		"no room tone, cut tight": breathless,
	} {
		f := newJobFolder(t)
		for _, bits := range []int{16, 24} {
			p, profile := f.part(f.wav(name+".wav", rate, bits, x), len(x), rate, nil)
			if bare := strings.HasPrefix(name, "no room tone"); bare != (profile.Floor.Windows == 0) {
				t.Fatalf("%s: %d windows of room tone", name, profile.Floor.Windows)
			}
			p.GainDB = -6
			recipes := []pipeline.Recipe{fileOf(flac24, p)}
			if bits == 24 {
				recipes = append(recipes, fileOf(flac16, p), fileOf(wav24, p))
			}
			if bits == 24 && withMP3(t) {
				low := mp3
				low.Kbps = 64
				recipes = append(recipes, fileOf(mp3, p), fileOf(low, p))
			}
			for i, c := range f.do(recipes...) {
				y := f.samples(c)[0]
				format := recipes[i].File.Format
				if at, run := stuck(y); run >= rate/100 {
					t.Errorf("%s, %d bits, to %s %d %d: %.0f ms of one value at %.2f s of %.2f", name, bits, format.Format, format.Bits, format.Kbps,
						float64(run)*1000/rate, float64(at)/rate, float64(len(y))/rate)
				}
				if want := 3.75*rate + float64(p.Cut.Speech.Len()); float64(len(y)) != math.Round(want) {
					t.Errorf("%s to %s: %d frames, want %.0f", name, format.Format, len(y), want)
				}
				notes := record[pipeline.FileRecord](t, c).Notes
				if said := len(notes) == 1 && strings.Contains(notes[0], "part 1 holds no room tone"); said != (profile.Floor.Windows == 0) {
					t.Errorf("%s: notes %q", name, notes)
				}
			}
		}
	}
}

// Loud material stays under the ceiling as it is decoded, in every format,
// and few encodes are needed for it.
func TestLoudMaterialStaysUnderTheCeiling(t *testing.T) {
	t.Parallel()
	const rate = 44100
	low := mp3
	low.Kbps = 128
	up := pipeline.FileFormat{Format: pipeline.WAV, RateHz: 48000, Channels: 2, Bits: 24}
	var encodes, files float64
	for seed := range uint64(4) {
		f := newJobFolder(t)
		x := narration(20+seed, rate, 0.5, 4, 0.5)
		p, _ := f.part(f.wav("loud.wav", rate, 24, scaled(x, 6)), len(x), rate, nil)
		p.GainDB = dsp.DB(7 + 2*float64(seed)) // up to 15 dB over the ceiling
		recipes := []pipeline.Recipe{fileOf(flac24, p), fileOf(flac16, p), fileOf(up, p)}
		if withMP3(t) {
			recipes = append(recipes, fileOf(mp3, p), fileOf(low, p))
		}
		for i, c := range f.do(recipes...) {
			r := record[pipeline.FileRecord](t, c)
			format := recipes[i].File.Format
			if r.Levels.TruePeak > -3 || r.Levels.TruePeak < -5 {
				t.Errorf("seed %d, %s %d: true peak %s, ceiling -3", seed, format.Format, format.Bits+format.Kbps, r.Levels.TruePeak)
			}
			if r.Limiter.Share <= 0 || r.Limiter.MaxDB > -3 || len(r.Deep) == 0 {
				t.Errorf("seed %d, %s: the limiter did %+v", seed, format.Format, r.Limiter)
			}
			for _, place := range r.Deep {
				if place.Source != p.Cut.Source || place.StartS < 0.49 || place.EndS > 4.6 || place.DB > -3 || place.DB < r.Limiter.MaxDB-0.1 {
					t.Errorf("seed %d, %s: the limiter works at %+v", seed, format.Format, place)
				}
			}
			encodes += float64(r.Encodes)
			files++
		}
	}
	t.Logf("%.2f encodes a file over %g files", encodes/files, files)
	if encodes/files > 1.3 {
		t.Errorf("%.2f encodes a file", encodes/files)
	}
}

// Where the encoder raises peaks by more than the first guess, the file is made
// again with a lower ceiling, and again only as often as needed.
func TestEncodesUntilUnderTheCeiling(t *testing.T) {
	need(t, "lame")
	const rate = 44100
	most := 0
	for seed := range uint64(3) {
		f := newJobFolder(t)
		x := narration(20+seed, rate, 0.5, 2, 0.5)
		p, _ := f.part(f.wav("loud.wav", rate, 24, scaled(x, 6)), len(x), rate, nil)
		p.GainDB = dsp.DB(13 + 2*seed)
		format := mp3
		format.Kbps = 64
		r := record[pipeline.FileRecord](t, f.do(fileOf(format, p))[0])
		if r.Levels.TruePeak > -3 || r.Encodes > maxEncodes {
			t.Errorf("seed %d: true peak %s after %d encodes", seed, r.Levels.TruePeak, r.Encodes)
		}
		most = max(most, r.Encodes)
	}
	if most < 2 {
		t.Errorf("one encode was enough everywhere: this test wants corrections")
	}
}

// What the limiter takes from a file is given back where the window asks for
// it: still under the ceiling, said in the record, and by no more than the limiter keeps back.
func TestKeepsInsideTheWindow(t *testing.T) {
	t.Parallel()
	const rate = 44100
	f := newJobFolder(t)
	x := narration(31, rate, 0.5, 4, 0.5)
	p, _ := f.part(f.wav("loud.wav", rate, 24, scaled(x, 6)), len(x), rate, nil)
	p.GainDB = 7
	free := fileOf(flac24, p)
	base := record[pipeline.FileRecord](t, f.do(free)[0])
	for _, c := range []struct {
		name   string
		lo, hi float64 // of the window, from the level it has by itself
		up     int     // sign of the correction
	}{{"inside", -1, 1, 0}, {"under", 0.4, 3, 1}, {"over", -3, -0.4, -1}} {
		r := fileOf(flac24, p)
		at := float64(base.Levels.RMS)
		r.File.Level = pipeline.Level{Measure: pipeline.MeasureRMSPlain, Window: [2]float64{at + c.lo, at + c.hi}, Aim: at + (c.lo+c.hi)/2}
		got := record[pipeline.FileRecord](t, f.do(r)[0])
		if l := float64(got.Levels.RMS); l < at+c.lo || l > at+c.hi {
			t.Errorf("%s: %.2f dBFS, window %.2f to %.2f", c.name, l, at+c.lo, at+c.hi)
		}
		if got.Levels.TruePeak > -3 {
			t.Errorf("%s: true peak %s", c.name, got.Levels.TruePeak)
		}
		if (got.CorrectDB > 0) != (c.up > 0) || (got.CorrectDB < 0) != (c.up < 0) || math.Abs(float64(got.CorrectDB)) > 2 || (got.Encodes > 1) != (c.up != 0) {
			t.Errorf("%s: corrected by %v in %d files", c.name, got.CorrectDB, got.Encodes)
		}
	}
}

// With the limiter idle a file has the level that the level step foretold, in
// both measures, and an MP3 has its FLAC's.
func TestLevelIsWhatWasForetold(t *testing.T) {
	t.Parallel()
	const rate = 44100
	cupboard := demoChain(t, "ines-marlow/chains/cupboard.yaml")
	for seed, measure := range []pipeline.Measure{pipeline.MeasureRMSPlain, pipeline.MeasureLoudness, pipeline.MeasureRMSPlain, pipeline.MeasureLoudness} {
		f := newJobFolder(t)
		x := narration(40+uint64(seed), rate, 1, 6, 1)
		p, _ := f.part(f.wav("a.wav", rate, 24, x), len(x), rate, cupboard)
		weigh := record[pipeline.WeighRecord](t, f.do(weighOf(p))[0])
		parts := []pipeline.LeveledPart{{RateHz: rate, Weigh: weigh}}
		level := pipeline.Level{Measure: measure, Window: [2]float64{-40, -20}, Aim: -30}
		edges := pipeline.Edges{HeadAimS: 0.75, TailAimS: 3}
		gains := pipeline.LevelGains([][]pipeline.LeveledPart{parts}, level, edges, 0, nil).GainDB
		p.GainDB = gains[""]
		if trim := pipeline.Trim(parts, gains, level, edges); trim != 0 {
			t.Fatalf("a trim of %s", trim)
		}
		recipes := []pipeline.Recipe{fileOf(flac24, p), fileOf(flac16, p)}
		if withMP3(t) {
			for _, kbps := range []int{192, 128, 64} {
				format := mp3
				format.Kbps = kbps
				recipes = append(recipes, fileOf(format, p))
			}
		}
		var lossless pipeline.FileRecord
		for i, c := range f.do(recipes...) {
			r := record[pipeline.FileRecord](t, c)
			if r.Limiter.Share != 0 || r.Encodes != 1 {
				t.Fatalf("the limiter did %+v in %d encodes: this test wants it idle", r.Limiter, r.Encodes)
			}
			got := float64(r.Levels.RMS)
			if measure == pipeline.MeasureLoudness {
				got = float64(r.Levels.Integrated)
			}
			limit := 0.1
			if measure == pipeline.MeasureLoudness {
				limit = 0.3 // of 6 s: blocks that reach over the first and last sound count in the file, and not when it was weighed
			}
			if math.Abs(got-level.Aim) > limit {
				t.Errorf("seed %d, %s: %.2f by %s, foretold %.2f", seed, recipes[i].File.Format.Format, got, measure, level.Aim)
			}
			if i == 0 {
				lossless = r
			}
			if d := float64(r.Levels.RMS - lossless.Levels.RMS); math.Abs(d) > 0.05 {
				t.Errorf("seed %d, %s at %d kbps lies %+.2f dB from the FLAC", seed, recipes[i].File.Format.Format, recipes[i].File.Format.Kbps, d)
			}
		}
	}
}

// The demo's eight chapters, from source to both deliveries' files: under the
// ceiling, in the window, as long as they must be, in few encodes; measured
// again by programs that are not ours.
func TestDemoChapters(t *testing.T) {
	t.Parallel()
	const rate = 44100
	ines, tobias := demoChain(t, "ines-marlow/chains/cupboard.yaml"), demoChain(t, "tobias-wren/chains/stair-room.yaml")
	f := newJobFolder(t)
	type source struct {
		file, session string
		pauseS        float64
	}
	chapters := [][]source{
		{{"01-low-water.flac", "monday", 0}}, {{"02-the-weigh-house.flac", "monday", 0}}, {{"03-a-letter-north.flac", "march", 0}},
		{{"04-two-lanterns.wav", "thursday", 0}}, {{"05-the-crossing-ines.flac", "thursday", 0}, {"05-the-crossing-tobias.flac", "march", 1.2}},
		{{"06-the-mill-race.flac", "monday", 0}}, {{"07-frost.flac", "thursday", 0}}, {{"08-the-lower-gate.flac", "march", 0}},
	}
	profiles := map[string]pipeline.ProfileRecord{}
	sessions := map[string][]pipeline.ProfileRecord{}
	for _, ch := range chapters {
		for _, s := range ch {
			d := f.file("../../testdata/house/titles/eleven-tide-gates/" + s.file)
			intake := pipeline.NewRecipe(pipeline.StepIntake)
			intake.Intake = &pipeline.IntakeRecipe{Source: d}
			is := record[pipeline.IntakeRecord](t, f.do(intake)[0])
			profiles[s.file] = record[pipeline.ProfileRecord](t, f.do(profileOf(d, int(is.Frames), rate))[0])
			sessions[s.session] = append(sessions[s.session], profiles[s.file])
		}
	}
	fits := map[string]pipeline.FitRecord{}
	reference := dsp.DBFS(-23)
	for name, of := range sessions {
		fits[name] = pipeline.Fit(of, &reference, 20, nil, nil)
	}
	files := make([][]pipeline.FilePart, len(chapters))
	leveled := make([][]pipeline.LeveledPart, len(chapters))
	for i, ch := range chapters {
		for _, s := range ch {
			narrator, stages := "ines", ines
			if s.session == "march" {
				narrator, stages = "tobias", tobias
			}
			p := pipeline.FilePart{Cut: f.asked(profiles[s.file].Cut, stages), Join: pipeline.Join{PauseS: s.pauseS}, FitDB: fits[s.session].GainDB, Facts: fits[s.session].Facts, Chain: stages}
			files[i] = append(files[i], p)
			weigh := record[pipeline.WeighRecord](t, f.do(weighOf(p))[0])
			leveled[i] = append(leveled[i], pipeline.LeveledPart{Narrator: narrator, RateHz: rate, Weigh: weigh})
		}
	}
	level := pipeline.Level{Measure: pipeline.MeasureRMSPlain, Window: [2]float64{-23, -18}, Aim: -20}
	edges := pipeline.Edges{HeadAimS: 0.75, TailAimS: 3}
	gains := pipeline.LevelGains(leveled, level, edges, 20, nil).GainDB
	formats := []pipeline.FileFormat{flac24}
	if withMP3(t) {
		formats = append(formats, mp3)
	}
	encodes := map[pipeline.Format]float64{}
	for i := range chapters {
		var recipes []pipeline.Recipe
		for j := range files[i] {
			files[i][j].GainDB = gains[leveled[i][j].Narrator]
		}
		for _, format := range formats {
			r := fileOf(format, files[i]...)
			r.File.TrimDB = pipeline.Trim(leveled[i], gains, level, edges)
			recipes = append(recipes, r)
		}
		var lengthS float64
		for _, p := range files[i] {
			lengthS += p.Cut.Speech.Len().Seconds(rate) + p.Join.PauseS
		}
		for j, c := range f.do(recipes...) {
			r, what := record[pipeline.FileRecord](t, c), fmt.Sprintf("chapter %d as %s", i+1, formats[j].Format)
			encodes[formats[j].Format] += float64(r.Encodes)
			if r.Levels.TruePeak > -3 {
				t.Errorf("%s: true peak %s", what, r.Levels.TruePeak)
			}
			if l := float64(r.Levels.RMS); l < -23 || l > -18 {
				t.Errorf("%s: level %.2f dBFS", what, l)
			}
			if math.Abs(r.HeadS-0.75) > 0.1 || math.Abs(r.TailS-3) > 0.1 || math.Abs(r.LengthS-lengthS-3.75) > 0.02 {
				t.Errorf("%s: head %g, tail %g, length %g s, body %g", what, r.HeadS, r.TailS, r.LengthS, lengthS)
			}
			if math.Abs(float64(r.Floor.Median)+66) > 6 {
				t.Errorf("%s: floor %s", what, r.Floor.Median)
			}
			y := f.samples(c)[0]
			edge := append(append([]float64{}, y[:3*rate/4]...), y[len(y)-3*rate:]...)
			if _, run := stuck(edge); run >= rate/100 {
				t.Errorf("%s: %d equal samples in an edge", what, run)
			}
			if i%4 == 0 {
				measuredElsewhere(t, what, OutputPath(f.dir, c.Files[0].Blob), r)
			}
		}
	}
	for format, n := range encodes {
		t.Logf("%s: %.2f encodes a chapter", format, n/float64(len(chapters)))
		if n/float64(len(chapters)) > 1.3 {
			t.Errorf("%s: %.2f encodes a chapter, want 1.3 at most", format, n/float64(len(chapters)))
		}
	}
}

// measuredElsewhere compares a record with what ffmpeg measures of the file:
// integrated loudness (ebur128) within 0.02 LU, RMS and sample peak (astats)
// within 0.01 dB, of MP3, which it decodes itself, 0.02 and 0.05.
func measuredElsewhere(t *testing.T, what, path string, r pipeline.FileRecord) {
	t.Helper()
	need(t, "ffmpeg")
	out, err := exec.Command("ffmpeg", "-hide_banner", "-nostats", "-i", path,
		"-af", "aformat=sample_fmts=dbl,ebur128=metadata=1,ametadata=mode=print:file=-,astats=measure_perchannel=none", "-f", "null", "-").CombinedOutput()
	if err != nil {
		t.Fatalf("ffmpeg: %v\n%s", err, out)
	}
	last := func(pattern string) float64 {
		all := regexp.MustCompile(pattern).FindAllSubmatch(out, -1)
		if len(all) == 0 {
			t.Fatalf("ffmpeg says nothing of %q", pattern)
		}
		v, err := strconv.ParseFloat(string(all[len(all)-1][1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	exact, peak := 0.011, 0.011 // both sides are rounded
	if strings.Contains(what, "mp3") {
		exact, peak = 0.02, 0.05
	}
	for _, c := range []struct {
		name            string
		ours, its, near float64
	}{
		{"loudness", float64(r.Levels.Integrated), last(`lavfi\.r128\.I=(\S+)`), 0.025}, // classes of 0.01 LU there, rounded here, and one of 280 blocks at the gate is 0.014
		{"RMS", float64(r.Levels.RMS), last(`RMS level dB: (\S+)`), exact},
		{"sample peak", float64(r.Levels.SamplePeak), last(`Peak level dB: (\S+)`), peak},
		{"length", r.LengthS, last(`Number of samples: (\d+)`) / 44100, 0.006},
	} {
		if math.Abs(c.ours-c.its) > c.near {
			t.Errorf("%s: %s is %.3f here and %.3f in ffmpeg", what, c.name, c.ours, c.its)
		}
	}
}
