package check

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// How far from the middle of its family a part may lie, whatever the spread of
// the others: steps that listeners hear from one chapter to the next, and more
// than what is read explains (common practice).
const (
	familyLevelDB  = 4.0
	familyToneDB   = 4.0
	familyFloorDB  = 6.0
	familyPace     = 0.10 // of the others' pace: chapters of one text differ by 2 to 3 %
	familyPaceSure = 0.15 // that is heard without looking for it
	familyNotice   = 3.0  // standard deviations of the others, for a notice
	familyDirectDB = 2.0
	familyVoicedDB = 25.0 // under a spectrum's highest third of an octave: there the room decides
	// familyEffortHz is above what a microphone's place changes most; a chapter with
	// raised voices is as far off there (their spectrum falls less steeply), so that
	// it is a notice.
	familyEffortHz = 500.0
)

func family() Check {
	return Check{
		Name: "family",
		Doc: "The part sounds unlike the title's other chapters of this narrator and session, as they were recorded: its level by more " +
			"than 4 dB, its tone by more than 4 dB in a third of an octave or 3 dB in an octave (90 to 6300 Hz, where the voice is, beside the middle of its bands; over 500 Hz a notice, for raised voices lie as far off), its floor by more than 6 dB, its pace by " +
			"more than 15 % (more than 10 %: a notice), its room by more than 2 dB in how far the voice falls in 60 ms; each by four times the spread of the others at least (a notice: three times). It takes five others with a minute of speech. A microphone " +
			"that was moved, a gain that was touched, a day that was named wrongly, a tired voice: or the story. Listen beside another chapter.",
		Read: func(t Title, chapter int) (out []pipeline.Finding) {
			if t.Chapters[chapter].Role != pipeline.RoleChapter {
				return nil
			}
			for _, p := range t.Chapters[chapter].Parts {
				if !steady(p) {
					continue
				}
				for _, f := range unlike(p, kin(t, chapter, p)) {
					f.Source, f.Path = p.Source, p.Path
					out = append(out, f)
				}
			}
			return out
		},
	}
}

// A trait is one number of a likeness that is held against others'.
type trait struct {
	of    func(pipeline.Likeness) float64 // NaN: not measured
	sure  float64                         // dB that it may lie off, whatever the spread
	least float64                         // dB that are a notice
	said  func(off float64) string        // how far it lies from the middle
	limit func(off float64) string
	do    string
}

func inDB(least float64, what string) (float64, float64, func(float64) string, func(float64) string) {
	return least, least,
		func(off float64) string { return fmt.Sprintf("%+.1f dB in %s", off, what) },
		func(off float64) string { return fmt.Sprintf("±%.1f dB", off) }
}

// traits are what family and history hold against each other, beside the tone.
func traits() []trait {
	level, floor, pace, room := trait{do: "listen beside another chapter of this session: was the gain touched, or the distance?"},
		trait{do: "listen to the pauses beside another chapter: what was switched on, or left open?"},
		trait{do: "listen beside another chapter: is it the story, or the day?"},
		trait{do: "listen beside another chapter: was the microphone moved, or something taken out of the booth?"}
	level.of = func(l pipeline.Likeness) float64 { return measured(float64(l.Speech)) }
	level.least, level.sure, level.said, level.limit = inDB(familyLevelDB, "level")
	floor.of = func(l pipeline.Likeness) float64 { return measured(float64(l.Floor)) }
	floor.least, floor.sure, floor.said, floor.limit = inDB(familyFloorDB, "the room's floor")
	pace.of = func(l pipeline.Likeness) float64 { return measured(20 * math.Log10(l.Pace)) }
	pace.least, pace.sure = 20*math.Log10(1+familyPace), 20*math.Log10(1+familyPaceSure)
	pace.said = func(off float64) string { return fmt.Sprintf("%+.0f %% in pace", 100*(math.Pow(10, off/20)-1)) }
	pace.limit = func(off float64) string { return fmt.Sprintf("±%.0f %%", 100*(math.Pow(10, off/20)-1)) }
	room.of = func(l pipeline.Likeness) float64 { return measured(float64(l.DirectDB)) }
	room.least, room.sure, room.said, room.limit = inDB(familyDirectDB, "how dry it is")
	return []trait{level, floor, pace, room}
}

// measured is NaN for what a likeness does not have: zero is written for it.
func measured(v float64) float64 {
	if v == 0 || math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
}

// unlike is what of a part lies outside its family: one finding for each trait,
// and one for the tone, at the band that is furthest off.
func unlike(p pipeline.PartOutcome, others []pipeline.PartOutcome) (out []pipeline.Finding) {
	values := func(of func(pipeline.Likeness) float64) (all []float64) {
		for _, q := range others {
			all = append(all, of(q.Likeness))
		}
		return all
	}
	beside := fmt.Sprintf("beside %s of this session", parts(len(others)))
	for _, t := range traits() {
		at := t.of(p.Likeness)
		middle, off, ok := usualOf(values(t.of), t.sure)
		d := math.Abs(at - middle)
		if !ok || math.IsNaN(d) {
			continue
		}
		weight, do := pipeline.Listen, t.do
		if d <= off && t.least < t.sure {
			off = max(t.least, familyNotice*deviation(values(t.of)))
			weight, do = pipeline.Ready, "nothing, unless the text does not ask for it"
		}
		if d > off {
			out = append(out, pipeline.Finding{Measured: t.said(at-middle) + " " + beside, Limit: t.limit(off), Do: do, Weight: weight})
		}
	}
	if len(others) < familyLeast {
		return out
	}
	var middle pipeline.Spectrum
	for i := range spectrum.ThirdOctaves() {
		middle = append(middle, dsp.DBFS(median(known(values(func(l pipeline.Likeness) float64 { return third(l.Spectrum, i) })))))
	}
	middle = voiced(middle)
	var usual []tone
	for _, q := range others {
		usual = append(usual, toneOf(q.Likeness.Spectrum, middle))
	}
	if off, ok := toneOf(p.Likeness.Spectrum, middle).off(usual, familyToneDB); ok {
		f := pipeline.Finding{
			Measured: fmt.Sprintf("%+.1f dB about %s %s", off.db, hertz(off.hz), beside), Limit: off.allowed(),
			Do: "listen beside another chapter: was the microphone moved?", Weight: pipeline.Listen,
		}
		if off.hz > familyEffortHz {
			f.Do, f.Weight = "nothing, where the text is louder or softer than elsewhere; else listen beside another chapter", pipeline.Ready
		}
		out = append(out, f)
	}
	return out
}

// voiced is a spectrum without the bands that the room fills more than the voice:
// far under its highest.
func voiced(s pipeline.Spectrum) pipeline.Spectrum {
	highest := math.Inf(-1)
	for i := range s {
		highest = math.Max(highest, float64(s[i]))
	}
	out := slices.Clone(s)
	for i := range out {
		if float64(out[i]) < highest-familyVoicedDB {
			out[i] = dsp.DBFS(math.Inf(-1))
		}
	}
	return out
}

func third(s pipeline.Spectrum, i int) float64 {
	if i >= len(s) || math.IsInf(float64(s[i]), 0) {
		return math.NaN()
	}
	return float64(s[i])
}

func parts(n int) string {
	if n == 1 {
		return "one other part"
	}
	return fmt.Sprintf("%d other parts", n)
}

// hertz is a frequency as people say it: two digits.
func hertz(hz float64) string {
	scale := math.Pow(10, math.Floor(math.Log10(hz))-1)
	return fmt.Sprintf("%g Hz", dsp.Round2(math.Round(hz/scale)*scale))
}
