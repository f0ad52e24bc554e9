package chain

import (
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

func TestDiff(t *testing.T) {
	hp := resolve(t, "highpass", `{"cutoff_hz": 65}`)
	hp80 := resolve(t, "highpass", `{"cutoff_hz": 80, "slope_db_per_octave": 18}`)
	bell := resolve(t, "eq", `[{"shape": "bell", "centre_hz": 178, "gain_db": -3}]`)
	bellAndShelf := resolve(t, "eq", `[{"shape": "bell", "centre_hz": 180, "gain_db": -3}, {"shape": "high-shelf", "corner_hz": 10000, "gain_db": 1}]`)
	shelf := resolve(t, "eq", `[{"shape": "high-shelf", "corner_hz": 10000, "gain_db": 1}]`)
	slow := resolve(t, "compressor", `{"threshold_over_speech_db": 2, "ratio": 2, "attack_ms": 10, "release_ms": 150}`)
	later := slow
	later.Rev = 2
	list := func(stages ...pipeline.Resolved) []pipeline.Resolved { return stages }
	for _, tt := range []struct {
		name string
		a, b []pipeline.Resolved
		want string
	}{
		{"nothing", list(hp, bell, slow), list(hp, bell, slow), ""},
		{"both empty", nil, nil, ""},
		{"parameters", list(hp, slow), list(hp80, slow), "stage 1 (highpass): cutoff_hz was 65, is 80\nstage 1 (highpass): slope_db_per_octave was 12, is 18"},
		{"a new stage", list(hp, slow), list(hp, shelf, slow), "stage 2 (eq) is new: bands[0].corner_hz 10000, bands[0].gain_db 1, bands[0].shape high-shelf, bands[0].slope 1"},
		{"a stage gone", list(hp, slow), list(slow), "stage 1 (highpass) is gone: cutoff_hz 65, slope_db_per_octave 12"},
		{"moved", list(hp, bell, slow), list(hp, slow, bell), "stage 3 (eq) was stage 2"},
		{"a new band", list(bell), list(bellAndShelf), "stage 1 (eq): bands[0].centre_hz was 178, is 180\nstage 1 (eq): bands[1].corner_hz is new, 10000\nstage 1 (eq): bands[1].gain_db is new, 1\nstage 1 (eq): bands[1].shape is new, high-shelf\nstage 1 (eq): bands[1].slope is new, 1"},
		{"equal ones are paired before changed ones", list(shelf), list(bell, shelf), "stage 1 (eq) is new: bands[0].centre_hz 178, bands[0].gain_db -3, bands[0].q 1, bands[0].shape bell"},
		{"revision", list(slow), list(later), "stage 1 (compressor): revision was 1, is 2: the same parameters sound different"},
		{"a stage twice", list(slow), list(slow, slow), "stage 2 (compressor) is new: attack_ms 10, detector rms, knee_db 6, ratio 2, release_ms 150, threshold_over_speech_db 2"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := strings.Join(Diff(pipeline.Chain{Stages: tt.a}, pipeline.Chain{Stages: tt.b}), "\n")
			if got != tt.want {
				t.Errorf("got\n%s\nwant\n%s", got, tt.want)
			}
		})
	}
	if got := Diff(pipeline.Chain{SpeechDBFS: -23}, pipeline.Chain{SpeechDBFS: -20}); len(got) != 1 || got[0] != "reference: speech_dbfs was -23, is -20" {
		t.Errorf("got %q", got)
	}
}

func TestWarn(t *testing.T) {
	if lines := Warn(cupboard(t)); len(lines) > 0 {
		t.Errorf("a usual chain: %q", lines)
	}
	var c pipeline.Chain
	for _, s := range [][2]string{
		{"de-esser", `{"from_hz": 5800, "to_hz": 9800, "threshold_over_speech_db": -10, "max_cut_db": 5}`},
		{"compressor", `{"threshold_over_speech_db": 6, "ratio": 2, "attack_ms": 10, "release_ms": 150}`},
		{"compressor", `{"threshold_over_speech_db": 6, "ratio": 2, "attack_ms": 10, "release_ms": 150, "detector": "peak"}`},
		{"highpass", `{"cutoff_hz": 65}`},
		{"expander", `{"bands": [{"over_room_tone_db": 6, "ratio": 4, "range_db": 20}], "hold_ms": 20, "release_ms": 450}`},
		{"highpass", `{"cutoff_hz": 65}`},
		{"eq", `[{"shape": "bell", "centre_hz": 178, "gain_db": -4, "q": 8}]`},
		{"eq", `[{"shape": "notch", "centre_hz": 1000}]`},
		{"eq", `[{"shape": "bell", "centre_hz": 3000, "gain_db": -1, "q": 1}, {"shape": "low-shelf", "corner_hz": 180, "gain_db": -6}]`},
	} {
		c.Stages = append(c.Stages, resolve(t, s[0], s[1]))
	}
	golden(t, "warnings.golden", strings.Join(Warn(c), "\n")+"\n")
	c.Stages = []pipeline.Resolved{c.Stages[4], c.Stages[3]}
	if lines := Warn(c); lines[len(lines)-1] != "stage 2 (highpass): it usually stands before the expander, which rumble would hold open" {
		t.Errorf("got %q", lines)
	}
	whole := resolve(t, "compressor", `{"threshold_over_speech_db": 6, "ratio": 2, "attack_ms": 2, "release_ms": 60, "detector": "peak"}`)
	treble := resolve(t, "compressor", `{"above_hz": 3000, "threshold_over_speech_db": -15, "ratio": 1.5, "attack_ms": 3, "release_ms": 80}`)
	c.Stages = []pipeline.Resolved{treble, whole}
	if lines := Warn(c); len(lines) > 0 {
		t.Errorf("a compressor of the treble alone hears other crests: %q", lines)
	}
	c.Stages = []pipeline.Resolved{resolve(t, "limiter", `{"ceiling_over_speech_db": 15}`), whole}
	if lines := Warn(c); len(lines) != 1 || lines[0] != "stage 2 (compressor): it usually stands before the limiter, for what comes after can rise over the ceiling again" {
		t.Errorf("got %q", lines)
	}
}
