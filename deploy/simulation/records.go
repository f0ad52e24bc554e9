package simulation

import (
	"context"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

const rateHz = 44100

// recording is what there is to know of a source without hearing it; it is the
// source's bytes as well.
type recording struct {
	name    string // tells recordings apart
	seconds int
	speech  dsp.DBFS // level while speaking
	booth   dsp.DBFS // room tone, in every band
	poison  pipeline.Step
	fault   string // intake can't use it
}

func (r recording) bytes() []byte {
	return fmt.Appendf(nil, "%s|%d|%g|%g|%s|%s", r.name, r.seconds, float64(r.speech), float64(r.booth), r.poison, r.fault)
}

func (r recording) blob() pipeline.Digest { return pipeline.DigestOf(r.bytes()) }

// recording reads a source back.
func (w *world) recording(blob pipeline.Digest) recording {
	from, err := w.store.Get(context.Background(), store.BlobName(blob), 0, -1)
	if err != nil {
		return recording{}
	}
	text, _ := io.ReadAll(from)
	f := strings.Split(string(text), "|")
	if len(f) != 6 {
		return recording{}
	}
	r := recording{name: f[0], poison: pipeline.Step(f[4]), fault: f[5]}
	r.seconds, _ = strconv.Atoi(f[1])
	speech, _ := strconv.ParseFloat(f[2], 64)
	booth, _ := strconv.ParseFloat(f[3], 64)
	r.speech, r.booth = dsp.DBFS(speech), dsp.DBFS(booth)
	return r
}

// poisoned tells whether a recipe's every try fails.
func (w *world) poisoned(r pipeline.Recipe) bool {
	for _, blob := range r.Inputs() {
		if w.recording(blob).poison == r.Step {
			return true
		}
	}
	return false
}

// result is what a recipe gives; it depends on the recipe alone. The files of
// the commit have no contents yet.
func (w *world) result(r pipeline.Recipe) (pipeline.Commit, error) {
	c := pipeline.Commit{Key: r.Key(), Step: r.Step}
	var record any
	switch r.Step {
	case pipeline.StepIntake:
		src := w.recording(r.Intake.Source)
		c.Fault = src.fault
		record = pipeline.IntakeRecord{Format: pipeline.FLAC, RateHz: rateHz, Channels: 1, Bits: 24, Frames: dsp.Frames(src.seconds) * rateHz}
	case pipeline.StepProfile:
		record = w.profile(*r.Profile)
	case pipeline.StepWeigh:
		record = pipeline.WeighRecord{Levels: w.levels(r.Weigh.Cut, r.Weigh.FitDB)}
	case pipeline.StepFile:
		p := r.File.Parts[0]
		levels := w.levels(p.Cut, p.FitDB+p.GainDB+r.File.TrimDB)
		levels.TruePeak, levels.Integrated = -4, -20
		record = pipeline.FileRecord{Levels: levels, Floor: floor(-70), HeadS: 0.75, TailS: 3, LengthS: levels.Frames.Seconds(rateHz), Encodes: 1}
		c.Files = make([]pipeline.Output, 1)
	case pipeline.StepCheck:
		rec := pipeline.CheckRecord{}
		for _, p := range r.Check.Parts {
			rec.Pauses = append(rec.Pauses, pausesIn(p.Cut.Span))
		}
		record = rec
	}
	if c.Fault != "" {
		return c, nil
	}
	text, err := pipeline.Canonical(record)
	c.Record = text
	return c, err
}

// pausesIn is how all narrators read: after 19 seconds they take breath for one.
func pausesIn(span pipeline.Span) []pipeline.Span {
	pauses := []pipeline.Span{}
	for at := span.From - span.From%(20*rateHz) + 19*rateHz; at+rateHz <= span.To; at += 20 * rateHz {
		if at >= span.From {
			pauses = append(pauses, pipeline.Span{From: at, To: at + rateHz})
		}
	}
	return pauses
}

func audioOf(key pipeline.Digest) []byte { return []byte("audio of " + string(key)) }

func floor(at dsp.DBFS) meter.Floor {
	return meter.Floor{Median: at, WorstTenth: at + 1, MedianA: at - 5, Windows: 20}
}

func (w *world) profile(r pipeline.ProfileRecipe) pipeline.ProfileRecord {
	src := w.recording(r.Source)
	tone := make(pipeline.Spectrum, 4)
	for i := range tone {
		tone[i] = src.booth
	}
	cut := pipeline.Cut{
		Source: r.Source, Span: r.Span, SourceRateHz: rateHz, RateHz: r.RateHz, Fold: pipeline.FoldMono,
		Speech: pipeline.Span{From: rateHz, To: r.Span.Len() - rateHz}, Tone: []pipeline.Span{{From: 0, To: rateHz / 2}},
	}
	return pipeline.ProfileRecord{Cut: cut, Levels: w.levels(cut, 0), SpeechS: float64(src.seconds) * 0.8, Floor: floor(src.booth), RoomTone: tone}
}

// levels is a recording with a gain.
func (w *world) levels(cut pipeline.Cut, gain dsp.DB) meter.Levels {
	speech := w.recording(cut.Source).speech + dsp.DBFS(gain)
	rms, frames := float64(speech), cut.Span.Len()
	return meter.Levels{
		RMS: dsp.DBFS(dsp.Round2(rms)), SamplePeak: -6, TruePeak: -6, Integrated: dsp.LUFS(dsp.Round2(rms)), Speech: speech, Activity: 0.8,
		Frames: frames, SumSquares: math.Round(float64(frames) * math.Pow(10, rms/10)), GatedBlocks: int(frames / 4410),
	}
}
