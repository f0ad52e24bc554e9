package spec

import (
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

var update = flag.Bool("update", false, "write the golden files anew")

func TestBuiltins(t *testing.T) {
	common := pipeline.Spec{
		Sound: pipeline.Sound{
			Level: pipeline.Level{Measure: pipeline.MeasureRMSPlain, Window: [2]float64{-23, -18}, Aim: -20},
			Peak:  pipeline.Peak{MaxDBTP: -3},
			Edges: pipeline.Edges{HeadS: [2]float64{0.5, 1}, HeadAimS: 0.75, TailS: [2]float64{1, 5}, TailAimS: 3},
		},
		Limits:    pipeline.Limits{NoiseFloorDBFS: -60, TitleSpreadLU: 2, NeighbourSpreadLU: 1, MaxMinutes: 120},
		Packaging: pipeline.Packaging{Name: "{number} {chapter}"},
	}
	files := map[string]pipeline.FileFormat{
		"retail":           {Format: pipeline.MP3, RateHz: 44100, Channels: 1, Mode: "cbr", Kbps: 192},
		"lossless":         {Format: pipeline.FLAC, RateHz: 44100, Channels: 1, Bits: 24},
		"broadcast":        {Format: pipeline.WAV, RateHz: 48000, Channels: 2, Bits: 24},
		"streaming-speech": {Format: pipeline.MP3, RateHz: 44100, Channels: 1, Mode: "cbr", Kbps: 128},
	}
	loud := map[string]pipeline.Level{
		// EBU R 128 (2020): -23.0 LUFS, tolerance of a check 0.2 LU; AES TD1008 (2021): speech -18 LUFS.
		"broadcast":        {Measure: pipeline.MeasureLoudness, CountedAs: pipeline.CountedTwice, Window: [2]float64{-23.2, -22.8}, Aim: -23},
		"streaming-speech": {Measure: pipeline.MeasureLoudness, CountedAs: pipeline.CountedTwice, Window: [2]float64{-18.5, -17.5}, Aim: -18},
	}
	for _, name := range Names() {
		got, ok := Builtin(name)
		if !ok {
			t.Fatalf("%s is not built in", name)
		}
		want := common
		want.Spec, want.Source = name, got.Source
		want.Sound.Files = []pipeline.FileFormat{files[name]}
		if l, ok := loud[name]; ok {
			want.Sound.Level, want.Sound.Peak.MaxDBTP, want.Limits = l, -1, pipeline.Limits{}
		}
		if !reflect.DeepEqual(got, want) || got.Source == "" {
			t.Errorf("%s is %+v", name, got)
		}
		if err := Validate(got); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, ok := Builtin("other"); ok {
		t.Error("other is built in")
	}
}

func TestLoudnessIsReadInItsUnit(t *testing.T) {
	lossless, err := files.ReadFile("lossless.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(lossless), "{measure: rms-plain, window_dbfs: [-23, -18], aim_dbfs: -20}",
		"{measure: loudness, counted_as: one-channel, window_lufs: [-24, -22], aim_lufs: -23}", 1)
	s, faults := Parse([]byte(text), "f")
	want := pipeline.Level{Measure: pipeline.MeasureLoudness, CountedAs: pipeline.CountedOnce, Window: [2]float64{-24, -22}, Aim: -23}
	if len(faults) > 0 || s.Sound.Level != want {
		t.Errorf("got %+v, faults %v", s.Sound.Level, faults)
	}
}

func TestFaultSentences(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatal("no files", err)
	}
	var got strings.Builder
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		_, faults := Parse(text, filepath.Base(file))
		if len(faults) == 0 {
			t.Errorf("%s has no fault", file)
			continue
		}
		got.WriteString(strict.AsError(faults).Error() + "\n")
	}
	golden := "testdata/faults.golden"
	if *update {
		if err := os.WriteFile(golden, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got.String() != string(want) {
		t.Errorf("got\n%s\nwant\n%s", got.String(), want)
	}
}

func TestValidate(t *testing.T) {
	for name, tt := range map[string]struct {
		change func(*pipeline.Spec)
		want   string
	}{
		"aim":     {func(s *pipeline.Spec) { s.Sound.Level.Aim = -10 }, "aim_dbfs is -10, outside window_dbfs; give -23 to -18"},
		"measure": {func(s *pipeline.Spec) { s.Sound.Level.Measure = "rms" }, `measure is "rms"; give rms-plain or loudness`},
		"tail":    {func(s *pipeline.Spec) { s.Sound.Edges.TailS[0] = -1 }, "tail_s[0] is -1; give a number from 0 to 10"},
		"files":   {func(s *pipeline.Spec) { s.Sound.Files = nil }, "files is without a value; give a list of 1 to 8"},
	} {
		s, _ := Builtin("retail")
		tt.change(&s)
		if err := Validate(s); err == nil || err.Error() != tt.want {
			t.Errorf("%s: got %v, want %s", name, err, tt.want)
		}
	}
	s, _ := Builtin("retail")
	s.Sound.Peak.MaxDBTP = dsp.DBTP(dsp.Silence)
	if Validate(s) == nil {
		t.Error("a ceiling of silence passes")
	}
}

// A spec that is valid is read back from its own file as it was.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-60, -10).Draw(t, "low")
		width := rapid.Float64Range(0, 10).Draw(t, "width")
		s := pipeline.Spec{Spec: "drawn", Source: "drawn", Packaging: pipeline.Packaging{Name: "{number}"}}
		s.Sound.Level = pipeline.Level{
			Measure: rapid.SampledFrom([]pipeline.Measure{pipeline.MeasureLoudness, pipeline.MeasureRMSPlain}).Draw(t, "measure"),
			Window:  [2]float64{low, low + width}, Aim: low + width*rapid.Float64Range(0, 0.999).Draw(t, "aim"),
		}
		if s.Sound.Level.Measure == pipeline.MeasureLoudness {
			s.Sound.Level.CountedAs = pipeline.CountedTwice
		}
		s.Sound.Peak.MaxDBTP = dsp.DBTP(rapid.Float64Range(-20, 0).Draw(t, "peak"))
		s.Sound.Edges = pipeline.Edges{HeadS: [2]float64{0, 1}, HeadAimS: 0.5, TailS: [2]float64{0, 5}, TailAimS: 5}
		s.Sound.Files = []pipeline.FileFormat{{Format: pipeline.WAV, RateHz: 48000, Channels: rapid.IntRange(1, 2).Draw(t, "channels"), Bits: 16}}
		s.Limits.MaxMinutes = float64(rapid.IntRange(0, 1440).Draw(t, "minutes"))
		if err := Validate(s); err != nil {
			t.Fatal(err)
		}
		text, err := pipeline.Canonical(fromSpec(s))
		if err != nil {
			t.Fatal(err)
		}
		back, faults := Parse(text, "f") // JSON is YAML
		if len(faults) > 0 || !reflect.DeepEqual(back, s) {
			t.Fatalf("%s\nbecame %+v, faults %v", text, back, faults)
		}
	})
}

func FuzzParse(f *testing.F) {
	bad, _ := filepath.Glob("testdata/bad/*.yaml")
	for _, name := range Names() {
		bad = append(bad, name+".yaml")
	}
	for _, file := range bad {
		if text, err := os.ReadFile(file); err == nil {
			f.Add(text)
		}
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		s, faults := Parse(text, "f")
		if len(faults) > 0 {
			return
		}
		if err := Validate(s); err != nil {
			t.Errorf("%q is read without a fault, and not valid: %v", text, err)
		}
	})
}
