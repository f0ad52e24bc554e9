package check

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// A floor that hum makes asks for the stage that takes it out; one that it does
// not make, or no longer makes behind the chain, asks for the booth.
func TestFloorOfHum(t *testing.T) {
	// room is noise falling by so much an octave, -62 dBFS in the band at 1 kHz, with
	// lines at 50 Hz and its multiples by so much over the noise's whole level.
	room := func(perOctave, lines float64) pipeline.Spectrum {
		power := make([]float64, 0, 60)
		all := 0.0
		for _, b := range spectrum.SixthOctaves() {
			p := math.Pow(10, (-62-perOctave*math.Log2(b.Mid/1000))/10)
			power, all = append(power, p), all+p
		}
		var tone pipeline.Spectrum
		for k, b := range spectrum.SixthOctaves() {
			for n := 1.0; n <= 3; n++ {
				if hz := 50 * n; b.Lower <= hz && hz < b.Upper {
					power[k] += all * math.Pow(10, lines/10) / 3
				}
			}
			tone = append(tone, dsp.DBFS(10*math.Log10(power[k])))
		}
		return tone
	}
	stage := func(name string, params map[string]any) pipeline.Resolved {
		text, _ := json.Marshal(params)
		return pipeline.Resolved{Stage: name, Params: text}
	}
	heard := []pipeline.Finding{{Check: "hum", Weight: pipeline.Listen}}
	for _, c := range []struct {
		name   string
		tone   pipeline.Spectrum
		heard  []pipeline.Finding
		stages []pipeline.Resolved
		want   float64 // dB; 0: not by hum
	}{
		{"hum by 10 dB", room(3, 10), heard, nil, 10.4},
		{"hum as loud as the room", room(3, 0), heard, nil, 3.0},
		{"hum under the room", room(3, -6), heard, nil, 0},
		{"no hum", room(3, -200), heard, nil, 0},
		{"steep rumble", room(9, -200), heard, nil, 0},
		{"nobody heard it", room(3, 10), nil, nil, 0},
		{"a stage takes it", room(3, 10), heard, []pipeline.Resolved{stage("hum", nil)}, 0},
		{"a high-pass takes it", room(0, 3), heard, []pipeline.Resolved{stage("highpass", map[string]any{"cutoff_hz": 300, "slope_db_per_octave": 24})}, 0},
		{"a low one leaves it", room(0, 10), heard, []pipeline.Resolved{stage("highpass", map[string]any{"cutoff_hz": 40, "slope_db_per_octave": 12})}, 10.3},
		{"no room tone", nil, heard, nil, 0},
	} {
		spec := pipeline.Spec{Spec: "retail"}
		spec.Limits.NoiseFloorDBFS = -60
		ch := pipeline.ChapterOutcome{Findings: c.heard, Files: []pipeline.FileOutcome{{Spec: "retail"}}}
		ch.Files[0].Record.Floor.Median, ch.Files[0].Record.Floor.Windows = -52, 10
		ch.Parts = []pipeline.PartOutcome{{Part: pipeline.Part{Voice: pipeline.Voice{Narrator: "n", Setup: "s"}}}}
		ch.Parts[0].Profile.RoomTone = c.tone
		title := Title{
			Specs: map[string]pipeline.Spec{"retail": spec}, Chapters: []pipeline.ChapterOutcome{ch},
			Narrators: map[string]pipeline.Narrator{"n": {Setups: map[string]pipeline.Setup{"s": {Chain: &pipeline.Chain{Stages: c.stages}}}}},
		}
		if got := humOfFloor(title, 0); math.Abs(got-c.want) > 0.5 {
			t.Errorf("%s: %.2f dB, want %.1f", c.name, got, c.want)
		}
		found := noiseFloor().Read(title, 0)
		if len(found) != 1 || found[0].Weight != pipeline.Return {
			t.Fatalf("%s: %+v", c.name, found)
		}
		f := found[0]
		f.Check = "noise-floor"
		f = Deed(f)
		if byHum := f.Act == pipeline.Change && f.Stage == "hum" && strings.HasPrefix(f.Do, "8.0 dB are missing, and hum makes "); byHum != (c.want > 0) {
			t.Errorf("%s: %s, %s: %s", c.name, f.Act, f.Stage, f.Do)
		}
	}
}
