package dynamics_test

import (
	"math"
	"testing"

	"chapterhouse/dsp"
	. "chapterhouse/dsp/dynamics"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// A sh is left alone, in a band in which it is the loudest sound of all; an ess
// of that level there is not.
func TestDeEsserSparesSh(t *testing.T) {
	const rate = 44100
	within := func(fromHz, toHz float64) float64 {
		v := newVoice(rate)
		v.sentence(-25, -60, 12, false)
		v.esses = nil
		for range 4 {
			v.vowel(-25, 12, false)
			high, _ := filter.Highpass(fromHz, 24, rate)
			low, _ := filter.Lowpass(toHz, 24, rate)
			x := v.noise(0.11)
			kernel.NewCascade(append(high, low...)).Process(x)
			v.esses = append(v.esses, [2]int{len(v.x), len(v.x) + len(x)})
			v.add(x, -22)
		}
		s := DeEsserSettings{FromHz: 3000, ToHz: 9000, ThresholdOverSpeechDB: -10, MaxCutDB: 8, AttackMS: 1, ReleaseMS: 40}
		_, gains := process(deEsser(t, s, rate), v.signal(-85))
		in, _ := v.cuts(gains)
		return in
	}
	if sh, ess := within(2500, 5000), within(6000, 9000); sh < -0.3 || ess > -6 {
		t.Errorf("a sh is cut by %.2f dB, an ess by %.2f", sh, ess)
	}
}

// Wide, the whole voice goes down by the same trace, and at rest stays.
func TestDeEsserWide(t *testing.T) {
	const rate = 44100
	wide := usualEsses
	wide.Wide = true
	v := newVoice(rate)
	v.sentence(-25, -28, 12, false)
	x := v.signal(-85)
	split, want := process(deEsser(t, usualEsses, rate), append([]float64(nil), x...))
	y, got := process(deEsser(t, wide, rate), append([]float64(nil), x...))
	for i := range want {
		if want[i] != got[i] {
			t.Fatalf("step %d: gain %.3f dB wide and %.3f split", i, got[i], want[i])
		}
	}
	for i := range got[1:] {
		for k := 8 * (i + 1); k < 8*(i+2); k++ {
			if got[i] == 0 && got[i+1] == 0 && y[k] != split[k] {
				t.Fatalf("sample %d differs at rest", k)
			}
		}
	}
	if within, elsewhere := v.cuts(got); within > -3 || elsewhere < -0.3 {
		t.Errorf("%.2f dB in esses, %.2f elsewhere", within, elsewhere)
	}
}

// Two in one chain, over bands that overlap and that don't, and over thresholds:
// together they cut no more than the larger range and 1 dB, and the second
// works 30 % of the first at most. Where the first doesn't work, the second does.
func TestDeEssersShareAnEss(t *testing.T) {
	const rate = 44100
	settings := func(from, to, threshold, cut float64) DeEsserSettings {
		return DeEsserSettings{FromHz: from, ToHz: to, ThresholdOverSpeechDB: threshold, MaxCutDB: cut, AttackMS: 1, ReleaseMS: 40}
	}
	for name, c := range map[string]struct {
		first, second DeEsserSettings
		alone         bool // the first doesn't work
	}{
		"the same":              {first: settings(5800, 9800, -12, 6), second: settings(5800, 9800, -12, 6)},
		"overlapping":           {first: settings(5000, 8000, -14, 4), second: settings(6500, 10000, -14, 8)},
		"apart":                 {first: settings(5800, 7300, -16, 6), second: settings(7500, 9800, -16, 6)},
		"the second is lower":   {first: settings(5800, 9800, -10, 5), second: settings(5800, 9800, -20, 8)},
		"the second is higher":  {first: settings(5800, 9800, -18, 4), second: settings(5800, 9800, -12, 10)},
		"apart, lower":          {first: settings(5800, 7300, -14, 6), second: settings(7500, 9800, -22, 9)},
		"wide after split":      {first: settings(5800, 9800, -12, 6), second: DeEsserSettings{FromHz: 5800, ToHz: 9800, ThresholdOverSpeechDB: -12, MaxCutDB: 6, AttackMS: 1, ReleaseMS: 40, Wide: true}},
		"the first has nothing": {first: settings(5800, 9800, -12, 0), second: settings(5800, 9800, -12, 6), alone: true},
		"out of its reach":      {first: settings(2500, 3200, 10, 6), second: settings(5800, 9800, -12, 6), alone: true},
	} {
		v := newVoice(rate)
		for _, ess := range []float64{-30, -34, -26} {
			v.sentence(-25, ess, 12, false)
		}
		first, second := deEsser(t, c.first, rate), deEsser(t, c.second, rate)
		second.Follow(first, 0)
		var one, two []float64
		e := dsp.NewEngine(0, first, second)
		e.OnQuantum(func(_ dsp.Frames, stage int, gainsDB []float64) {
			if stage == 0 {
				one = append(one, gainsDB...)
			} else {
				two = append(two, gainsDB...)
			}
		})
		e.Write(v.signal(-85), func([]float64) {})
		e.Close(func([]float64) {})
		most := 0.0
		for i := range one {
			most = math.Min(most, one[i]+two[i])
		}
		a, _ := v.cuts(one)
		b, _ := v.cuts(two)
		t.Logf("%s: %.2f and %.2f dB in esses, %.2f dB together at most", name, a, b, most)
		if largest := math.Max(c.first.MaxCutDB, c.second.MaxCutDB); most < -largest-1 {
			t.Errorf("%s: %.2f dB together, the larger range is %g", name, most, largest)
		}
		if c.alone {
			if b > -1.5 {
				t.Errorf("%s: only %.2f dB", name, b)
			}
		} else if a > -1 || b < 0.3*a-1e-9 {
			t.Errorf("%s: the second cuts %.2f dB in esses, the first %.2f", name, b, a)
		}
	}
}
