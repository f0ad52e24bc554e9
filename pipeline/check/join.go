package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// Limits of a join (common practice: a step that listeners turn the knob for,
// and a change of tone that is another day's).
const (
	JoinLevelDB    = 3.0
	JoinSpectrumDB = 6.0
	joinSpeechS    = 1.0 // that both sides have to have
)

func join() Check {
	return Check{
		Name: "join",
		Doc: "The end of one file (its last 5 s) and the start of the next (its first 15 s), as one narrator speaks in " +
			"both, differ in level by more than 3 dB or in tone by more than 6 dB, on the mean of the octaves from 125 to 8000 Hz " +
			"and beside the level. A listener hears the two in a row. It happens with a moved microphone, another day, or a wrong session.",
		Read: func(t Title, chapter int) []pipeline.Finding {
			var out []pipeline.Finding
			for _, f := range t.Chapters[chapter].Files {
				before, number, ok := fileBefore(t, chapter, f.Spec)
				if !ok {
					continue
				}
				j := JoinOf(before.Record, f.Record)
				if !j.Measured || math.Abs(j.LevelDB) <= JoinLevelDB && j.SpectrumDB <= JoinSpectrumDB {
					continue
				}
				out = append(out, pipeline.Finding{
					Spec:     f.Spec,
					Measured: fmt.Sprintf("%+.1f dB in level and %.1f dB in tone from the end of chapter %d", j.LevelDB, j.SpectrumDB, number),
					Limit:    fmt.Sprintf("%.0f dB and %.0f dB", JoinLevelDB, JoinSpectrumDB),
					Do:       "listen across the join: is it the story, or another day's microphone?",
					Weight:   pipeline.Listen,
				})
			}
			return out
		},
	}
}

// fileBefore is a spec's file of the chapter before, where one narrator ends
// that and begins this.
func fileBefore(t Title, chapter int, spec string) (f pipeline.FileOutcome, number int, ok bool) {
	if chapter == 0 {
		return f, 0, false
	}
	was, is := t.Chapters[chapter-1], t.Chapters[chapter]
	if was.Role == pipeline.RoleAsset || is.Role != pipeline.RoleChapter && is.Role != pipeline.RoleClosing || len(was.Parts) == 0 || len(is.Parts) == 0 ||
		was.Parts[len(was.Parts)-1].Voice.Narrator != is.Parts[0].Voice.Narrator {
		return f, 0, false
	}
	for _, f := range was.Files {
		if f.Spec == spec {
			return f, was.Number, true
		}
	}
	return f, 0, false
}

// A Join is how a file's start differs from the end of the one before it.
type Join struct {
	LevelDB    float64 // while speaking
	SpectrumDB float64 // mean difference of the octaves from 125 to 8000 Hz, beside the level
	Measured   bool    // both sides have a second of speech
}

// JoinOf compares the end of one file with the start of the next.
func JoinOf(before, after pipeline.FileRecord) Join {
	end, start := before.Ends, after.Opens
	if end.SpeechS < joinSpeechS || start.SpeechS < joinSpeechS {
		return Join{}
	}
	j := Join{LevelDB: dsp.Round2(float64(start.RMS - end.RMS)), Measured: true}
	var octaves []float64
	for hz := 125.0; hz <= 8000; hz *= 2 {
		if d := octave(start.Spectrum, hz) - octave(end.Spectrum, hz); !math.IsNaN(d) && !math.IsInf(d, 0) {
			octaves = append(octaves, d)
		}
	}
	var mean float64
	for _, d := range octaves {
		mean += d / float64(len(octaves))
	}
	for _, d := range octaves {
		j.SpectrumDB += math.Abs(d-mean) / float64(len(octaves))
	}
	j.SpectrumDB = dsp.Round2(j.SpectrumDB)
	return j
}

// octave is the level of the octave around a frequency.
func octave(s pipeline.Spectrum, hz float64) float64 {
	var sum float64
	for i, b := range spectrum.SixthOctaves() {
		if i < len(s) && b.Mid > hz/math.Sqrt2 && b.Mid < hz*math.Sqrt2 {
			sum += math.Pow(10, float64(s[i])/10)
		}
	}
	return 10 * math.Log10(sum)
}
