package render

import (
	"math"
	"os"
	"slices"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/series"
)

// pictures are the series of a file's commit.
func (f *jobFolder) pictures(c pipeline.Commit) (file series.File, source series.Source) {
	f.t.Helper()
	for _, o := range c.Files {
		b, err := os.ReadFile(OutputPath(f.dir, o.Blob))
		if err != nil {
			f.t.Fatal(err)
		}
		switch o.Role {
		case series.FileRole:
			file, err = series.DecodeFile(b)
		case series.SourceRole:
			source, err = series.DecodeSource(b)
		}
		if err != nil {
			f.t.Fatal(err)
		}
	}
	return file, source
}

func values(t *testing.T, tr series.Trace) []float32 {
	t.Helper()
	v, err := tr.Values()
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// band is the index of the sixth octave that holds a frequency.
func band(hz float64) int {
	return slices.IndexFunc(spectrum.SixthOctaves(), func(b spectrum.Band) bool { return hz >= b.Lower && hz < b.Upper })
}

// TestSketch: a chapter's source is drawn as it came, in step with what its
// stages did, and its spectrum moves by what an equalizer adds.
func TestSketch(t *testing.T) {
	const rate = 44100
	f := newJobFolder(t)
	x := narration(3, rate, 1, 6, 1)
	for i := 3 * rate; i < 3*rate+rate/2; i++ { // a loud line
		x[i] *= 4
	}
	stages := []pipeline.Resolved{
		stage("eq", 1, `{"bands":[{"shape":"bell","centre_hz":1000,"gain_db":6,"q":1}]}`),
		stage("compressor", 1, `{"threshold_over_speech_db":3,"ratio":4,"knee_db":0,"attack_ms":5,"release_ms":100,"detector":"rms"}`),
	}
	p, _ := f.part(f.wav("a.wav", rate, 24, x), len(x), rate, stages)
	commits := f.do(fileOf(flac24, p), fileOf(wav24, p))
	file, source := f.pictures(commits[0])
	if _, other := f.pictures(commits[1]); commits[0].Files[2] != commits[1].Files[2] || len(other.Parts) != 1 {
		t.Errorf("siblings have two pictures of one source: %v, %v", commits[0].Files, commits[1].Files)
	}
	part := source.Parts[0]
	wave := values(t, part.Wave)
	if want := (len(x)*100 + rate - 1) / rate; len(wave) != want || part.Source != p.Cut.Source || part.StartS != 0 {
		t.Errorf("%d values, want %d; from %v", len(wave), want, part.StartS)
	}
	for k, v := range wave {
		var peak float64
		for i := (k*rate + 99) / 100; i < min(len(x), ((k+1)*rate+99)/100); i++ {
			peak = max(peak, math.Abs(x[i]))
		}
		if want := 20 * math.Log10(peak); math.Abs(float64(v)-want) > 0.3 {
			t.Fatalf("wave at %.2f s is %v, want %.2f", float64(k)/100, v, want)
		}
	}
	if len(part.Stages) != 1 || part.Stages[0].Name != "compressor" {
		t.Fatalf("stages %+v: only the compressor moves gain", part.Stages)
	}
	gain := values(t, part.Stages[0].Gain)
	if len(gain) != len(wave) {
		t.Errorf("%d gains, %d values of the wave", len(gain), len(wave))
	}
	deepest := 0
	for k, g := range gain {
		if g < gain[deepest] {
			deepest = k
		}
	}
	if at := float64(deepest) / 100; at < 3 || at > 3.6 || gain[deepest] > -3 {
		t.Errorf("the loud line at 3 to 3.5 s: deepest is %v dB at %.2f s", gain[deepest], at)
	}
	rise := func(hz float64) float64 { return float64(part.After[band(hz)] - part.Before[band(hz)]) }
	if d := rise(1000) - rise(200); math.Abs(d-6) > 1 {
		t.Errorf("6 dB at 1 kHz show as %.2f dB beside 200 Hz", d)
	}
	if len(file.Bodies) != 1 || math.Abs(file.Bodies[0].FileS-0.75) > 0.02 || math.Abs(file.Bodies[0].SourceS-1) > 0.1 {
		t.Errorf("bodies %+v", file.Bodies)
	}
	rec := record[pipeline.FileRecord](t, commits[0])
	if out := values(t, file.Wave); len(out) != steps(rec.Levels.Frames, rate) || math.Abs(float64(slices.Max(out))-float64(rec.Levels.SamplePeak)) > 0.3 {
		t.Errorf("%d values of the file, peak %v; want %d and %v", len(out), slices.Max(out), steps(rec.Levels.Frames, rate), rec.Levels.SamplePeak)
	}
	if line := values(t, file.Limiter); len(line) != steps(rec.Levels.Frames, rate) {
		t.Errorf("%d gains of the limiter", len(line))
	}
}

// TestPortrait: the loudest, quietest and sharpest 3 s of a file are where they
// are, and its ends sound as they do.
func TestPortrait(t *testing.T) {
	const rate = 44100
	f := newJobFolder(t)
	x := narration(5, rate, 1, 60, 1)
	sharp := math.Pi
	for i := range x {
		switch at := float64(i) / rate; {
		case at >= 8 && at < 16:
			x[i] *= 2
		case at >= 24 && at < 32:
			x[i] *= 0.5
		case at >= 40 && at < 48:
			sharp += 7000 * 2 * math.Pi / rate
			x[i] += 0.03 * math.Sin(sharp)
		}
	}
	p, _ := f.part(f.wav("a.wav", rate, 24, x), len(x), rate, nil)
	c := f.do(fileOf(flac24, p))[0]
	rec := record[pipeline.FileRecord](t, c)
	for _, s := range []struct {
		what     string
		got      pipeline.Spot
		from, to float64 // seconds into the source, whose first sound is at 1 s and at 0.75 s of the file
	}{{"loudest", rec.Loudest, 8, 16}, {"quietest", rec.Quietest, 24, 32}, {"sharpest", rec.Sharpest, 40, 48}} {
		if at := s.got.AtS + 0.25; at < s.from-0.6 || at+3 > s.to+0.6 {
			t.Errorf("%s at %.2f s of the source, want within %g to %g (%v)", s.what, at, s.from, s.to, s.got)
		}
	}
	if rec.Loudest.DB-rec.Quietest.DB < 8 {
		t.Errorf("twelve decibels apart: loudest %v, quietest %v", rec.Loudest, rec.Quietest)
	}
	file, _ := f.pictures(c)
	if n := len(file.Spectrum); n != len(spectrum.SixthOctaves()) || rec.Opens.SpeechS < 8 || rec.Ends.SpeechS < 0.5 || rec.Ends.SpeechS > 5 {
		t.Errorf("%d bands, opens %v s, ends %v s", n, rec.Opens.SpeechS, rec.Ends.SpeechS)
	}
	if d := math.Abs(float64(rec.Opens.RMS - rec.Levels.Speech)); d > 6 {
		t.Errorf("opens at %v, the file speaks at %v", rec.Opens.RMS, rec.Levels.Speech)
	}
}

// TestPicturesHangOnNoBlocks: what is drawn does not depend on how samples come.
func TestPicturesHangOnNoBlocks(t *testing.T) {
	const rate = 48000
	x := narration(7, rate, 0.3, 3, 0.3)
	draw := func(size int) series.Part {
		s := newSketch(pipeline.FilePart{Cut: pipeline.Cut{RateHz: rate, SourceRateHz: rate}, Facts: pipeline.Facts{SpeechDBFS: -25}, Chain: []pipeline.Resolved{{Stage: "compressor"}}})
		for at := 0; at < len(x); at += size {
			s.raw(x[at:min(len(x), at+size)])
			s.chained(x[at:min(len(x), at+size)])
		}
		s.quantum(-512, 0, make([]float64, dsp.Quantum/8))
		return s.part()
	}
	want, _ := series.Source{Parts: []series.Part{draw(len(x))}}.Encode()
	for _, size := range []int{1, 480, 1024, 8191} {
		got, _ := series.Source{Parts: []series.Part{draw(size)}}.Encode()
		if !slices.Equal(got, want) {
			t.Errorf("blocks of %d draw another picture", size)
		}
	}
}
