package render

import (
	"math"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// tune is seconds of two channels that differ: chords under slow swells, with
// noise, peaks and all over the floor of any booth.
func tune(rateHz int, seconds, peak float64) [][]float64 {
	rng := rand.New(rand.NewPCG(3, 4))
	n := int(seconds * float64(rateHz))
	ch := [][]float64{make([]float64, n), make([]float64, n)}
	for i := range n {
		at := 2 * math.Pi * float64(i) / float64(rateHz)
		swell := 0.55 + 0.4*math.Sin(at/3)
		ch[0][i] = peak * swell * (0.5*math.Sin(220*at) + 0.4*math.Sin(331*at) + 0.02*rng.NormFloat64())
		ch[1][i] = peak * swell * 0.6 * (0.5*math.Sin(220*at+1) + 0.4*math.Sin(277*at) + 0.02*rng.NormFloat64())
	}
	return ch
}

// assetOf is an asset's file at an aim of -20 dBFS within 2 dB.
func (f *jobFolder) assetOf(format pipeline.FileFormat, source pipeline.Digest, frames int) (pipeline.Recipe, pipeline.ProfileRecord) {
	f.t.Helper()
	r := profileOf(source, frames, format.RateHz)
	r.Profile.Asset = true
	profile := record[pipeline.ProfileRecord](f.t, f.do(r)[0])
	level := pipeline.Level{Measure: pipeline.MeasureRMSPlain, Window: [2]float64{-22, -18}, Aim: -20}
	format.Channels = profile.Channels
	file := fileOf(format, pipeline.FilePart{Cut: profile.Cut, Chain: []pipeline.Resolved{}})
	file.File.Role, file.File.HeadS, file.File.TailS = pipeline.RoleAsset, 0, 0
	file.File.Level, file.File.TrimDB = level, pipeline.GainTo(level, profile.Levels)
	return file, profile
}

// TestAsset: an asset keeps its channels and its length to the frame, in every
// format and from every rate, and comes to the level.
func TestAsset(t *testing.T) {
	withMP3(t)
	for _, rate := range []int{44100, 48000} {
		for _, format := range []pipeline.FileFormat{flac24, flac16, wav24, mp3} {
			f := newJobFolder(t)
			ch := tune(rate, 8, 0.3)
			file, profile := f.assetOf(format, f.wav("tune.wav", rate, 24, ch...), len(ch[0]))
			if profile.Channels != 2 || profile.Cut.Fold != pipeline.FoldNone {
				t.Errorf("%+v", profile)
			}
			c := f.do(file)[0]
			rec := record[pipeline.FileRecord](t, c)
			if off := math.Abs(float64(rec.Levels.RMS) + 20); off > 0.1 || rec.Encodes != 1 {
				t.Errorf("%s from %d Hz: %v after %d encodes", format.Format, rate, rec.Levels.RMS, rec.Encodes)
			}
			if format.Format == pipeline.MP3 {
				continue // has no length to the frame of its own
			}
			out := f.samples(c)
			if want := dsp.FramesIn(8, 44100); len(out) != 2 || dsp.Frames(len(out[0])) != want {
				t.Fatalf("%s from %d Hz: %d channels of %d frames, want 2 of %d", format.Format, rate, len(out), len(out[0]), want)
			}
			if rate != 44100 {
				continue
			}
			// Nothing but gain: each channel is its source, to the rounding and dither.
			gain, step := math.Pow(10, float64(file.File.TrimDB)/20), math.Pow(2, float64(1-format.Bits))
			for k := range out {
				for i := range out[k] {
					if d := math.Abs(out[k][i] - gain*ch[k][i]); d > 2.5*step+1e-6 {
						t.Fatalf("%s %d bits, channel %d, frame %d: off by %g", format.Format, format.Bits, k, i, d)
					}
				}
			}
		}
	}
}

// TestAssetUnderTheCeiling: peaks over the ceiling are limited on both channels alike.
func TestAssetUnderTheCeiling(t *testing.T) {
	f := newJobFolder(t)
	ch := tune(44100, 6, 0.04)
	for i := 2 * 44100; i < 2*44100+400; i++ { // a stroke
		ch[0][i] += 0.9 * math.Sin(float64(i))
	}
	file, _ := f.assetOf(flac24, f.wav("tune.wav", 44100, 24, ch...), len(ch[0]))
	c := f.do(file)[0]
	rec := record[pipeline.FileRecord](t, c)
	if rec.Levels.TruePeak > -3 || rec.Limiter.MaxDB > -3 {
		t.Errorf("true peak %v, limiter %+v", rec.Levels.TruePeak, rec.Limiter)
	}
	m := meter.New(44100, 2)
	m.Write(f.samples(c)...)
	if got := m.Levels(); got.RMS != rec.Levels.RMS || got.Integrated != rec.Levels.Integrated {
		t.Errorf("the record says %v and %v, the file %v and %v", rec.Levels.RMS, rec.Levels.Integrated, got.RMS, got.Integrated)
	}
}

// TestMonoAsset: one channel becomes as many as the spec's files have, alike.
func TestMonoAsset(t *testing.T) {
	f := newJobFolder(t)
	x := tune(44100, 4, 0.3)[0]
	file, _ := f.assetOf(flac24, f.wav("tune.wav", 44100, 24, x), len(x))
	file.File.Format.Channels = 2
	out := f.samples(f.do(file)[0])
	if len(out) != 2 {
		t.Fatalf("%d channels", len(out))
	}
	same(t, "the second channel", out[1], out[0])
}

// TestAssetOfNothing: digital silence is no asset.
func TestAssetOfNothing(t *testing.T) {
	f := newJobFolder(t)
	r := profileOf(f.wav("tune.wav", 44100, 16, make([]float64, 44100), make([]float64, 44100)), 44100, 44100)
	r.Profile.Asset = true
	if c := f.do(r)[0]; c.Fault == "" {
		t.Errorf("%+v", c)
	}
}
