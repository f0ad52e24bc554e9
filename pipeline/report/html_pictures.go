package report

import (
	"math"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
	"chapterhouse/pipeline/series"
)

// maxSpectra is how many parts of a chapter have their spectra drawn: the first ones.
const maxSpectra = 3

// files are a chapter's series, unpacked.
type files struct {
	parts []partSeries
	file  []fileSeries // one for each spec, in the order of ch.Files
}

type partSeries struct {
	series.Part
	wave  []float32
	gains [][]float32 // of its stages
}

type fileSeries struct {
	series.File
	of            pipeline.FileOutcome
	wave, limiter []float32
}

func (f files) bodies() []series.Body {
	if len(f.file) == 0 {
		return nil
	}
	return f.file[0].Bodies
}

// read reads a chapter's series, of each spec its first file's, as far as they
// can be read.
func (b builder) read(ch pipeline.ChapterOutcome) (f files, err error) {
	var traces unpacker
	seen := map[string]bool{}
	for _, out := range ch.Files {
		if seen[out.Spec] {
			continue
		}
		seen[out.Spec] = true
		one, err := b.file(out)
		if err != nil {
			return f, err
		}
		f.file = append(f.file, fileSeries{File: one, of: out, wave: traces.values(one.Wave), limiter: traces.values(one.Limiter)})
	}
	if ch.Role == pipeline.RoleAsset {
		return f, traces.err
	}
	source, err := b.source(ch.Files[0])
	if err != nil {
		return f, err
	}
	for _, p := range source.Parts {
		part := partSeries{Part: p, wave: traces.values(p.Wave)}
		for _, s := range p.Stages {
			part.gains = append(part.gains, traces.values(s.Gain))
		}
		f.parts = append(f.parts, part)
	}
	return f, traces.err
}

// unpacker keeps the first error of several traces.
type unpacker struct{ err error }

func (u *unpacker) values(t series.Trace) []float32 {
	v, err := t.Values()
	if u.err == nil {
		u.err = err
	}
	return v
}

// inTime is a chapter's findings in the order of its table and numbers: those
// of all of it, most urgent first, then as they stand in the file.
func inTime(ch pipeline.ChapterOutcome, bodies []series.Body) []pipeline.Finding {
	found := attention.Together(ch.Findings)
	at := func(f pipeline.Finding) float64 {
		if !placed(f) {
			return -1
		}
		if s, ok := fileTime(bodies, f.Source, f.StartS); ok {
			return s
		}
		return math.Inf(1) // in no file, or nobody knows: as they came
	}
	slices.SortStableFunc(found, func(a, b pipeline.Finding) int {
		switch x, y := at(a), at(b); {
		case x < y:
			return -1
		case x > y:
			return 1
		case x < 0:
			return urgency(a) - urgency(b)
		}
		return 0
	})
	return found
}

// pictures draws what there is.
func (v *chapterView) pictures(b builder, ch pipeline.ChapterOutcome, d files) {
	if v.Missing != "" || len(d.file) == 0 {
		return
	}
	raw, stages := d.asItCame()
	var marks []mark
	for n, f := range inTime(ch, d.bodies()) {
		if s, ok := fileTime(d.bodies(), f.Source, f.StartS); ok && placed(f) {
			marks = append(marks, mark{number: n + 1, weight: weight(f), urgency: urgency(f), atS: s, toS: s + max(0, f.EndS-f.StartS)})
		}
	}
	limiters := make([][]run, len(d.file))
	all := [][]run{}
	for i, f := range d.file {
		limiters[i] = whole(f.limiter, f.of.Record.LengthS)
		all = append(all, limiters[i])
	}
	for _, s := range stages {
		all = append(all, s.runs)
	}
	scale := scaleOf(all...)
	for i, f := range d.file {
		name := b.fileName(f.of)
		t := newTimeline(sprintf("%s over time, %s: peaks as delivered and gains", v.Title, name), f.of.Record.LengthS)
		columns := sideColumns
		if i == 0 {
			columns = waveColumns
			if len(raw) > 0 {
				t.wave("as it came", "peak, dBFS", "r", columns, raw)
			}
			if len(marks) > 0 {
				t.y -= rowGap
				v.Unmarked = t.marks(marks)
			} else {
				t.y += 5
			}
		}
		t.wave("delivered", "peak, dBFS", "d", columns, whole(f.wave, f.of.Record.LengthS))
		for _, s := range b.r.Specs {
			if s.Spec == f.of.Spec {
				t.ceiling(float64(s.Sound.Peak.MaxDBTP), minus(sprintf("limit %.1f dBTP", float64(s.Sound.Peak.MaxDBTP))))
			}
		}
		t.spots(f.of.Record)
		if i == 0 {
			for _, s := range stages {
				t.gain(s.name, "gain, dB", scale, s.runs)
			}
		}
		t.gain("limiter", "gain, dB", scale, limiters[i])
		if i == 0 {
			v.Time = t.axis()
		} else {
			v.Others = append(v.Others, t.axis())
		}
	}
	for i, p := range d.parts {
		if i < maxSpectra && i < len(ch.Parts) {
			drawn := captioned{Picture: partSpectra(ch, i, p.Part)}
			if len(ch.Parts) > 1 {
				drawn.Caption = ch.Parts[i].Path
			}
			if len(drawn.Picture.Shapes) > 0 {
				v.Spectra = append(v.Spectra, drawn)
			}
		}
	}
}

// stageRuns is one stage's gain in all parts that have it.
type stageRuns struct {
	name string
	runs []run
}

// asItCame lays the parts' traces where their bodies stand in the first file.
func (d files) asItCame() (wave []run, stages []stageRuns) {
	for _, p := range d.parts {
		endS := p.StartS + float64(len(p.wave))*series.StepS
		lay := func(v []float32) (runs []run) {
			for _, b := range d.bodies() {
				if b.Source == p.Source && b.SourceS >= p.StartS-0.005 && b.SourceS < endS {
					runs = append(runs, run{values: v, atS: b.FileS - (b.SourceS - p.StartS), fromS: b.FileS, toS: b.FileS + b.LengthS})
				}
			}
			return runs
		}
		wave = append(wave, lay(p.wave)...)
		for k, s := range p.Stages {
			i := slices.IndexFunc(stages, func(known stageRuns) bool { return known.name == s.Name })
			if i < 0 {
				i, stages = len(stages), append(stages, stageRuns{name: s.Name})
			}
			stages[i].runs = append(stages[i].runs, lay(p.gains[k])...)
		}
	}
	return wave, stages
}

// partSpectra is a part while speaking, before and after its chain, at one
// level: the gain that the session was given is added to what came in.
func partSpectra(ch pipeline.ChapterOutcome, i int, p series.Part) picture {
	fit := float64(ch.Parts[i].FitDB)
	came := "as it came"
	if fit != 0 {
		came = minus(sprintf("as it came, %+.1f dB", fit))
	}
	return spectra(sprintf("spectrum of %s while speaking, before and after the chain", ch.Parts[i].Path),
		curve{class: "ct", name: "room tone" + came[len("as it came"):], bands: ch.Parts[i].Profile.RoomTone, addDB: fit},
		curve{class: "cb", name: came, bands: p.Before, addDB: fit},
		curve{class: "ca", name: "after the chain", bands: p.After})
}

// floors draws every file's noise floor: as it came, after the gains, as delivered.
func floors(b builder, ch pipeline.ChapterOutcome) picture {
	if len(ch.Files) == 0 || len(ch.Parts) == 0 {
		return picture{}
	}
	const left, right, top, step = 150.0, 486.0, 42.0, 46.0
	p := picture{W: spectrumWidth, Label: "noise floor as it came, after the gains and as delivered, dBFS"}
	x := func(db float64) float64 { return left + (right-left)*min(max((db+100)/70, 0), 1) }
	y := top
	grid := ""
	bottom := top + step*float64(len(ch.Files)) - 14
	for db := -100.0; db <= -30; db += 10 {
		grid += down(x(db), top-18, bottom)
		p.text("t", x(db), bottom+14, minus(sprintf("%.0f", db)))
	}
	p.path("v", grid)
	p.text("k", 0, bottom+14, "dBFS")
	key := 4.0
	for _, k := range []struct{ shape, name string }{{"raw", "as it came"}, {"gain", "after the gains"}, {"out", "delivered"}} {
		p.path("p"+k.shape[:1], point(k.shape, key+6, 9))
		p.text("s", key+18, 13, k.name)
		key += 34 + 6.4*float64(len(k.name))
	}
	p.path("l", across(key, key+16, 9))
	p.text("s", key+21, 13, "limit")
	for _, f := range ch.Files {
		raw, gain, out := float64(ch.Parts[0].Profile.Floor.Median), float64(f.FloorGain), float64(f.Record.Floor.Median)
		p.text("n", 0, y+1, b.fileName(f))
		p.path("f", across(left, right, y))
		for _, s := range b.r.Specs {
			if s.Spec == f.Spec && s.Limits.NoiseFloorDBFS != 0 {
				at := x(float64(s.Limits.NoiseFloorDBFS))
				p.path("l", down(at, y-14, y+14))
			}
		}
		for _, k := range []struct {
			shape string
			db    float64
		}{{"raw", raw}, {"gain", gain}, {"out", out}} {
			if !math.IsNaN(k.db) && !math.IsInf(k.db, 0) {
				p.path("p"+k.shape[:1], point(k.shape, x(k.db), y))
			}
		}
		if f.Record.Floor.Windows > 0 {
			p.text("k", 0, y+15, minus(sprintf("%s → %s → %s", num(raw), num(gain), num(out))))
		} else {
			p.text("k", 0, y+15, "not measurable")
		}
		y += step
	}
	p.H = int(bottom + 20)
	return p
}

// point is a ring, a lozenge or a disc around a place.
func point(shape string, x, y float64) string {
	if shape == "gain" {
		return sprintf("M%s %sl6 7l-6 7l-6 -7z", coordinate(x), coordinate(y-7))
	}
	return sprintf("M%s %sa5.5 5.5 0 1 0 11 0a5.5 5.5 0 1 0 -11 0", coordinate(x-5.5), coordinate(y))
}
