package dynamics_test

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	. "chapterhouse/dsp/dynamics"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

func deEsser(t testing.TB, s DeEsserSettings, rateHz float64) *DeEsser {
	t.Helper()
	return made[*DeEsser](t)(NewDeEsser(s, rateHz))
}

var usualEsses = DeEsserSettings{FromHz: 5800, ToHz: 9800, ThresholdOverSpeechDB: -10, MaxCutDB: 6, AttackMS: 1, ReleaseMS: 40}

func TestDeEsserConforms(t *testing.T) {
	for _, rate := range rates {
		for name, s := range map[string]DeEsserSettings{
			"usual": usualEsses,
			"wide":  {FromHz: 4000, ToHz: 15000, ThresholdOverSpeechDB: -20, MaxCutDB: 20, AttackMS: 0, ReleaseMS: 150},
		} {
			t.Run(fmt.Sprintf("%g %s", rate, name), func(t *testing.T) {
				make := func() dsp.Processor { return deEsser(t, s, rate) }
				dsptest.ExerciseExceptLatency(t, rate, make) // its phase turns around the band
				dsptest.Settle(t, rate, make, s.Settle(rate))
			})
		}
	}
}

// The same text whispered, spoken and shouted (6 dB per octave flatter), over
// 30 dB: the mean cut in esses differs by 2 dB at most, and outside them nothing
// is cut. A whisper's esses are louder than its vowels, which lack the voice.
func TestDeEsserTreatsWhisperAndShoutAlike(t *testing.T) {
	for _, rate := range rates {
		var got []float64
		for _, c := range []struct {
			name      string
			level     float64
			ess       float64
			slope     int
			whispered bool
		}{{"whispered", -45, -40, 6, true}, {"spoken", -30, -37, 12, false}, {"shouted", -15, -22, 6, false}} {
			v := newVoice(rate)
			v.pause(0.5)
			v.sentence(c.level, c.ess, c.slope, c.whispered)
			v.sentence(c.level, c.ess, c.slope, c.whispered)
			_, gains := process(deEsser(t, usualEsses, rate), v.signal(-85))
			within, elsewhere := v.cuts(gains)
			if elsewhere < -0.3 {
				t.Errorf("%g Hz, %s: %.2f dB outside esses", rate, c.name, elsewhere)
			}
			if within > -1.5 {
				t.Errorf("%g Hz, %s: only %.2f dB in esses that are 3 dB over the threshold", rate, c.name, within)
			}
			got = append(got, within)
		}
		t.Logf("%g Hz: mean gain in esses %.2f dB", rate, got)
		for _, g := range got {
			if math.Abs(g-got[0]) > 2 {
				t.Errorf("%g Hz: mean gains %.2f dB differ by more than 2 dB", rate, got)
			}
		}
	}
}

// A voice that changes from whisper to shout and back within a sentence is not
// cut between its esses.
func TestDeEsserFollowsJumps(t *testing.T) {
	v := newVoice(44100)
	v.pause(0.5)
	for range 2 {
		v.sentence(-45, -40, 6, true)
		v.sentence(-15, -22, 6, false)
	}
	_, gains := process(deEsser(t, usualEsses, 44100), v.signal(-85))
	if within, elsewhere := v.cuts(gains); elsewhere < -0.3 || within > -1.5 {
		t.Errorf("%.2f dB in esses, %.2f dB outside", within, elsewhere)
	}
}

// Esses below the threshold are left alone, although nothing else sounds while
// they last.
func TestDeEsserLeavesSoftEssesAlone(t *testing.T) {
	v := newVoice(44100)
	v.sentence(-25, -43, 12, false)
	v.sentence(-25, -43, 12, false)
	_, gains := process(deEsser(t, usualEsses, 44100), v.signal(-75))
	if within, elsewhere := v.cuts(gains); within < -0.1 || elsewhere < -0.1 {
		t.Errorf("%.2f dB in soft esses, %.2f dB elsewhere", within, elsewhere)
	}
}

// What the level was is kept through pauses and breaths, and forgotten 2 s
// after the last voice.
func TestDeEsserKeepsTheLevelThroughPauses(t *testing.T) {
	const rate = 44100
	after := func(wait func(v *voice)) float64 {
		v := newVoice(rate)
		v.sentence(-25, -32, 12, false)
		v.esses = nil
		wait(v)
		v.ess(-32)
		v.pause(0.1)
		_, gains := process(deEsser(t, usualEsses, rate), v.signal(-70))
		within, _ := v.cuts(gains)
		return within
	}
	at := after(func(v *voice) { v.pause(0.02) })
	if at > -1.5 {
		t.Fatalf("right after speech the ess is cut by %.2f dB only", at)
	}
	for name, c := range map[string]struct {
		wait   func(v *voice)
		want   float64
		within float64
	}{
		"a pause of 0.9 s":  {func(v *voice) { v.pause(0.9) }, at, 0.3},
		"a pause of 1.8 s":  {func(v *voice) { v.pause(1.8) }, at, 0.3},
		"other esses":       {func(v *voice) { v.ess(-30); v.ess(-30); v.esses = nil; v.pause(0.3) }, at, 0.3},
		"a breath of 0.4 s": {func(v *voice) { v.pause(0.2); v.add(v.noise(0.4), -50); v.pause(0.2) }, at, 0.3},
		"a pause of 3 s":    {func(v *voice) { v.pause(3) }, 0, 0.01},
	} {
		if got := after(c.wait); math.Abs(got-c.want) > c.within {
			t.Errorf("after %s the ess is cut by %.2f dB, want %.2f ±%.2f", name, got, c.want, c.within)
		}
	}
}

// What is not speech is not cut: hiss, hum, an ess before any word.
func TestDeEsserNeedsSpeech(t *testing.T) {
	const rate, n = 44100, 200 * dsp.Quantum
	hum := sine(100, -20, rate, n)
	for i, v := range sine(7500, -20, rate, n) {
		hum[i] += v
	}
	for name, x := range map[string][]float64{
		"silence":     make([]float64, n),
		"white noise": dsptest.Noise(1, n),
		"two tones":   hum,
		"one tone":    sine(7500, -6, rate, n),
	} {
		_, gains := process(deEsser(t, usualEsses, rate), x)
		for i, g := range gains {
			if g != 0 {
				t.Errorf("%s: gain %.3f dB in step %d", name, g, i)
				break
			}
		}
	}
}

// 20 dB louder or softer, the gains are the same within 0.1 dB.
func TestDeEsserIsRelative(t *testing.T) {
	const rate = 44100
	s := usualEsses
	s.ThresholdOverSpeechDB = -20
	x := dsptest.Speechlike(4, 300*dsp.Quantum, rate)
	_, want := process(deEsser(t, s, rate), x)
	deepest := 0.0
	for _, factor := range []float64{10, 0.1} {
		scaled := append([]float64(nil), x...)
		for i := range scaled {
			scaled[i] *= factor
		}
		_, got := process(deEsser(t, s, rate), scaled)
		worst := 0.0
		for i := range got {
			worst = math.Max(worst, math.Abs(got[i]-want[i]))
			deepest = math.Min(deepest, want[i])
		}
		if worst >= 0.1 {
			t.Errorf("scaled by %g, a gain differs by %.3f dB", factor, worst)
		}
	}
	if deepest > -5 {
		t.Errorf("the signal was cut by %.2f dB at most: it proves nothing", deepest)
	}
}

// Below 1 kHz, where a voice has its weight, the delay is the latency within
// a sample; it grows towards the band.
func TestDeEsserLatency(t *testing.T) {
	for _, rate := range rates {
		for _, s := range []DeEsserSettings{usualEsses, {FromHz: 4000, ToHz: 15000, ReleaseMS: 40}} {
			d := deEsser(t, s, rate)
			y := make([]float64, 8*dsp.Quantum)
			y[0] = 1
			y, _ = process(d, y)
			for _, hz := range []float64{100, 500, 1000} {
				// Group delay: the real part of the transform of n·h over that of h.
				var re, im, nre, nim float64
				for n, h := range y {
					c, s := math.Cos(2*math.Pi*hz*float64(n)/rate), math.Sin(2*math.Pi*hz*float64(n)/rate)
					re, im = re+h*c, im-h*s
					nre, nim = nre+float64(n)*h*c, nim-float64(n)*h*s
				}
				delay := (nre*re + nim*im) / (re*re + im*im)
				if math.Abs(delay-float64(d.Latency())) > 1 {
					t.Errorf("%g Hz rate, %g to %g Hz: %.3f samples late at %g Hz, Latency says %d", rate, s.FromHz, s.ToHz, delay, hz, d.Latency())
				}
			}
		}
	}
}

// At rest the output has the level of the input at every frequency, within
// 0.01 dB; while the band is cut as far as it goes, its centre is down by
// MaxCutDB and everything an octave outside stays within 0.1 dB.
func TestDeEsserBand(t *testing.T) {
	for _, rate := range rates {
		for _, s := range []DeEsserSettings{
			usualEsses,
			{FromHz: 4500, ToHz: 8000, ThresholdOverSpeechDB: -30, MaxCutDB: 12, AttackMS: 1, ReleaseMS: 40},
			{FromHz: 7000, ToHz: 9000, ThresholdOverSpeechDB: -20, MaxCutDB: 24, AttackMS: 1, ReleaseMS: 40},
		} {
			tan := func(hz float64) float64 { return math.Tan(math.Pi * hz / rate) }
			centre := rate / math.Pi * math.Atan(math.Sqrt(tan(s.FromHz)*tan(s.ToHz)))
			v := newVoice(rate)
			v.sentence(-25, -60, 12, false)
			atRest := func(hz float64) float64 {
				x := sine(hz, -20, rate, 16*dsp.Quantum)
				y, _ := process(deEsser(t, s, rate), x)
				return amplitudeDB(y[8*dsp.Quantum:], hz, rate) - amplitudeDB(x[8*dsp.Quantum:], hz, rate)
			}
			cut := func(hz float64) float64 {
				tail := sine(centre, -6, rate, int(rate*0.4))
				if hz != centre {
					for i, p := range sine(hz, -60, rate, len(tail)) {
						tail[i] += p
					}
				}
				x := append(append([]float64(nil), v.x...), tail...)
				y, _ := process(deEsser(t, s, rate), x)
				from, to := len(x)-int(rate*0.3), len(x)
				return amplitudeDB(y[from:to], hz, rate) - amplitudeDB(x[from:to], hz, rate)
			}
			for _, hz := range []float64{20, 100, 1000, s.FromHz / 2, s.FromHz, centre, s.ToHz, 19000} {
				if db := atRest(hz); math.Abs(db) > 0.01 {
					t.Errorf("%g Hz rate, %g to %g Hz: %.4f dB at %g Hz at rest", rate, s.FromHz, s.ToHz, db, hz)
				}
			}
			for _, hz := range []float64{100, 1000, s.FromHz / 2, 2 * s.ToHz} {
				if db := cut(hz); hz < 0.45*rate && math.Abs(db) > 0.1 {
					t.Errorf("%g Hz rate, %g to %g Hz: %.3f dB at %g Hz, outside the band", rate, s.FromHz, s.ToHz, db, hz)
				}
			}
			if db := cut(centre); math.Abs(db+s.MaxCutDB) > 0.05 {
				t.Errorf("%g Hz rate, %g to %g Hz: %.3f dB at the centre, want %g", rate, s.FromHz, s.ToHz, db, -s.MaxCutDB)
			}
			t.Logf("%g Hz rate, %g to %g Hz: %.2f and %.2f dB at the edges", rate, s.FromHz, s.ToHz, cut(s.FromHz), cut(s.ToHz))
		}
	}
}

// The trace against the definition, written out: windows summed afresh, every
// voiced moment weighed by its age.
func TestDeEsserAgainstDefinition(t *testing.T) {
	const rate = 44100
	s := DeEsserSettings{FromHz: 5000, ToHz: 10000, ThresholdOverSpeechDB: -20, MaxCutDB: 10, AttackMS: 2, ReleaseMS: 50}
	x := dsptest.Speechlike(9, 80*dsp.Quantum, rate)
	_, got := process(deEsser(t, s, rate), x)

	filtered := func(sections ...[]kernel.Biquad) []float64 {
		y := append([]float64(nil), x...)
		for _, c := range sections {
			kernel.NewCascade(c).Process(y)
		}
		return y
	}
	high, _ := filter.Highpass(s.FromHz, 24, rate)
	low, _ := filter.Lowpass(s.ToHz, 24, rate)
	under, _ := filter.Lowpass(s.FromHz/math.Sqrt2, 24, rate)
	power := func(x []float64, ms float64) []float64 { // mean square, once a control step of 8
		window := int(math.Ceil(ms*rate/8000)) * 8
		var p []float64
		for end := 8; end <= len(x); end += 8 {
			sum := 0.0
			for _, v := range x[max(0, end-window):end] {
				sum += v * v
			}
			p = append(p, sum/float64(window))
		}
		return p
	}
	band, below, brief := power(filtered(high, high, low, low), 5), power(filtered(under), 20), power(filtered(under), 5)
	essHigh, _ := filter.Highpass(5500, 24, rate)
	essLow, _ := filter.Lowpass(10000, 24, rate)
	shHigh, _ := filter.Highpass(2500, 24, rate)
	shLow, _ := filter.Lowpass(4500, 24, rate)
	ess, sh := power(filtered(essHigh, essLow), 5), power(filtered(shHigh, shLow), 5)
	underVoice, _ := filter.Lowpass(500, 24, rate)
	low20, high20 := power(filtered(underVoice), 20), power(filtered(shHigh, shLow), 20)
	db := func(p float64) float64 { return 10 * math.Log10(math.Max(p, 1e-24)) }
	memory, window20 := int(math.Ceil(2*rate/8.)), int(math.Ceil(0.020*rate/8))
	voiced := make([]bool, len(below))
	weight := make([]float64, len(below)) // by age
	for i := range weight {
		weight[i] = math.Exp(-float64(i) * 8 / (0.3 * rate))
	}
	lastKnown := -memory
	gain, worst, deepest := 0.0, 0.0, 0.0
	for i := range below {
		loudest, softest := below[i], below[i]
		for _, p := range below[max(0, i-memory+1) : i+1] {
			loudest, softest = math.Max(loudest, p), math.Min(softest, p)
		}
		voiced[i] = db(below[i]) > db(loudest)-20 && db(below[i]) > db(softest)+10 && below[i] > 4*slices.Max(band[max(0, i-window20+1):i+1]) && below[i] > high20[i]
		var lows, highs, total float64
		for k := range i + 1 {
			if voiced[k] {
				w := weight[i-k]
				lows += w * db(low20[k])
				highs += w * db(high20[k])
				total += w
			}
		}
		if total*(1-weight[1]) >= 0.15 {
			lastKnown = i
		}
		want := 0.0
		if i-lastKnown < memory {
			low, high := lows/total, highs/total
			vowel := low + math.Max(0, math.Min(1, 0.5-(low-high-2)/6))*(high+18-low)
			over := db(band[i]) - math.Max(db(brief[i]), vowel) - s.ThresholdOverSpeechDB
			switch {
			case over > 3:
				want = -over
			case over > -3:
				want = -(over + 3) * (over + 3) / 12
			}
			want = math.Max(want, -s.MaxCutDB)
			want *= math.Max(0, math.Min(1, 0.5+(db(ess[i])-db(sh[i]))/6))
		}
		tau := 0.050
		if want < gain {
			tau = 0.002
		}
		gain = want + (gain-want)*math.Exp(-8/(tau*rate))
		worst, deepest = math.Max(worst, math.Abs(gain-got[i])), math.Min(deepest, gain)
	}
	t.Logf("worst difference %.2g dB, deepest gain %.2f dB", worst, deepest)
	if worst > 1e-4 || deepest > -9 {
		t.Errorf("the trace differs by up to %.3g dB from the definition (deepest gain %.2f dB)", worst, deepest)
	}
}

func TestDeEsserGolden(t *testing.T) {
	s := DeEsserSettings{FromHz: 5000, ToHz: 10000, ThresholdOverSpeechDB: -20, MaxCutDB: 10, AttackMS: 2, ReleaseMS: 50}
	golden(t, "de-esser", deEsser(t, s, 44100), 44100, "e623f1687ad736e24c904bb204113eb4")
	golden(t, "de-esser", deEsser(t, s, 96000), 96000, "27c395e8a2f655b3c365308565b9854c")
}

func TestDeEsserRefuses(t *testing.T) {
	for _, c := range []struct {
		change func(*DeEsserSettings)
		rate   float64
		says   []string
	}{
		{func(s *DeEsserSettings) { s.FromHz = 500 }, 44100, []string{"from_hz", "500", "2000 to"}},
		{func(s *DeEsserSettings) { s.ToHz = 21000 }, 44100, []string{"to_hz", "21000", "7250 to 19845"}},
		{func(s *DeEsserSettings) { s.ToHz = 6000 }, 44100, []string{"to_hz", "6000", "7250 to 19845"}},
		{func(s *DeEsserSettings) { s.ThresholdOverSpeechDB = -41 }, 44100, []string{"threshold_over_speech_db", "-41", "-40 to 20"}},
		{func(s *DeEsserSettings) { s.MaxCutDB = math.Inf(1) }, 44100, []string{"max_cut_db", "+Inf", "0 to 24"}},
		{func(s *DeEsserSettings) { s.AttackMS = -1 }, 44100, []string{"attack_ms", "-1", "0 to 50"}},
		{func(s *DeEsserSettings) { s.ReleaseMS = 0 }, 44100, []string{"release_ms", "0", "1 to 150"}},
		{func(s *DeEsserSettings) {}, math.NaN(), []string{"rate_hz", "NaN"}},
	} {
		s := usualEsses
		c.change(&s)
		_, err := NewDeEsser(s, c.rate)
		refuses(t, err, c.says...)
	}
}

func BenchmarkDeEsser(b *testing.B) { benchmark(b, deEsser(b, usualEsses, 44100)) }
