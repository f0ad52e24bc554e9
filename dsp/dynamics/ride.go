package dynamics

import (
	"cmp"
	"fmt"
	"sort"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
)

// RideSettings are a ride's parameters; see Ride.
type RideSettings struct {
	ReferenceDBFS float64
	SharePercent  float64
	MaxDB         float64
	RampMS        float64
	Phrases       []meter.Phrase
}

// A Ride moves a fader as a hand does: each phrase gets one gain that brings it
// a share of the way to the session's speech level, and the fader moves only
// while nobody speaks. A listener hears a whisper and a shout without reaching
// for the volume, and still hears that it is a whisper; with too large a share
// everything is said alike, and a compressor after it has nothing left to do.
//
// With L a phrase's level, S the share and R the reference:
//
//	gain = S·(R - L), within ±max
//
// so that of two phrases the louder one stays the louder. In a pause the gain
// runs to 0 dB and on to the next phrase's, each in ramp_ms, or half the pause
// where that is shorter, along 3u² - 2u³ in dB. A pause too short for both
// goes by way of the gain nearest to 0 dB between the two, and over 2 dB in none,
// so that room tone is not lifted with the words around it. Before the first
// phrase and after the last it is 0 dB.
//
// Parameters:
//   - ReferenceDBFS: the session's speech level, ITU-T P.56, -80 to 0; no default.
//   - SharePercent: 0 to 90; no default.
//   - MaxDB: the most it lifts or lowers, 0 to 6; no default.
//   - RampMS: 50 to 500; no default.
//   - Phrases: bounds in frames of the part and levels, ITU-T P.56, in order and
//     not overlapping. None: nothing moves, and the bits stay.
//
// Latency: none. It remembers nothing: where it is in its part is all.
//
// Source: riding by hand is common practice; formula and ramps are this
// project's own. Levels: ITU-T P.56 (12/2011).
type Ride struct {
	phrases []meter.Phrase
	gainDB  []float64 // of each phrase
	ramping float64   // frames
	step    int
	at      dsp.Frames
	next    int // the first phrase that ends after at
	ramp    *kernel.Ramp
	gainsDB []float64
	gains   []float64
}

const (
	mostShare   = 90
	mostRideDB  = 6
	toneLiftDB  = 2 // of room tone
	levelLowest = -80
)

// NewRide makes a ride at the start of its part.
func NewRide(s RideSettings, rateHz float64) (*Ride, error) {
	err := cmp.Or(
		dsp.CheckRate(rateHz),
		dsp.Within("reference_dbfs", s.ReferenceDBFS, levelLowest, 0),
		dsp.Within("share_percent", s.SharePercent, 0, mostShare),
		dsp.Within("max_db", s.MaxDB, 0, mostRideDB),
		dsp.Within("ramp_ms", s.RampMS, 50, 500),
	)
	if err != nil {
		return nil, err
	}
	step := dsp.ControlStep(rateHz)
	n := dsp.Quantum / step
	r := &Ride{phrases: s.Phrases, ramping: s.RampMS / 1000 * rateHz, step: step, ramp: kernel.NewRamp(step, 1), gainsDB: make([]float64, n), gains: make([]float64, n)}
	for i, p := range s.Phrases {
		if p.To <= p.From || i > 0 && p.From < s.Phrases[i-1].To {
			return nil, fmt.Errorf("phrase %d runs from %d to %d, it must be in order and overlap none", i+1, p.From, p.To)
		}
		r.gainDB = append(r.gainDB, max(-s.MaxDB, min(s.MaxDB, s.SharePercent/100*(s.ReferenceDBFS-float64(p.Level)))))
	}
	return r, nil
}

// Settle is one control step.
func (s RideSettings) Settle(rateHz float64) int { return dsp.ControlStep(rateHz) }

// Process rides one quantum in place.
func (r *Ride) Process(block []float64) {
	for i := range r.gainsDB {
		r.at += dsp.Frames(r.step)
		r.gainsDB[i] = r.gainAt(r.at - 1) // a ramp is at its gain with the last sample of a step
	}
	kernel.DBToAmplitudes(r.gains, r.gainsDB)
	for i, db := range r.gainsDB {
		if db == 0 {
			r.gains[i] = 1 // to the bit
		}
	}
	r.ramp.Process(block, r.gains)
}

// gainAt is the gain in dB at a frame not before the last one asked for.
func (r *Ride) gainAt(at dsp.Frames) float64 {
	for r.next < len(r.phrases) && r.phrases[r.next].To <= at {
		r.next++
	}
	var before, after float64 // gains on either side of the pause
	from, to := at, at+dsp.Frames(4*r.ramping)
	if r.next > 0 {
		before, from = r.gainDB[r.next-1], r.phrases[r.next-1].To
	} else {
		from = at - dsp.Frames(4*r.ramping)
	}
	if r.next < len(r.phrases) {
		after, to = r.gainDB[r.next], r.phrases[r.next].From
		if at >= to {
			return after
		}
	}
	return r.pause(before, after, float64(at-from), float64(to-at))
}

// pause is the gain in a pause since frames after its start and until frames
// before its end.
func (r *Ride) pause(before, after, since, until float64) float64 {
	ramp, between := r.ramping, 0.0
	if length := since + until; length < 2*ramp {
		ramp = length / 2
		between = min(toneLiftDB, max(min(before, after), min(0, max(before, after))))
	}
	if since < ramp {
		return before + float64((between-before)*smoothstep(since/ramp))
	}
	if until < ramp {
		return after + float64((between-after)*smoothstep(until/ramp))
	}
	return between
}

// smoothstep runs from 0 to 1 with level ends.
func smoothstep(u float64) float64 { return float64(u*u) * (3 - float64(2*u)) }

// Place says where in its part the next quantum is.
func (r *Ride) Place(at dsp.Frames) {
	r.at = at
	r.next = sort.Search(len(r.phrases), func(i int) bool { return r.phrases[i].To > at })
	r.ramp.Reset()
}

// Latency is 0.
func (r *Ride) Latency() int { return 0 }

// Reset goes back to the start of the part.
func (r *Ride) Reset() {
	r.Place(0)
	clear(r.gainsDB)
}

// GainsDB is the gain of the last quantum, one value a control step.
func (r *Ride) GainsDB() []float64 { return r.gainsDB }
