package chain

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/pipeline"
)

// A dynamic band's threshold counts from the session's speech level: a session
// that is 6 dB louder comes out 6 dB louder and otherwise the same; one without
// speech keeps its bits, and Idle says so.
func TestDynamicBandCountsFromSpeech(t *testing.T) {
	const rate = 44100
	r := resolve(t, "eq", `[{"shape": "bell", "centre_hz": 1000, "gain_db": -8, "q": 1, "dynamic": {"threshold_over_speech_db": -15}}]`)
	x := dsptest.Speechlike(8, 100*dsp.Quantum, rate)
	loud := make([]float64, len(x))
	for i, v := range x {
		loud[i] = 2 * v
	}
	f := Facts{Facts: pipeline.Facts{SpeechDBFS: dsp.DBFS(levelDB(x))}}
	g := Facts{Facts: pipeline.Facts{SpeechDBFS: f.SpeechDBFS + dsp.DBFS(20*math.Log10(2))}}
	a, b := through(processor(t, r, rate, f), x), through(processor(t, r, rate, g), loud)
	if levelDB(a) > levelDB(x)-0.3 {
		t.Fatal("nothing was cut")
	}
	for i := range a {
		if d := math.Abs(2*a[i] - b[i]); d > 1e-6 {
			t.Fatalf("sample %d: %g and %g", i, 2*a[i], b[i])
		}
	}
	silent := pipeline.Facts{SpeechDBFS: dsp.DBFS(dsp.Silence)}
	y := through(processor(t, r, rate, Facts{Facts: silent}), x)
	for i := range x {
		if y[i] != x[i] {
			t.Fatalf("without speech: sample %d is %g, want %g", i, y[i], x[i])
		}
	}
	if lines := Idle([]pipeline.Resolved{r}, silent); len(lines) != 1 || !strings.HasPrefix(lines[0], "stage 1 (eq) leaves its dynamic bands out") {
		t.Errorf("said %q", lines)
	}
}

// A lift of what is soft leaves room tone alone.
func TestDynamicLiftSparesRoomTone(t *testing.T) {
	const rate = 44100
	r := resolve(t, "eq", `[{"shape": "low-shelf", "corner_hz": 300, "gain_db": 9, "dynamic": {"threshold_over_speech_db": -5, "when": "under"}}]`)
	f := facts()
	for i := range f.RoomTone {
		f.RoomTone[i] = -70
	}
	tone := make([]float64, 100*dsp.Quantum) // as loud as the room tone in the band
	word := make([]float64, len(tone))
	for i := range tone {
		tone[i] = math.Sqrt2 * math.Pow(10, -57./20) * math.Sin(2*math.Pi*100/rate*float64(i))
		word[i] = 10 * tone[i]
	}
	half := len(tone) / 2
	if lift := levelDB(through(processor(t, r, rate, f), tone)[half:]) - levelDB(tone[half:]); math.Abs(lift) > 0.01 {
		t.Errorf("room tone is lifted by %.2f dB", lift)
	}
	if lift := levelDB(through(processor(t, r, rate, f), word)[half:]) - levelDB(word[half:]); lift < 8 {
		t.Errorf("a soft word is lifted by %.2f dB, want about 9", lift)
	}
}

// Without speech a compressor with look-ahead is as late as with it.
func TestIdleCompressorIsAsLate(t *testing.T) {
	r := resolve(t, "compressor", `{"threshold_over_speech_db": 2, "ratio": 3, "attack_ms": 5, "release_ms": 100, "look_ahead_ms": 6, "above_hz": 3000}`)
	idle := processor(t, r, 44100, Facts{Facts: pipeline.Facts{SpeechDBFS: dsp.DBFS(dsp.Silence)}})
	if got, want := idle.Latency(), processor(t, r, 44100, facts()).Latency(); got != want || got == 0 {
		t.Fatalf("latency %d, want %d", got, want)
	}
	x := dsptest.Speechlike(7, 20*dsp.Quantum, 44100)
	y := through(idle, x)
	for i := idle.Latency(); i < len(x); i++ {
		if y[i] != x[i-idle.Latency()] {
			t.Fatalf("sample %d differs", i)
		}
	}
}

// What can't be is a fault with its key; what is left out is not in the text.
func TestDynamicsFaults(t *testing.T) {
	for _, c := range []struct{ stage, params, path, says string }{
		{"eq", `[{"shape": "bell", "centre_hz": 900, "gain_db": 13, "dynamic": {"threshold_over_speech_db": -20}}]`, "[0].gain_db", "give 12 or less"},
		{"eq", `[{"shape": "notch", "centre_hz": 900, "dynamic": {"threshold_over_speech_db": -20}}]`, "[0].dynamic", "not a known key"},
		{"eq", `[{"shape": "bell", "centre_hz": 900, "gain_db": -3, "dynamic": {"when": "over"}}]`, "[0].dynamic.threshold_over_speech_db", "is missing"},
		{"compressor", `{"threshold_over_speech_db": 2, "ratio": 3, "attack_ms": 5, "release_ms": 300, "timing": "program"}`, "release_ms", "250 or less"},
		{"compressor", `{"threshold_over_speech_db": 2, "ratio": 3, "attack_ms": 300, "release_ms": 100, "timing": "program"}`, "attack_ms", "250 or less"},
		{"compressor", `{"threshold_over_speech_db": 2, "ratio": 3, "attack_ms": 5, "release_ms": 100, "above_hz": 1000, "below_hz": 1500}`, "below_hz", "2000 or more"},
	} {
		for _, s := range Builtin() {
			if s.Name != c.stage {
				continue
			}
			_, faults := s.Resolve(json.RawMessage(c.params))
			if len(faults) != 1 || faults[0].Path != c.path || !strings.Contains(faults[0].Text, c.says) {
				t.Errorf("%s %s: %v, want %s at %s", c.stage, c.params, faults, c.says, c.path)
			}
		}
	}
	plain := resolve(t, "compressor", `{"threshold_over_speech_db": 2, "ratio": 3, "attack_ms": 5, "release_ms": 100}`)
	if text := string(plain.Params); strings.Contains(text, "timing") || strings.Contains(text, "_hz") || strings.Contains(text, "range") {
		t.Errorf("keys that were not given stand in %s", text)
	}
}
