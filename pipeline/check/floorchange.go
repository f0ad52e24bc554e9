package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

const (
	floorChangeDB = 4.5 // A-weighted: a step that is heard beneath the words
	toneChangeDB  = 4.5 // RMS of the octaves
	roomPlaces    = 3   // more are one finding
)

func floorChange() Check {
	return Check{
		Name: "floor-change",
		Doc: "The room beneath the words becomes louder or softer by 4.5 dB or more (A-weighted, or RMS over its octaves) within some seconds, and stays so: a fan, a " +
			"heating, a window, another gain. Under headphones the room is heard to change. Listen to the pauses before and after; have the rest recorded as the start was.",
		Listen: func(p Part) Listener {
			return &roomListener{roomCourse: p.roomCourse(), what: "changes",
				do: "listen to the pauses before and after: what was switched on or off, or opened? Record the rest as the start was"}
		},
	}
}

// A roomListener finds the changes of the room that are edits, or those that are not.
type roomListener struct {
	*roomCourse
	edits    bool
	what, do string
}

func (l *roomListener) Hear([]float64) {}

func (l *roomListener) Heard() (out []Stretch) {
	for _, s := range l.steps(floorChangeDB, toneChangeDB) {
		if s.abrupt != l.edits {
			continue // the other check's
		}
		from, to := l.place(s)
		found := Stretch{From: from, To: to, Measured: s.measured(), Limit: fmt.Sprintf("%g dB", floorChangeDB), Do: l.do, Weight: pipeline.Listen}
		if d := math.Abs(s.after - s.before); d >= floorChangeDB { // else its tone is what changed
			found.Value, found.LimitValue, found.Unit = dsp.Round2(d), floorChangeDB, "dB"
		}
		out = append(out, found)
	}
	return fewPlaces(out, l.what)
}

// measured is a step in words.
func (s roomStep) measured() string {
	text := fmt.Sprintf("the room goes from %.0f to %.0f dBFS (A-weighted)", s.before, s.after)
	if math.Abs(s.after-s.before) < floorChangeDB {
		text += fmt.Sprintf(", its octaves by %.0f dB (RMS)", s.toneDB)
	}
	return text
}

// fewPlaces makes one finding of many, from the first to the last.
func fewPlaces(all []Stretch, what string) []Stretch {
	if len(all) <= roomPlaces {
		return all
	}
	one := all[0]
	one.To = all[len(all)-1].To
	one.Measured = fmt.Sprintf("%d %s; the first: %s", len(all), what, one.Measured)
	return []Stretch{one}
}
