package check

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

const (
	digitalSilenceS = 0.050
	silencePlaces   = 20 // more are one finding: somebody muted every pause
)

func digitalSilence() Check {
	return Check{
		Name: "digital-silence",
		Doc: "50 ms or more of one unchanging value inside the recording: a dropout, a muted stretch or an " +
			"edit filled with nothing. Under headphones the room vanishes and comes back. Fill it with the " +
			"booth's own room tone.",
		Listen: func(p Part) Listener { return &silenceListener{rateHz: p.RateHz} },
	}
}

type silenceListener struct {
	rateHz int
	at     dsp.Frames
	last   float64
	run    dsp.Frames
	places []Stretch
}

func (l *silenceListener) Hear(x []float64) {
	for _, v := range x {
		if v != l.last {
			l.end()
			l.run = 0
			l.last = v
		}
		l.run++
		l.at++
	}
}

func (l *silenceListener) end() {
	if s := l.run.Seconds(l.rateHz); s >= digitalSilenceS {
		l.places = append(l.places, Stretch{
			From: l.at - l.run, To: l.at, Weight: pipeline.Listen,
			Measured: fmt.Sprintf("%.2f s without any room", s),
			Limit:    fmt.Sprintf("%.2f s", digitalSilenceS),
			Do:       "listen for the gap; have it filled with the booth's room tone or the passage recorded again",
		})
	}
}

// Heard leaves out a last stretch that runs to the end, and a first one from
// the start: heads and tails are laid anew from room tone.
func (l *silenceListener) Heard() []Stretch {
	places := l.places
	if len(places) > 0 && places[0].From == 0 {
		places = places[1:]
	}
	if len(places) <= silencePlaces {
		return places
	}
	var all dsp.Frames
	for _, p := range places {
		all += p.To - p.From
	}
	one := places[0]
	one.To = places[len(places)-1].To
	one.Measured = fmt.Sprintf("%.2f s without any room, in %d places", all.Seconds(l.rateHz), len(places))
	one.Do = "listen to the pauses; have them filled with the booth's room tone, or ask for the recording before they were muted"
	return []Stretch{one}
}
