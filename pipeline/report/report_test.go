package report

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

var update = flag.Bool("update", false, "write the golden files")

// morning is a report with one of everything: a ready chapter, one to listen
// to, one to return, a hole, two voices, a skipped and a withheld spec.
func morning() Report {
	spec := func(name string, f pipeline.Format) pipeline.Spec {
		return pipeline.Spec{Spec: name, Sound: pipeline.Sound{
			Level: pipeline.Level{Measure: pipeline.MeasureRMSPlain, Window: [2]float64{-23, -18}, Aim: -20},
			Peak:  pipeline.Peak{MaxDBTP: -3},
			Files: []pipeline.FileFormat{{Format: f, RateHz: 44100, Channels: 1}},
		}}
	}
	source := func(path, narrator string, rms float64) pipeline.PartOutcome {
		return pipeline.PartOutcome{
			Part: pipeline.Part{Path: path, Voice: pipeline.Voice{Narrator: narrator}},
			Profile: pipeline.ProfileRecord{
				Levels: meter.Levels{RMS: dsp.DBFS(rms), Integrated: dsp.LUFS(rms + 1), TruePeak: dsp.DBTP(rms + 20)},
				Floor:  meter.Floor{Median: -70, Windows: 9},
			},
		}
	}
	file := func(spec string, rms, floor float64, v pipeline.Verdict) pipeline.FileOutcome {
		return pipeline.FileOutcome{Spec: spec, Verdict: v, FloorGain: -62, Record: pipeline.FileRecord{
			Levels:  meter.Levels{RMS: dsp.DBFS(rms), Integrated: dsp.LUFS(rms + 1), TruePeak: -3.05},
			Floor:   meter.Floor{Median: dsp.DBFS(floor), Windows: 9},
			Limiter: pipeline.StageUse{Stage: "limiter", Share: 0.02, MedianDB: -0.4, P95DB: -1.2, MaxDB: -2.1},
			Encodes: 1,
		}}
	}
	noisy := pipeline.Finding{Check: "noise-floor", Spec: "lossless", Measured: "-48.71 dBFS", Limit: "-60.00 dBFS", Do: "11.3 dB are missing in the room", Weight: pipeline.Return}
	noisyToo := noisy
	noisyToo.Spec = "retail"
	return Report{
		Outcome: pipeline.Outcome{
			Run: "000004", Slug: "the-long-tide", Title: "The Long Tide", Verdict: pipeline.Return,
			Specs:    []pipeline.Spec{spec("lossless", pipeline.FLAC), spec("retail", pipeline.MP3)},
			Skipped:  []pipeline.SkippedSpec{{Spec: "other", Why: "other asks for wav files"}},
			Sessions: []pipeline.SessionOutcome{{Narrator: "ines-marlow", Setup: "cupboard", Session: "monday", Chain: "cupboard", Revision: pipeline.DigestOf([]byte("c")), Fit: pipeline.FitRecord{GainDB: 2.3, SpeechS: 812}}},
			Gains:    pipeline.Gains{Specs: map[string]pipeline.LevelRecord{"lossless": {GainDB: map[string]dsp.DB{"ines-marlow": 4.1}}, "retail": {GainDB: map[string]dsp.DB{"ines-marlow": 4.1}, Notes: []string{"a note"}}}},
			Findings: []pipeline.Finding{{Check: "numbering", Measured: "5 follows 3", Do: "see whether chapter 4 is missing", Weight: pipeline.Listen}},
			Chapters: []pipeline.ChapterOutcome{
				{Number: 1, Name: "Low Water", Verdict: pipeline.Ready, Parts: []pipeline.PartOutcome{source("01.flac", "ines-marlow", -24.4)},
					Files: []pipeline.FileOutcome{file("lossless", -19.8, -67.7, pipeline.Ready), file("retail", -19.85, -67.7, pipeline.Ready)}},
				{Number: 2, Name: "Two Lanterns", Verdict: pipeline.Listen, Parts: []pipeline.PartOutcome{source("02a.flac", "ines-marlow", -29.8), source("02b.flac", "tobias-wren", -26)},
					Files:    []pipeline.FileOutcome{file("lossless", -20, math.NaN(), pipeline.Listen), file("retail", -20, math.NaN(), pipeline.Listen)},
					Findings: []pipeline.Finding{{Check: "clipped", Path: "02a.flac", StartS: 3754.25, Measured: "12 samples cut flat at 0.0 dBFS", Limit: "none", Do: "listen whether it is heard", Weight: pipeline.Listen}}},
				{Number: 3, Name: "The Fan", Verdict: pipeline.Return, Parts: []pipeline.PartOutcome{source("03.flac", "ines-marlow", math.Inf(-1))},
					Files:    []pipeline.FileOutcome{file("lossless", -20.1, -48.7, pipeline.Return), file("retail", -20.1, -48.7, pipeline.Return)},
					Findings: []pipeline.Finding{noisy, noisyToo, {Check: "spread", Spec: "retail", Measured: "+1.2 LU", Limit: "1.0 LU", Weight: pipeline.Listen, Accepted: "a dream, meant to be soft"}}},
				{Number: 5, Name: "Gone", Verdict: pipeline.Return, Hole: "05.flac: ends at 12.0 s of 40.0 s", Parts: []pipeline.PartOutcome{source("05.flac", "ines-marlow", -20)},
					Findings: []pipeline.Finding{{Check: "hole", Measured: "05.flac: ends at 12.0 s of 40.0 s", Do: "mend or replace the source", Weight: pipeline.Return}}},
			},
			Excerpt: &pipeline.Excerpt{Chapter: 1, Name: "Low Water", File: "01.flac", FromS: 31.5, ToS: 212.25, Narrator: "ines-marlow", Setup: "cupboard"},
			Cost:    map[pipeline.Step]pipeline.Cost{pipeline.StepProfile: {CPUS: 2, AudioS: 800}, pipeline.StepFile: {CPUS: 10.5, AudioS: 1600}},
		},
		Work: Work{Profiled: 4, Weighed: 3, Rendered: 6, Taken: 1},
		Deliveries: []Delivery{
			{Spec: "lossless", Folder: "out/the-long-tide/lossless", Files: 1, Withheld: "chapter 5, Gone, is missing"},
			{Spec: "retail", Folder: "out/the-long-tide/retail", Files: 2, Complete: true},
		},
	}
}

func TestTextGolden(t *testing.T) {
	var got bytes.Buffer
	if err := Text(&got, morning()); err != nil {
		t.Fatal(err)
	}
	golden(t, "morning.txt", got.Bytes())
}

// A loudness that stands against a spec says in words how one channel counts,
// and source and file are counted alike: one channel of -20 LUFS is -16.99 as two.
func TestLoudnessSaysHowItCounts(t *testing.T) {
	for _, c := range []struct {
		counted  pipeline.Counted
		channels int // of the file
		want     []string
	}{
		{pipeline.CountedTwice, 1, []string{"LUFS, counted as two channels", " -20.4 → -15.8 ", "level -16.09 to -15.79 LUFS, counted as two channels (window -17 to -15.5)"}},
		{pipeline.CountedTwice, 2, []string{"LUFS, counted as two channels", " -20.4 → -18.8 ", "level -19.10 to -18.80 LUFS, counted as two channels (window -17 to -15.5)"}},
		{pipeline.CountedOnce, 1, []string{"LUFS, counted as one channel", " -23.4 → -18.8 ", "level -19.10 to -18.80 LUFS, counted as one channel (window -17 to -15.5)"}},
	} {
		r := morning()
		r.Specs[0].Sound.Level = pipeline.Level{Measure: pipeline.MeasureLoudness, CountedAs: c.counted, Window: [2]float64{-17, -15.5}, Aim: -16}
		for i := range r.Chapters {
			for j := range r.Chapters[i].Files {
				if c.channels > 1 {
					r.Chapters[i].Files[j].Record.Levels.Channels = c.channels
				}
			}
		}
		var got bytes.Buffer
		if err := Text(&got, r); err != nil {
			t.Fatal(err)
		}
		for _, want := range c.want {
			if !strings.Contains(got.String(), want) {
				t.Errorf("%s, %d channels: no %q in\n%s", c.counted, c.channels, want, got.String())
			}
		}
	}
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs; look at it and run with -update when it is right:\n%s", name, got)
	}
}

// What a program reads back is what was reported: silence and what could not
// be measured survive.
func TestJSONRoundTrip(t *testing.T) {
	var first, second bytes.Buffer
	if err := JSON(&first, morning()); err != nil {
		t.Fatal(err)
	}
	var back Report
	if err := json.Unmarshal(first.Bytes(), &back); err != nil {
		t.Fatal(err)
	}
	if err := JSON(&second, back); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("the report changes when it is read and written again")
	}
	if !strings.Contains(first.String(), `"-inf"`) {
		t.Error("silence is not in the report")
	}
}

func TestClock(t *testing.T) {
	for seconds, want := range map[float64]string{0: "0:00.0", 17.25: "0:17.3", 59.97: "1:00.0", 754.25: "12:34.3", 3754.25: "1:02:34.3"} {
		if got := clock(seconds); got != want {
			t.Errorf("%v s is %s, want %s", seconds, got, want)
		}
	}
}

// A failing writer is told, not swallowed.
func TestTextTellsAFullDisk(t *testing.T) {
	if err := Text(failing{}, morning()); err == nil {
		t.Error("no error")
	}
}

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, os.ErrClosed }

// Many notices of one check in a chapter are one line, and each that was decided
// on keeps its own.
func TestTextOfMany(t *testing.T) {
	r := morning()
	for i := range 40 {
		f := pipeline.Finding{Check: "clicks", Path: "01.flac", StartS: float64(i + 1), EndS: float64(i+1) + 0.1, Measured: sprintf("%d dB", 14+i), Do: "look", Weight: pipeline.Ready}
		if i == 7 {
			f.Accepted = "a door"
		}
		r.Chapters[0].Findings = append(r.Chapters[0].Findings, f)
	}
	var got bytes.Buffer
	if err := Text(&got, r); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(got.String(), "clicks"); n != 2 {
		t.Errorf("%d lines of clicks", n)
	}
	for _, want := range []string{"01.flac 0:01.0 clicks 39 places, the first: 14 dB", "01.flac 0:08.0 clicks 21 dB"} {
		if !strings.Contains(strings.Join(strings.Fields(got.String()), " "), want) {
			t.Errorf("there is no %q in\n%s", want, got.String())
		}
	}
}
