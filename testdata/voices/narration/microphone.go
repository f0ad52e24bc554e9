package narration

import (
	"math"

	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/speech"
)

// A Microphone is what goes wrong between mouth and file, beside what the room
// does. The zero value is a microphone at arm's length and a sound converter.
type Microphone struct {
	PlosivesPct float64 // share of /p/ and /b/ whose breath strikes it
	PlosiveDB   float64 // plain RMS of such a pop against plain speech
	TicksMin    float64 // ticks of the converter in a minute, anywhere
	TickDB      float64 // height of the highest against plain speech; they spread over 20 dB
}

// An event is a sound that no room has shaped, from a frame on.
type event struct {
	at      int64
	samples []float64
}

// pops are the plosives of a take that begins at a frame. A voice without phones
// pops as often, anywhere in a sentence: every 1.5 s at 100 %.
func (n *narrator) pops(t speech.Take) []event {
	if n.manner.Microphone.PlosivesPct <= 0 {
		return nil
	}
	var list []event
	phones := false
	for _, m := range t.Marks {
		if m.Kind != "phone" {
			continue
		}
		phones = true
		if m.Text != "p" && m.Text != "b" {
			continue
		}
		// The lips part after some six tenths of it.
		list = n.pop(list, n.at+m.From+int64(float64(0.6*float64(m.To-m.From))))
	}
	if phones {
		return list
	}
	for _, m := range t.Marks {
		if m.Kind != "sentence" {
			continue
		}
		for s := n.poppings.Between(0, 1.5); s < float64(m.To-m.From)/n.rateHz-0.1; s += n.poppings.Between(1, 2) {
			list = n.pop(list, n.at+m.From+int64(float64(s*n.rateHz)))
		}
	}
	return list
}

func (n *narrator) pop(list []event, at int64) []event {
	if n.poppings.Between(0, 100) >= n.manner.Microphone.PlosivesPct {
		return list
	}
	return append(list, event{at, Pop(n.poppings, n.rateHz)})
}

// Pop is breath that strikes a diaphragm: noise under 50 to 120 Hz that rises
// within 3 ms and is over after 10 to 60 ms, and what of it a microphone hears,
// from 20 Hz on. Its plain RMS is 1.
func Pop(r *exact.Random, rateHz float64) []float64 {
	hz, lasts := r.Between(50, 120), r.Between(0.010, 0.060)
	x := make([]float64, int(float64(lasts*rateHz)))
	low := 1 - exact.Exp(-2*math.Pi*hz/rateHz)
	high := 1 - exact.Exp(-2*math.Pi*20/rateHz)
	// Slow noise: a new value every 2 ms, so that a short puff is one swing.
	hold, value := int(0.002*rateHz), 0.0
	var a, b, c, slow float64
	for i := range x {
		if i%hold == 0 {
			value = 0.6 + r.White()
		}
		at := float64(i) / float64(len(x))
		shape := min(1, float64(i)/(0.003*rateHz)) * min(1, (1-at)/0.5)
		a += float64(low * (float64(shape*value) - a))
		b += float64(low * (a - b))
		c += float64(low * (b - c))
		slow += float64(high * (c - slow))
		x[i] = float64((c - slow) * min(1, (1-at)/0.2))
	}
	var sum float64
	for _, v := range x {
		sum += float64(v * v)
	}
	g := 1 / math.Sqrt(sum/float64(len(x)))
	for i := range x {
		x[i] *= g
	}
	return x
}

// ticks are those that fall into the next frames: spikes of one sample, and
// jumps that the input's capacitor takes back within 20 ms.
func (n *narrator) ticks(frames int64) []event {
	rate := n.manner.Microphone.TicksMin / 60 / n.rateHz
	if rate <= 0 {
		return nil
	}
	var list []event
	for n.nextTick < n.at+frames {
		if n.nextTick > 0 {
			list = append(list, event{n.nextTick, n.tick()})
		}
		n.nextTick += int64(float64(n.ticking.Between(0.5, 1.5) / rate))
	}
	return list
}

func (n *narrator) tick() []float64 {
	height := exact.Amplitude(-n.ticking.Between(0, 20))
	if n.ticking.Uniform() < 0.5 {
		height = -height
	}
	if n.ticking.Uniform() < 0.6 {
		return []float64{height}
	}
	x := make([]float64, int(0.14*n.rateHz)) // until it is 60 dB down
	fade := exact.Exp(-1 / (0.02 * n.rateHz))
	for i := range x {
		x[i] = height
		height *= fade
	}
	return x
}

// mark names an event's frames; of a jump only the edge.
func (e event) mark(kind string) speech.Mark {
	to := e.at + int64(len(e.samples))
	if kind == "tick" {
		to = e.at + 1
	}
	return speech.Mark{Kind: kind, From: e.at, To: to}
}

// A track adds events to blocks that are handed out in order.
type track struct {
	events []event
	gain   float64
	at     int64
}

func (t *track) add(block []float64) {
	end := t.at + int64(len(block))
	left := t.events[:0]
	for _, e := range t.events {
		for i := max(e.at, t.at); i < min(e.at+int64(len(e.samples)), end); i++ {
			block[i-t.at] += float64(t.gain * e.samples[i-e.at])
		}
		if e.at+int64(len(e.samples)) > end {
			left = append(left, e)
		}
	}
	t.events = left
	t.at = end
}
