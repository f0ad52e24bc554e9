package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// Asked is one thing that a spec asks of a file, beside what the file has.
type Asked struct {
	What     string
	Unit     string
	Measured float64 // −Inf for silence, NaN where it could not be measured
	Low      float64 // NaN: not bounded below
	High     float64
	Left     float64 // room to the nearer bound, negative outside; NaN where not measured
	Met      bool
}

// Facts are what a spec's limits look at in a file.
type Facts struct {
	Levels                meter.Levels
	Floor                 meter.Floor
	HeadS, TailS, LengthS float64
}

// FactsOf are a delivered file's.
func FactsOf(r pipeline.FileRecord) Facts {
	return Facts{Levels: r.Levels, Floor: r.Floor, HeadS: r.HeadS, TailS: r.TailS, LengthS: r.LengthS}
}

// Beside puts what a spec asks of a file in a role beside what the file has,
// format aside, its level first. Of an asset it asks level, peak and length.
func Beside(s pipeline.Spec, role pipeline.Role, f Facts) []Asked {
	l := s.Sound.Level
	what := "RMS, plain"
	if l.Measure == pipeline.MeasureLoudness {
		what = "loudness"
		if m := l.Meaning(); m != "" {
			what += ", " + m
		}
	}
	rows := []Asked{
		asked(what, l.Unit(), l.Of(f.Levels), l.Window[0], l.Window[1]),
		asked("true peak", "dBTP", float64(f.Levels.TruePeak), dsp.Unmeasured, float64(s.Sound.Peak.MaxDBTP)),
	}
	if role != pipeline.RoleAsset {
		if limit := float64(s.Limits.NoiseFloorDBFS); limit != 0 {
			at := float64(f.Floor.Median)
			if f.Floor.Windows == 0 {
				at = dsp.Unmeasured
			}
			rows = append(rows, asked("noise floor", "dBFS", at, dsp.Unmeasured, limit))
		}
		e := s.Sound.Edges
		rows = append(rows, asked("head", "s", f.HeadS, e.HeadS[0], e.HeadS[1]), asked("tail", "s", f.TailS, e.TailS[0], e.TailS[1]))
	}
	if limit := s.Limits.MaxMinutes; limit > 0 {
		rows = append(rows, asked("length", "min", f.LengthS/60, dsp.Unmeasured, limit))
	}
	return rows
}

func asked(what, unit string, at, low, high float64) Asked {
	a := Asked{What: what, Unit: unit, Measured: at, Low: low, High: high, Left: high - at}
	if !math.IsNaN(low) {
		a.Left = math.Min(at-low, high-at)
	}
	a.Met = a.Left >= 0
	return a
}

// Window is the bounds as a person reads them.
func (a Asked) Window() string {
	if math.IsNaN(a.Low) {
		return fmt.Sprintf("at most %g %s", a.High, a.Unit)
	}
	return fmt.Sprintf("%g to %g %s", a.Low, a.High, a.Unit)
}
