package delivery_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/delivery"
)

// TestNote: the note says by which spec, from whom, through which chains and
// with which exceptions a delivery was made, on its own lines whatever names
// hold, and is written anew when any of it changes.
func TestNote(t *testing.T) {
	s, o, spec := title(t)
	o.Title, o.Author, o.House = "Two\nRivers", "A. Reed", "Kiln Yard"
	spec.Source = "common practice"
	spec.Sound.Level = pipeline.Level{Measure: pipeline.MeasureLoudness, CountedAs: pipeline.CountedTwice, Window: [2]float64{-18.5, -17.5}}
	spec.Sound.Files = []pipeline.FileFormat{{Format: pipeline.FLAC, RateHz: 44100, Channels: 1, Bits: 24}}
	o.Narrators = map[string]string{"ines": "Ines Marlow"}
	o.Engine = pipeline.NewEngine(nil, map[pipeline.Format]string{pipeline.FLAC: "own 1"})
	o.Sessions = []pipeline.SessionOutcome{{Narrator: "ines", Setup: "booth", Session: "monday", Chain: "cupboard", Revision: pipeline.DigestOf([]byte("x")), Fit: pipeline.FitRecord{GainDB: -1.5}}}
	o.Gains.Specs = map[string]pipeline.LevelRecord{"lossless": {GainDB: map[string]dsp.DB{"ines": 9.4}}}
	o.Chapters[0].Files[0].Record.Levels.Integrated = -21
	o.Chapters[0].Findings = []pipeline.Finding{{Check: "clipped", Measured: "3 samples", Accepted: "inaudible"}, {Check: "head", Spec: "retail", Accepted: "of another spec"}}
	o.Chapters[1].Files[0].Verdict = pipeline.Return
	o.Withheld["lossless"] = "chapter 2, Frost, is to be returned"
	dir := filepath.Join(t.TempDir(), "lossless")
	read := func(forced string) string {
		t.Helper()
		if _, err := delivery.Write(t.Context(), s, o, spec, dir, forced); err != nil {
			t.Fatal(err)
		}
		text, _ := os.ReadFile(filepath.Join(dir, delivery.NoteFile))
		return string(text)
	}
	got := read("the author wants it so")
	for _, want := range []string{
		"by A. Reed\n", "from Kiln Yard\n", "It leaves although chapter 2, Frost, is to be returned. The reason: the author wants it so\n",
		"level -18.5 to -17.5 LUFS, counted as two channels, measured as loudness", "flac, 44100 Hz, 1 channel, 24 bits, encoded by own 1\n",
		"-17.99 LUFS", "Ines Marlow, booth, session monday: chain cupboard, revision " + pipeline.DigestOf([]byte("x")).Short() + ", at -1.5 dB\n",
		"Ines Marlow: +9.4 dB to the spec's level\n", "1, Low Water: clipped, 3 samples; inaudible\n", "Made by engine " + o.Engine.ID(),
	} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
	if strings.Contains(got, "of another spec") || strings.HasPrefix(got, "Two\n") {
		t.Errorf("%s", got)
	}
	if again := read("another reason"); !strings.Contains(again, "another reason") {
		t.Errorf("%s", again)
	}
	if withheld := read(""); withheld != "" {
		t.Errorf("what is withheld has a note:\n%s", withheld)
	}
}
