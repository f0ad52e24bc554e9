package restore

import (
	"cmp"
	"fmt"
	"math"
	"sort"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
)

// BreathsSettings are the parameters of Breaths.
type BreathsSettings struct {
	CutDB         float64
	RampMS        float64
	RoomToneDBFSA float64
	Breaths       []meter.Window
}

// Breaths turns down the breaths that were found in a part. A listener hears a
// narrator who still breathes, but not at the microphone; with too much, the
// voice seems to have no lungs. Words are not touched, and no breath falls under
// the room tone, which would be a hole.
//
// With L the A-weighted level over 60 ms around a frame and T the room tone's:
//
//	gain = -w·min(cut, max(0, L - T))
//
// in dB; w runs along 3u² - 2u³ from 0 at the ends of a breath to 1 and is 0
// elsewhere, where the bits of the input stay.
//
// Parameters:
//   - CutDB: 0 to 10; no default.
//   - RampMS: 5 to 60, half of the breath at most; no default.
//   - RoomToneDBFSA: A-weighted RMS, -150 to 0; no default.
//   - Breaths: bounds in frames of the part, in order and not overlapping. None:
//     nothing is turned down.
//
// Latency: 30 ms, half of the level's window.
//
// Source: turning breaths down by hand is common practice; formula and ramps are
// this project's own. A-weighting: IEC 61672-1.
type Breaths struct {
	breaths   []meter.Window
	cutDB     float64
	toneDB    float64
	ramping   float64 // frames
	step      int
	latency   int
	at        dsp.Frames // that comes out next
	next      int        // the first breath that ends after at
	weighting *kernel.Cascade
	mean      *kernel.Mean
	delay     *kernel.Delay
	ramp      *kernel.Ramp
	weighted  []float64
	gainsDB   []float64
	gains     []float64
}

const breathWindowMS = 60

// NewBreaths makes one at the start of its part.
func NewBreaths(s BreathsSettings, rateHz float64) (*Breaths, error) {
	err := cmp.Or(
		dsp.CheckRate(rateHz),
		dsp.Within("cut_db", s.CutDB, 0, 10),
		dsp.Within("ramp_ms", s.RampMS, 5, 60),
		dsp.Within("room_tone_dbfs_a", s.RoomToneDBFSA, -150, 0),
	)
	if err != nil {
		return nil, err
	}
	for i, w := range s.Breaths {
		if w.To <= w.From || i > 0 && w.From < s.Breaths[i-1].To {
			return nil, fmt.Errorf("breath %d runs from %d to %d, it must be in order and overlap none", i+1, w.From, w.To)
		}
	}
	step := dsp.ControlStep(rateHz)
	n := dsp.Quantum / step
	window := dsp.Controls(breathWindowMS, rateHz)
	b := &Breaths{
		breaths: s.Breaths, cutDB: s.CutDB, toneDB: s.RoomToneDBFSA, ramping: s.RampMS / 1000 * rateHz, step: step,
		latency:   window / 2 * step,
		weighting: kernel.NewCascade(meter.AWeighting(rateHz)), mean: kernel.NewMean(window), ramp: kernel.NewRamp(step, 1),
		weighted: make([]float64, dsp.Quantum), gainsDB: make([]float64, n), gains: make([]float64, n),
	}
	b.delay = kernel.NewDelay(b.latency, dsp.Quantum)
	b.Place(0)
	return b, nil
}

// Settle is the number of samples after which a cold start is within -60 dB of
// a warm one: the window, and 100 ms in which the weighting forgets.
func (s BreathsSettings) Settle(rateHz float64) int {
	const forgetsMS = 100
	return int(math.Ceil((breathWindowMS + forgetsMS) / 1000. * rateHz))
}

// Process turns down the breaths of one quantum in place.
func (b *Breaths) Process(block []float64) {
	copy(b.weighted, block)
	b.weighting.Process(b.weighted)
	kernel.Powers(b.gainsDB, b.weighted, b.step)
	b.mean.Process(b.gainsDB)
	kernel.PowersToDB(b.gainsDB, b.gainsDB)
	for i, level := range b.gainsDB {
		b.at += dsp.Frames(b.step)
		share := b.share(b.at - 1) // a ramp is at its gain with the last sample of a step
		b.gainsDB[i] = 0 - float64(share*min(b.cutDB, max(0, level-b.toneDB)))
	}
	kernel.DBToAmplitudes(b.gains, b.gainsDB)
	for i, db := range b.gainsDB {
		if db == 0 {
			b.gains[i], b.gainsDB[i] = 1, 0 // to the bit
		}
	}
	b.delay.Process(block)
	b.ramp.Process(block, b.gains)
}

// share is how much of the cut stands at a frame not before the last one asked
// for.
func (b *Breaths) share(at dsp.Frames) float64 {
	for b.next < len(b.breaths) && b.breaths[b.next].To <= at {
		b.next++
	}
	if b.next == len(b.breaths) {
		return 0
	}
	w := b.breaths[b.next]
	ramp := min(b.ramping, float64(w.To-w.From)/2)
	u := max(0, min(1, float64(at-w.From)/ramp, float64(w.To-at)/ramp))
	return float64(u*u) * (3 - float64(2*u))
}

// Place says where in its part the next quantum is.
func (b *Breaths) Place(at dsp.Frames) {
	b.at = at - dsp.Frames(b.latency)
	b.next = sort.Search(len(b.breaths), func(i int) bool { return b.breaths[i].To > b.at })
	b.ramp.Reset()
}

// Latency is half of the level's window, in samples.
func (b *Breaths) Latency() int { return b.latency }

// Reset goes back to the start of the part.
func (b *Breaths) Reset() {
	b.weighting.Reset()
	b.mean.Reset()
	b.delay.Reset()
	b.Place(0)
	clear(b.gainsDB)
}

// GainsDB is the gain of the last quantum, one value a control step.
func (b *Breaths) GainsDB() []float64 { return b.gainsDB }
