package clinic

import (
	"math"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// tone is seconds of a sine of a level at 8 kHz.
func toneAt(dbfs, seconds float64) []float64 {
	x := make([]float64, int(8000*seconds))
	for i := range x {
		x[i] = math.Sqrt2 * math.Pow(10, dbfs/20) * math.Sin(2*math.Pi*440*float64(i)/8000)
	}
	return x
}

// TestVerdict: what only the booth can better is "with changes", what nothing can
// mend is "not yet", and the sentence names it.
func TestVerdict(t *testing.T) {
	good := []Sign{{Name: "level", Remedy: Good, Confidence: Sure}, {Name: "hum", Remedy: Good, Confidence: Sure}, {Name: "top", Remedy: Unknown, Confidence: Unsure}}
	with := func(s ...Sign) []Sign { return append(append([]Sign(nil), good...), s...) }
	clip := func(n int) (out []pipeline.Finding) {
		for i := range n {
			out = append(out, pipeline.Finding{Check: "clipped", StartS: float64(i) + 0.5, EndS: float64(i) + 0.6, Measured: "9 samples cut flat"})
		}
		return out
	}
	for _, c := range []struct {
		name    string
		signs   []Sign
		floor   float64
		found   []pipeline.Finding
		direct  float64
		want    Verdict
		because string
	}{
		{"nothing", good, -70, nil, 25, Workable, "little to mend"},
		{"hum", with(Sign{Name: "hum", Remedy: Processing, Confidence: Sure}), -70, nil, 25, Workable, "hum"},
		{"no loud line", with(Sign{Name: "missing", Remedy: Booth, Confidence: Sure}), -70, nil, 25, WithChanges, "what is missing"},
		{"one clip", with(Sign{Name: "clipping", Remedy: Booth, Confidence: Sure, Value: 1}), -70, clip(1), 25, WithChanges, "clipping"},
		{"clipped throughout", with(Sign{Name: "clipping", Remedy: Booth, Confidence: Sure, Value: 30}), -70, clip(30), 25, NotYet, "cut flat in 30 places a minute"},
		{"8 dB over the floor", with(Sign{Name: "floor", Remedy: Processing, Confidence: Sure, Value: 8}), -55, nil, 25, WithChanges, "noise floor"},
		{"20 dB over the floor", with(Sign{Name: "floor", Remedy: Booth, Confidence: Sure, Value: 20}), -44, nil, 25, NotYet, "noise floor is at -40.0 dBFS"},
		{"a gate by 9 dB", with(Sign{Name: "gated", Remedy: Booth, Confidence: Likely, Value: 9}), -70, nil, 25, WithChanges, "a gate"},
		{"a gate by 30 dB", with(Sign{Name: "gated", Remedy: Booth, Confidence: Sure, Value: 30, Says: "30 dB of gate"}), -70, nil, 25, NotYet, "30 dB of gate"},
		{"lossy for sure", with(Sign{Name: "lossy", Remedy: Booth, Confidence: Likely, Says: "ends at 16 kHz"}), -70, nil, 25, NotYet, "16 kHz"},
		{"perhaps lossy", with(Sign{Name: "lossy", Remedy: Booth, Confidence: Unsure}), -70, nil, 25, WithChanges, "a lossy encoding"},
		{"flattened", with(Sign{Name: "limited", Remedy: Booth, Confidence: Likely, Value: 10, Says: "a limiter worked"}), -70, nil, 25, NotYet, "a limiter worked"},
		{"some room", with(Sign{Name: "reverberation", Remedy: Booth, Confidence: Likely}), -70, nil, 17, WithChanges, "reverberation"},
		{"a live room", with(Sign{Name: "reverberation", Remedy: Booth, Confidence: Likely, Says: "the room is live"}), -70, nil, 11, NotYet, "the room is live"},
	} {
		r := &Read{RateHz: 8000, SecondsS: 60, Signs: c.signs, Findings: c.found, x: toneAt(-24, 60)}
		r.Places.Page = pipeline.Span{To: dsp.Frames(len(r.x))}
		r.Profile.Floor.Median, r.Profile.Floor.Windows = dsp.DBFS(c.floor), 20
		r.Likeness.DirectDB = dsp.DB(c.direct)
		got, why := Judge(r)
		if got != c.want || !strings.Contains(why, c.because) {
			t.Errorf("%s: %s, for %q; want %s, for something of %q", c.name, got, why, c.want, c.because)
		}
		if strings.Count(why, ". ") > 0 || strings.Contains(why, "!") {
			t.Errorf("%s: %q is not one sentence", c.name, why)
		}
	}
}

// TestRings: what is unsure is not said as if it were sure.
func TestRings(t *testing.T) {
	at := func(hz float64, c Confidence, sides ...string) Sign {
		return Sign{Name: "resonance", Confidence: c, LowHz: hz - 2, HighHz: hz + 2, Sides: sides}
	}
	for _, c := range []struct {
		signs []Sign
		want  string
	}{
		{[]Sign{at(85, Sure, "height"), at(105, Likely, "depth"), at(166, Sure, "height")}, "The booth rings at 85 and 166 Hz along the height, 105 Hz along the depth. At 85 Hz"},
		{[]Sign{at(105, Likely, "depth"), at(70, Unsure)}, "The booth rings at 105 Hz along the depth, and perhaps at 70 Hz of a side that the form doesn't give. At 105 Hz"},
		{[]Sign{at(252, Unsure, "height", "width")}, "Perhaps the booth rings at 252 Hz along the height or width. At 252 Hz"},
	} {
		if got := rings(&Read{Form: Form{TemperatureC: 20}}, c.signs); !strings.HasPrefix(got, c.want) {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
