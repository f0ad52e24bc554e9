package narration

import (
	"math"
	"testing"
)

// TestStemsAreTheRecording: the parts, made side by side, sum to the recording
// frame by frame, and each is silent where the labels have nothing of it.
func TestStemsAreTheRecording(t *testing.T) {
	r := Reading{Voice: "heron", Text: "She sold six lanterns. The paper boat slipped past the pier. It was seven.", Seed: 5, RateHz: 44100, Spread: 1,
		Booth: "1.4x1.2x2.2", Noise: "brown:-60,hum:-65@50", SpeechDBFS: -24,
		Manner: Manner{HeadS: 0.5, TailS: 0.5, PauseS: 0.9, PauseMinS: 0.8, BreathPct: 100, ClicksMin: 60,
			Microphone: Microphone{PlosivesPct: 100, TicksMin: 60, TickDB: 6}}}
	whole, labels := record(t, r)
	s, same, err := r.Stems()
	if err != nil {
		t.Fatal(err)
	}
	if len(same.Marks) != len(labels.Marks) {
		t.Fatalf("%d labels beside %d", len(same.Marks), len(labels.Marks))
	}
	for name, x := range map[string][]float64{"voice": s.Voice, "breaths": s.Breaths, "clicks": s.Clicks, "noise": s.Noise, "plosives": s.Plosives, "ticks": s.Ticks} {
		if len(x) != len(whole) {
			t.Fatalf("%s has %d frames of %d", name, len(x), len(whole))
		}
	}
	worst := 0.0
	for i, v := range whole {
		worst = max(worst, math.Abs(v-(s.Voice[i]+s.Breaths[i]+s.Clicks[i]+s.Noise[i]+s.Plosives[i]+s.Ticks[i])))
	}
	if worst > 1e-12 {
		t.Errorf("the stems' sum is up to %g from the recording", worst)
	}
	breaths, clicks, plosives, ticks := 0, 0, 0, 0
	for _, m := range labels.Marks {
		switch m.Kind {
		case "breath":
			breaths++
			if in, out := rms(s.Breaths[m.From:m.To]), rms(s.Clicks[m.From:m.To]); in < -80 || out > in-40 {
				t.Errorf("a breath stands at %.0f dBFS among breaths, at %.0f among clicks", in, out)
			}
		case "click":
			clicks++
			if in, out := rms(s.Clicks[m.From:m.To]), rms(s.Breaths[m.From:m.To]); in < -80 || out > in-40 {
				t.Errorf("a click stands at %.0f dBFS among clicks, at %.0f among breaths", in, out)
			}
		case "plosive":
			plosives++
			x := s.Plosives[m.From:m.To]
			if l := rms(x); math.Abs(l-(-24)) > 0.1 {
				t.Errorf("a plosive stands at %.1f dBFS, plain speech at -24", l)
			}
			if high := rms(differences(x)); high > -45 {
				t.Errorf("a plosive's differences stand at %.1f dBFS: it is not low", high)
			}
			if ms := float64(m.To-m.From) / 44.1; ms < 9.9 || ms > 60 {
				t.Errorf("a plosive lasts %.1f ms", ms)
			}
		case "tick":
			ticks++
			if d := 20 * math.Log10(math.Abs(s.Ticks[m.From]-s.Ticks[m.From-1])); d < -38.1 || d > -17.9 {
				t.Errorf("a tick is %.1f dBFS high, want -38 to -18", d)
			}
		case "sentence":
			if in, out := rms(s.Voice[m.From:m.To]), rms(s.Breaths[m.From:m.To]); in < -40 || out > in-40 {
				t.Errorf("a sentence stands at %.0f dBFS in the voice, at %.0f among breaths", in, out)
			}
		}
	}
	if breaths < 2 || clicks < 2 {
		t.Errorf("%d breaths and %d clicks to look at", breaths, clicks)
	}
	if plosives < 4 || ticks < 5 {
		t.Errorf("%d plosives and %d ticks to look at", plosives, ticks)
	}
	if n := s.Noise[:len(s.Noise)/2]; math.Abs(rms(n)-(-58.8)) > 1.5 {
		t.Errorf("noise of -60 and -65 dBFS stands at %.1f", rms(n))
	}
}

func differences(x []float64) []float64 {
	d := make([]float64, len(x))
	for i := 1; i < len(x); i++ {
		d[i] = x[i] - x[i-1]
	}
	return d
}
