package meter

import (
	"math"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
)

// bursts are noise of 100 to 300 ms with pauses of 300 to 600 ms, each dying away
// by 60 dB in so many seconds: from the burst's own level, or from so many dB under it.
func bursts(rateHz, seconds int, decayS, underDB, gain float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 3))
	x := make([]float64, seconds*rateHz)
	left, sounding, level := 0, false, 0.0
	fall := math.Pow(10, -3/(decayS*float64(rateHz)))
	for i := range x {
		if left--; left < 0 {
			sounding = !sounding
			if left = int(float64(rateHz) * (0.1 + 0.2*rng.Float64())); !sounding {
				left *= 2
				left += rateHz / 10
			}
		}
		if level *= fall; sounding {
			level = 1
		}
		v := level
		if !sounding {
			v *= math.Pow(10, -underDB/20)
		}
		x[i] = gain * (v*rng.NormFloat64() + 1e-3*rng.NormFloat64())
	}
	return x
}

// flatTone is white noise of a plain RMS, in sixth octaves.
func flatTone(rateHz int, rms float64) (tone []dsp.DBFS) {
	for _, b := range spectrum.SixthOctaves() {
		tone = append(tone, dsp.DBFS(20*math.Log10(rms)+10*math.Log10((b.Upper-b.Lower)*2/float64(rateHz))))
	}
	return tone
}

func reverbOf(x []float64, rateHz int, gain float64) Reverberation {
	r := NewReverb(rateHz, sizeAt(rateHz), flatTone(rateHz, 1e-3*gain))
	spectraOf(x, rateHz, r.Write)
	return r.Result()
}

func TestReverbOfNoiseThatDies(t *testing.T) {
	for _, c := range []struct {
		rateHz          int
		decayS, underDB float64
		gain            float64
		want, off       float64
		class           string
	}{
		{44100, 0.1, 0, 0.1, 0, 0, "dry"},
		{44100, 0.3, 0, 0.1, 0.3, 0.1, "live"},
		{44100, 0.45, 0, 0.1, 0.45, 0.1, "live"},
		{44100, 0.6, 0, 0.1, 0.6, 0.1, "live"},
		{44100, 0.45, 0, 0.01, 0.45, 0.1, "live"}, // 20 dB softer
		{48000, 0.45, 0, 0.1, 0.45, 0.1, "live"},
		{22050, 0.45, 0, 0.1, 0.45, 0.1, "live"},
		{44100, 0.45, 15, 0.1, 0.45, 0.1, "some room"},
	} {
		got := reverbOf(bursts(c.rateHz, 40, c.decayS, c.underDB, c.gain, 1), c.rateHz, c.gain)
		if math.Abs(got.Seconds-c.want) > c.off || got.Class() != c.class {
			t.Errorf("%+v: %+v, %s", c, got, got.Class())
		}
	}
}

// DirectDB orders rooms, hardly depends on what is said in them, and not at all on the level.
func TestReverbDirect(t *testing.T) {
	last := 99.0
	for _, decayS := range []float64{0.15, 0.25, 0.35, 0.5} {
		a, b := reverbOf(bursts(44100, 40, decayS, 0, 0.1, 1), 44100, 0.1), reverbOf(bursts(44100, 40, decayS, 0, 0.1, 2), 44100, 0.1)
		if d := math.Abs(float64(a.DirectDB - b.DirectDB)); d > 1 {
			t.Errorf("%v s: two readings are %.2f dB apart", decayS, d)
		}
		soft := bursts(44100, 40, decayS, 0, 0.01, 1)
		if c := reverbOf(soft, 44100, 0.01); math.Abs(float64(c.DirectDB-a.DirectDB)) > 0.02 || math.Abs(c.Seconds-a.Seconds) > 0.01 {
			t.Errorf("%v s: %+v, 20 dB softer %+v", decayS, a, c)
		}
		if v := float64(a.DirectDB); v > last-1 {
			t.Errorf("%v s: %.2f dB, the shorter room %.2f", decayS, v, last)
		} else {
			last = v
		}
	}
}

func TestReverbOfTooLittleIsNone(t *testing.T) {
	x := bursts(44100, 40, 0.3, 0, 0.1, 1)
	none := NewReverb(44100, sizeAt(44100), nil)
	spectraOf(x, 44100, none.Write)
	for name, got := range map[string]Reverberation{"no room tone": none.Result(), "half a second": reverbOf(x[:22050], 44100, 0.1), "silence": reverbOf(make([]float64, 441000), 44100, 0)} {
		if got != (Reverberation{}) || got.Class() != "" {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
