package report

import (
	"math"
	"math/rand/v2"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/series"
)

// shelf holds series for a page's tests, by digest.
type shelf struct {
	sources map[pipeline.Digest]series.Source
	files   map[pipeline.Digest]series.File
}

func (s shelf) pictures() Pictures {
	gone := pipeline.Errorf(pipeline.Missing, "", "it is gone")
	return Pictures{
		Source: func(d pipeline.Digest) (series.Source, error) {
			if v, ok := s.sources[d]; ok {
				return v, nil
			}
			return series.Source{}, gone
		},
		File: func(d pipeline.Digest) (series.File, error) {
			if v, ok := s.files[d]; ok {
				return v, nil
			}
			return series.File{}, gone
		},
	}
}

// swing is about a normal deviate, the same bits on every machine.
func swing(rng *rand.Rand) float64 {
	sum := -6.0
	for range 12 {
		sum += rng.Float64()
	}
	return sum
}

// talk is a level that jumps as speech does: phrases of some seconds, pauses between.
func talk(rng *rand.Rand, n int) series.Trace {
	p := series.NewPen(series.WaveStepDB)
	for n > 0 {
		phrase := min(n, 80+rng.IntN(500))
		loud := -3 - 14*rng.Float64()
		for range phrase {
			p.Add(loud - math.Abs(9*swing(rng)))
		}
		n -= phrase
		pause := min(n, 20+rng.IntN(160))
		for range pause {
			p.Add(-62 + 3*swing(rng))
		}
		n -= pause
	}
	return p.Trace()
}

// moves is a gain that follows nothing in particular, and never rests.
func moves(rng *rand.Rand, n int, deepest float64) series.Trace {
	p, at := series.NewPen(series.GainStepDB), 0.0
	for range n {
		at = max(-deepest, min(0, at+0.5*swing(rng)))
		p.Add(at)
	}
	return p.Trace()
}

func slope(rng *rand.Rand, top float64) pipeline.Spectrum {
	var out pipeline.Spectrum
	for i := range spectrum.SixthOctaves() {
		out = append(out, dsp.DBFS(dsp.Round2(top-math.Abs(float64(i)-22)+2*swing(rng))))
	}
	return out
}

// chapterOf is a chapter with everything: length, stages, specs, findings.
func (s shelf) chapterOf(rng *rand.Rand, number int, lengthS float64, stages, findings int, specs ...pipeline.Spec) pipeline.ChapterOutcome {
	n := int(lengthS / series.StepS)
	source := pipeline.DigestOf([]byte{byte(number), byte(number >> 8), 's'})
	part := pipeline.PartOutcome{
		Part:    pipeline.Part{Source: source, Path: sprintf("%03d-a-name-of-a-recording.flac", number), Voice: pipeline.Voice{Narrator: "ines-marlow", Setup: "cupboard"}},
		Is:      &pipeline.IntakeRecord{Format: pipeline.FLAC, RateHz: 44100, Channels: 1, Bits: 24},
		Session: "monday", FitDB: 2.3, SourceS: lengthS,
		Profile: pipeline.ProfileRecord{
			Cut:    pipeline.Cut{Source: source, Span: pipeline.Span{To: dsp.FramesIn(lengthS, 44100)}, Speech: pipeline.Span{To: dsp.FramesIn(lengthS, 44100)}, SourceRateHz: 44100, RateHz: 44100},
			Levels: meter.Levels{RMS: -24.4, Integrated: -23.1, TruePeak: -2.2, Frames: 1}, Floor: meter.Floor{Median: -70.2, Windows: 9}, RoomTone: slope(rng, -80),
		},
	}
	drawn := series.Part{Source: source, Wave: talk(rng, n), Before: slope(rng, -30), After: slope(rng, -32)}
	var uses []pipeline.StageUse
	for i := range stages {
		name := []string{"expander", "compressor", "compressor-2", "de-esser", "de-esser-2", "ride", "expander-2", "compressor-3"}[i%8]
		drawn.Stages = append(drawn.Stages, series.Stage{Name: name, Gain: moves(rng, n, 10)})
		uses = append(uses, pipeline.StageUse{Stage: name, Share: 0.41, MedianDB: -0.8, P95DB: -4.5, MaxDB: -9.9})
	}
	blob := pipeline.DigestOf([]byte{byte(number), byte(number >> 8), 'o'})
	s.sources[blob] = series.Source{Parts: []series.Part{drawn}}
	ch := pipeline.ChapterOutcome{Number: number, Name: sprintf("A Name of Chapter %d", number), Role: pipeline.RoleChapter, Verdict: pipeline.Ready, Parts: []pipeline.PartOutcome{part}}
	if findings > 0 {
		ch.Verdict = pipeline.Listen
	}
	headS, tailS := 0.75, 3.0
	for i, spec := range specs {
		drawn := pipeline.DigestOf([]byte{byte(number), byte(number >> 8), 'f', byte(i)})
		whole := n + int((headS+tailS)/series.StepS)
		s.files[drawn] = series.File{
			Wave: talk(rng, whole), Limiter: moves(rng, whole, 3), Spectrum: slope(rng, -28),
			Bodies: []series.Body{{Source: source, FileS: headS, LengthS: lengthS}},
		}
		ch.Files = append(ch.Files, pipeline.FileOutcome{
			Spec: spec.Spec, Format: spec.Sound.Files[0], Series: drawn, Source: blob, GainDB: []dsp.DB{4.1}, FloorGain: -62, Verdict: ch.Verdict,
			Record: pipeline.FileRecord{
				Levels: meter.Levels{RMS: -19.85, Integrated: -18.4, TruePeak: -3.05}, Floor: meter.Floor{Median: -67.7, Windows: 9},
				HeadS: headS, TailS: tailS, LengthS: lengthS + headS + tailS, Encodes: 1, Stages: uses,
				Limiter: pipeline.StageUse{Stage: "limiter", Share: 0.02, MedianDB: -0.4, P95DB: -1.2, MaxDB: -2.1},
				Opens:   pipeline.EdgeSound{RMS: -18.2, SpeechS: 11, Spectrum: slope(rng, -30)}, Ends: pipeline.EdgeSound{RMS: -18.9, SpeechS: 3, Spectrum: slope(rng, -31)},
				Loudest: pipeline.Spot{AtS: lengthS / 2, DB: -14.2}, Quietest: pipeline.Spot{AtS: lengthS / 2, DB: -24.4}, Sharpest: pipeline.Spot{AtS: lengthS * 0.7, DB: -11},
			},
		})
	}
	for i := range findings {
		f := pipeline.Finding{Check: "clipped", Source: source, Path: part.Path, StartS: dsp.Round2(lengthS * rng.Float64()), Measured: "12 samples cut flat at -0.1 dBFS", Limit: "none",
			Do: "listen whether it is heard; if so, ask for the line again with less gain", Weight: []pipeline.Verdict{pipeline.Listen, pipeline.Ready, pipeline.Ready}[i%3]}
		f.EndS = f.StartS + 0.2
		if i%5 == 1 {
			f.Check, f.Spec, f.Limit = "limiter", specs[i%len(specs)].Spec, "3 dB"
		}
		if i%7 == 3 {
			f.Accepted = "a door, and meant"
		}
		if i == 8 {
			f.Weight = pipeline.Return
		}
		ch.Findings = append(ch.Findings, f)
	}
	return ch
}

func specsFor(n int) (out []pipeline.Spec) {
	for i := range n {
		out = append(out, pipeline.Spec{
			Spec: []string{"lossless", "retail", "broadcast", "streaming-speech"}[i],
			Sound: pipeline.Sound{
				Level: pipeline.Level{Measure: pipeline.MeasureRMSPlain, Window: [2]float64{-23, -18}, Aim: -20}, Peak: pipeline.Peak{MaxDBTP: -3},
				Edges: pipeline.Edges{HeadS: [2]float64{0.5, 1}, HeadAimS: 0.75, TailS: [2]float64{1, 5}}, Files: []pipeline.FileFormat{{Format: pipeline.FLAC, RateHz: 44100, Channels: 1, Bits: 24}},
			},
			Limits: pipeline.Limits{NoiseFloorDBFS: -60, MaxMinutes: 120},
		})
	}
	return out
}

// long is a title of so many chapters; every tenth asks for an ear.
func long(chapters int, lengthS float64, stages, findings, specs int) (Report, Pictures) {
	s := shelf{map[pipeline.Digest]series.Source{}, map[pipeline.Digest]series.File{}}
	rng := rand.New(rand.NewPCG(5, 9))
	r := Report{Outcome: pipeline.Outcome{
		Run: "000012", Slug: "the-long-tide", Title: "The Long Tide", House: "kiln-yard", Verdict: pipeline.Listen, Specs: specsFor(specs),
		Sessions: []pipeline.SessionOutcome{{Narrator: "ines-marlow", Setup: "cupboard", Session: "monday", Chain: "cupboard", Revision: pipeline.DigestOf([]byte("c")), Fit: pipeline.FitRecord{GainDB: 2.3, SpeechS: 812}}},
		Gains:    pipeline.Gains{Specs: map[string]pipeline.LevelRecord{"lossless": {GainDB: map[string]dsp.DB{"ines-marlow": 4.1}}}},
	}}
	for i := range chapters {
		n := findings
		if i%10 != 0 {
			n = 0
		}
		r.Chapters = append(r.Chapters, s.chapterOf(rng, i+1, lengthS, stages, n, r.Specs...))
	}
	for _, spec := range r.Specs {
		r.Deliveries = append(r.Deliveries, Delivery{Spec: spec.Spec, Folder: "out/the-long-tide/" + spec.Spec, Files: chapters, Complete: true})
	}
	return r, s.pictures()
}
