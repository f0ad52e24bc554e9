package clinic

import (
	"math"
	"slices"
	"testing"

	"chapterhouse/dsp/room"
	"chapterhouse/pipeline"
	"chapterhouse/testdata/voices/narration"
)

// inBooth is a reading with room tone after it, heard with a form that gives the
// booth's sides.
func inBooth(t *testing.T, booth, noise string, stopS, tailS float64) *Read {
	t.Helper()
	r := narration.Reading{Voice: "alder", Seed: 3, RateHz: 44100, Booth: booth, Noise: noise, SpeechDBFS: -24, Spread: 1,
		Manner: narration.Manner{HeadS: 1, TailS: tailS, PauseS: 0.8, PauseMinS: 0.4, StopAtS: stopS}}
	var x []float64
	if _, err := r.Record(func(block []float64) error { x = append(x, block...); return nil }); err != nil {
		t.Fatal(err)
	}
	return Hear(x, r.RateHz, measured(1.46, 1.63, 1.14))
}

// measured is the form of a booth with bare walls.
func measured(width, depth, height float64) Form {
	return Form{TemperatureC: 20, As: pipeline.Setup{Booth: pipeline.Booth{WidthM: width, DepthM: depth, HeightM: height}}}
}

// TestResonances: the booth's depth makes 105 and 210 Hz. Without walls, with the
// same noises, nothing rings.
func TestResonances(t *testing.T) {
	const noise = "brown:-62,fan:-70@118,hiss:-80"
	found := inBooth(t, "1.46x1.63x1.14,low=0.15,high=0.7", noise, 24, 13).signsNamed("resonance")
	for _, hz := range []float64{105.3, 210.5} {
		if !slices.ContainsFunc(found, func(s Sign) bool {
			return math.Abs((s.LowHz+s.HighHz)/2/hz-1) < 0.03 && len(s.Sides) > 0 && s.Sides[0] == "depth" && len(s.Evidence) >= 2
		}) {
			t.Errorf("%.1f Hz, of the depth, is not found in %+v", hz, found)
		}
	}
	if found := inBooth(t, "none", noise, 24, 13).signsNamed("resonance"); len(found) > 0 {
		t.Errorf("in the open: %+v", found)
	}
}

// humped is a course with one peak.
func humped(hz, db, q float64) (c room.Course) {
	for i := range 424 { // 96 points an octave from 30 Hz
		off := q * (room.CourseHz(i)/hz - hz/room.CourseHz(i))
		c = append(c, db/(1+off*off))
	}
	return c
}

// TestJudge: one kind of evidence is enough beside a side of the form, and not
// without; what is heard after words alone has to stand high, and is unsure. The
// voice here is silent, so that it neither times a fall nor denies anything.
func TestJudge(t *testing.T) {
	const along, beside = 105.3, 160.0 // 1.63 m; no side
	for _, c := range []struct {
		name        string
		tone, tails room.Course
		want        Confidence
	}{
		{"room tone, along the depth", humped(along, 8, 12), nil, Likely},
		{"room tone, along no side", humped(beside, 8, 12), nil, ""},
		{"after words, along the depth", nil, humped(along, 12, 12), Unsure},
		{"after words, along the depth, low", nil, humped(along, 6, 12), ""},
		{"after words, along no side", nil, humped(beside, 12, 12), ""},
		{"both, along no side", humped(beside, 8, 12), humped(beside, 12, 12), Sure},
	} {
		b := boothHeard{tone: c.tone, toneS: 12, tails: c.tails, voice: room.NewVoice(make([]float64, 44100), 44100, nil, nil), sides: sidesOf(measured(1.2, 1.63, 1.9))}
		var got Confidence
		for _, p := range b.candidates() {
			if s, ok := b.judge(p); ok {
				got = s.Confidence
				if s.Q < 5 || s.Q > 30 || s.Value < 4 {
					t.Errorf("%s: Q %g, %g dB", c.name, s.Q, s.Value)
				}
			}
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestSides(t *testing.T) {
	padded := measured(1.5, 2, 2.3)
	padded.As.Booth.PanelMM, padded.As.Booth.GapMM = 50, 50
	inside := padded
	inside.Inside = true
	for _, c := range []struct {
		what string
		form Form
		hz   float64
		want []string
	}{
		{"the first wave of a side", measured(1.2, 1.5, 2.1), 114.4, []string{"depth"}},
		{"the second", measured(1.2, 1.5, 2.1), 163.4, []string{"height"}},
		{"4 % off, in a damped room", measured(1.2, 1.5, 2.1), 119, []string{"depth"}},
		{"nothing near", measured(1.2, 1.5, 2.1), 127, nil},
		{"two sides 5 % apart", measured(1.5, 1.57, 2.3), 114.4, []string{"width", "depth"}},
		{"half as long", measured(1.1, 2.2, 1.5), 156, []string{"depth", "width"}},
		{"a first wave of which half the side has none", measured(1.1, 2.2, 1.5), 78, []string{"depth"}},
		{"from wall to wall", padded, 343.2 / 3, []string{"width"}},
		{"between the panels", padded, 343.2 / 2.6, []string{"width"}},
		{"walls behind panels that were measured inside", inside, 343.2 / 3.4, []string{"width"}},
		{"no sides", Form{TemperatureC: 20}, 100, nil},
	} {
		got := sidesOf(c.form).at(c.hz).sides
		slices.Sort(got)
		slices.Sort(c.want)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s, %.1f Hz: %v, want %v", c.what, c.hz, got, c.want)
		}
	}
}

// TestMicrophoneCurve: what the microphone's sheet shows is not the booth's.
func TestMicrophoneCurve(t *testing.T) {
	curve := []CurvePoint{{Hz: 20, DB: 0}, {Hz: 95, DB: 0}, {Hz: 105, DB: 8}, {Hz: 116, DB: 0}, {Hz: 20000, DB: 2}}
	if got := curveOver(curve, 105); math.Abs(got-8) > 0.05 {
		t.Errorf("%g dB at the peak", got)
	}
	if got := curveOver(curve, 300); math.Abs(got) > 0.05 {
		t.Errorf("%g dB where it is flat", got)
	}
}
