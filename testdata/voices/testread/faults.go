package testread

import (
	"chapterhouse/testdata/voices/narration"
)

// A Fault is one thing that is wrong with a test read.
type Fault struct {
	Name string
	// Change makes another reading of it; nil: the clean one serves.
	Change func(r *Read)
	// Lay is what is done to the recording, room noise included; nil: the noise alone.
	Lay func(r Read, l narration.Labels) []Spoil
	// FormulaOnly: other voices are made without what it is a parameter of.
	FormulaOnly bool
	// Size is what was planted, in the fault's own unit: decibels, a rate in a
	// minute, seconds; 0: it has none.
	Size float64
}

// Walls are a booth with bare walls that takes 0.35 s to fall by 60 dB, about.
const Walls = "2.3x1.8x2.35,low=0.16,high=0.16,tail=0.35"

// Spoils are what is done to the recording of a reading for a fault.
func (f Fault) Spoils(r Read, l narration.Labels) []Spoil {
	if f.Lay == nil {
		return []Spoil{r.room()}
	}
	return f.Lay(r, l)
}

// room is the noise of a clean read.
func (r Read) room() Spoil { return Room(r.Booth, r.Noise, r.Seed) }

// Faults are all of them. Levels count from plain speech.
func Faults() []Fault {
	noise := func(kinds string) func(Read, narration.Labels) []Spoil {
		return func(r Read, _ narration.Labels) []Spoil { return []Spoil{Room(r.Booth, kinds, r.Seed+1)} }
	}
	after := func(spoils ...Spoil) func(Read, narration.Labels) []Spoil {
		return func(r Read, _ narration.Labels) []Spoil { return append([]Spoil{r.room()}, spoils...) }
	}
	from := func(of func(speech float64) Spoil) func(Read, narration.Labels) []Spoil {
		return func(r Read, _ narration.Labels) []Spoil { return []Spoil{r.room(), of(r.SpeechDBFS)} }
	}
	return []Fault{
		{Name: "hiss", Size: -70, Lay: noise("hiss:-70")},
		{Name: "rumble", Size: -66, Lay: noise("traffic:-66,hiss:-94")},
		{Name: "fan", Size: -68, Lay: noise("fan:-68@97,hiss:-94")},
		{Name: "loud room", Size: -60, Lay: noise("pink:-60")},
		{Name: "hum", Size: 60, Lay: noise("pink:-88,hiss:-93,hum:-70@60")},
		{Name: "hot", Lay: after(Peak(-0.5))},
		{Name: "soft", Lay: after(Gain(-22))},
		{Name: "clipped", Lay: after(Peak(15))},
		{Name: "live room", Size: 0.35, Change: func(r *Read) { r.Booth = Walls }},
		{Name: "low mids", Size: 7, Lay: after(Bell(300, 0.7, 7))},
		{Name: "dull", Size: -9, Lay: after(HighShelf(3300, -9))},
		{Name: "harsh", Size: 8, Lay: after(Bell(3200, 0.8, 8))},
		{Name: "sharp esses", Size: 10, Change: func(r *Read) { r.EssDB = 10 }, FormulaOnly: true},
		{Name: "plosives", Size: 14, Lay: func(r Read, l narration.Labels) []Spoil { return []Spoil{r.room(), Pops(l, 14, r.SpeechDBFS-5)} }},
		{Name: "near", Size: 10, Lay: after(LowShelf(220, 10))},
		{Name: "mouth noise", Size: 24, Lay: func(r Read, l narration.Labels) []Spoil { return []Spoil{r.room(), Clicks(l, 24, r.SpeechDBFS-12)} }},
		{Name: "restless", Size: 20, Lay: func(r Read, _ narration.Labels) []Spoil { return []Spoil{Wander(10), Gain(-6), r.room()} }},
		{Name: "gate", Size: 22, Lay: from(func(speech float64) Spoil { return Gate(speech-24, 22) })},
		{Name: "muted pauses", Lay: from(func(speech float64) Spoil { return Gate(speech-24, 300) })},
		{Name: "noise reduction", Lay: after(Denoise(9, 1.5, -24))},
		{Name: "limiter", Size: 9, Lay: from(func(speech float64) Spoil { return Limit(speech + 8) })},
	}
}
