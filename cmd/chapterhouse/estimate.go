package main

import (
	"path"
	"strings"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
)

// rates are the seconds of processor that a step takes for a second of audio;
// a file counts each time it is made.
type rates map[pipeline.Step]float64

// usualRates count until a night has measured its own: about those of the demo
// title on one machine, rounded up.
func usualRates() rates {
	return rates{pipeline.StepProfile: 0.004, pipeline.StepWeigh: 0.006, pipeline.StepFile: 0.015, pipeline.StepCheck: 0.002}
}

// enough is how many seconds of audio tell a rate.
const enough = 60

// measured is what results took so far, where they are enough to tell, else r.
func (r rates) measured(cost map[pipeline.Step]pipeline.Cost) rates {
	out := rates{}
	for step, usual := range r {
		out[step] = usual
		if c := cost[step]; c.AudioS >= enough && c.CPUS > 0 {
			out[step] = c.CPUS / c.AudioS
		}
	}
	return out
}

// ahead is what a title still asks for, in processor time: of all that is
// missing, and of the one chapter that takes longest, which one slot does alone.
type ahead struct{ all, longest time.Duration }

// aheadOf tells it for a title whose sources were opened. Of a chapter, files
// are made; a check goes with them.
func aheadOf(t coordinator.Title, files int, r rates) ahead {
	perSecond := map[pipeline.Step]float64{ // of the phase that is worked on, and of those behind it
		pipeline.StepProfile: r[pipeline.StepProfile],
		pipeline.StepWeigh:   r[pipeline.StepWeigh],
		pipeline.StepFile:    float64(files)*r[pipeline.StepFile] + r[pipeline.StepCheck],
	}
	var a ahead
	for _, c := range t.Chapters {
		if c.Hole != "" {
			continue
		}
		if t.Step == pipeline.StepSurvey { // every step is ahead
			a.add((perSecond[pipeline.StepProfile] + perSecond[pipeline.StepWeigh] + perSecond[pipeline.StepFile]) * c.Seconds)
			continue
		}
		left, here := 0.0, false
		for _, step := range []pipeline.Step{pipeline.StepProfile, pipeline.StepWeigh, pipeline.StepFile} {
			n := len(c.Done) + len(c.Missing)
			switch {
			case step == t.Step && n > 0:
				left += perSecond[step] * float64(len(c.Missing)) / float64(n)
				here = true
			case step == t.Step || here: // a late chapter is not there yet
				left += perSecond[step]
				here = true
			}
		}
		a.add(left * c.Seconds)
	}
	return a
}

// aheadUnopened guesses it from the bytes of sources that nobody has opened.
func aheadUnopened(sources []pipeline.SourceFile, files int, r rates) ahead {
	all := r[pipeline.StepProfile] + r[pipeline.StepWeigh] + float64(files)*r[pipeline.StepFile] + r[pipeline.StepCheck]
	var a ahead
	for _, src := range sources {
		a.add(all * guessSeconds(src))
	}
	return a
}

func (a *ahead) add(seconds float64) {
	d := time.Duration(seconds * float64(time.Second))
	a.all += d
	a.longest = max(a.longest, d)
}

// guessSeconds takes a source for mono at 44.1 kHz and 24 bits, which is
// 132,300 bytes a second in WAV, about 55 % of that in FLAC, and 192 kbit/s in MP3.
func guessSeconds(s pipeline.SourceFile) float64 {
	perSecond := 132300.0
	switch strings.ToLower(path.Ext(s.Path)) {
	case ".flac":
		perSecond *= 0.55
	case ".mp3":
		perSecond = 24000
	}
	return float64(s.Bytes) / perSecond
}

// place is a title in the night's order, as an estimate needs it.
type place struct {
	ahead
	engine string // whose workers do it
	due    time.Time
}

// forecast is when a title will be closed.
type forecast struct {
	known bool // false: no worker of its engine is up
	left  time.Duration
	at    time.Time
	over  bool // after its due date
}

// forecasts says for titles in the night's order when each will be closed, if
// the workers stay as many as there are: the titles before it come first, and
// no chapter is faster than one slot. Titles of one order share the slots in
// truth; the first of them is told too early by that.
func forecasts(now time.Time, titles []place, slots map[string]int) []forecast {
	out := make([]forecast, len(titles))
	before := map[string]time.Duration{}
	for i, t := range titles {
		n := slots[t.engine]
		before[t.engine] += t.all
		if n > 0 {
			left := max(before[t.engine]/time.Duration(n), t.longest)
			out[i] = forecast{known: true, left: left, at: now.Add(left)}
		}
		if !t.due.IsZero() {
			out[i].over = now.After(t.due) || out[i].known && out[i].at.After(t.due)
		}
	}
	return out
}
