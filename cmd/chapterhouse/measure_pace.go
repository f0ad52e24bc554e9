package main

import (
	"cmp"
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
)

// PaceAndRoom is how fast a file is read and how its room answers, of its first
// channel, as the checks hear both.
type PaceAndRoom struct {
	Pace     float64 `json:"pace"`               // syllables a second while speaking; 0: not measured
	Room     string  `json:"room,omitempty"`     // dry, some room, live; empty: not measured
	ReverbS  float64 `json:"reverb_s,omitempty"` // absent: not measurable, under meter.ShortestReverbS
	DirectDB dsp.DB  `json:"direct_db,omitempty"`
}

// earsFor hear a file as checks do, with no check.
func earsFor(m Measured) *check.Ears {
	return check.NewEars(nil, check.Part{
		RateHz: m.Is.RateHz, Frames: m.Levels.Frames, Speech: m.Levels.Speech, Floor: m.Room.Floor,
		RoomTone: m.Room.ToneSpectrum, Marks: pipeline.Marks{Phrases: m.Room.Phrases},
	})
}

// paceAndRoom is what ears have heard of a file.
func paceAndRoom(ears *check.Ears) PaceAndRoom {
	ears.Heard()
	l := ears.Likeness()
	room := meter.Reverberation{Seconds: l.ReverbS, DirectDB: l.DirectDB}
	return PaceAndRoom{Pace: l.Pace, Room: room.Class(), ReverbS: l.ReverbS, DirectDB: l.DirectDB}
}

// rows are the lines to print.
func (p PaceAndRoom) rows(which string, row func(what, value, note string)) {
	pace := dsp.DB(dsp.Unmeasured).String()
	if p.Pace > 0 {
		pace = fmt.Sprintf("%.1f syllables/s", p.Pace)
	}
	row("pace", pace, "while speaking, after de Jong and Wempe 2009"+which)
	decay, fall := fmt.Sprintf("not measurable, under %.2f s", meter.ShortestReverbS), "too little is said"
	if p.ReverbS > 0 {
		decay = fmt.Sprintf("%.1f s to -60 dB", p.ReverbS)
	}
	if p.Room == "" {
		decay = dsp.DB(dsp.Unmeasured).String()
	} else {
		fall = fmt.Sprintf("the voice falls %.1f dB in 60 ms, %.0f with no room; told by the voice alone", float64(p.DirectDB), meter.MostDirectDB)
	}
	row("reverberation", decay, fall)
	row("  the room is", cmp.Or(p.Room, dsp.DB(dsp.Unmeasured).String()), "")
}
