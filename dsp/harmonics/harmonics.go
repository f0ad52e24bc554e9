// Package harmonics adds overtones to a voice.
package harmonics

import (
	"cmp"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// Settings are the parameters of Harmonics; see there.
type Settings struct {
	ReferenceDBFS float64
	SecondDB      float64 // -Inf: none
	ThirdDB       float64 // -Inf: none
}

// Harmonics adds a second and a third harmonic. The second makes a voice
// fuller and warmer, the third denser and more forward; from -30 dB up both are
// heard as an effect.
//
// With A the peak of a sine at the reference and r the ratios asked for,
//
//	F = 1/(1 + 3·r3),  a2 = 2·r2·F/A,  a3 = -4·r3·F/A²
//	u = g·x
//	y = x + highpass(x·(a2·u + a3·u²))
//
// A sine at the reference then has exactly the harmonics asked for beside what
// is left of itself, F: 2.3 dB less with a third harmonic of -20 dB, 0.3 dB with
// -40. Below the reference g is 1, and each dB less leaves 1 dB less of the
// second and 2 dB less of the third; room tone stays as it is.
//
// Over the reference g holds |u| at A: peaks of each control step, the highest
// of them for 10 ms and of the look-ahead of 2 ms, g in dB back with a time
// constant of 100 ms, and two means over the look-ahead. So the harmonics keep
// their distance however loud it gets, and what is added is never more than
// 2·r2 + 4·r3 of x: a shout is no rougher than speech. The peaks are those of
// samples: a tone above a sixth of the rate that beats with it reads up to 3 dB
// low, and is given so much more.
//
// The product is made at twice the rate, which is enough for a polynomial of
// third degree: what folds back lies below -90 dBFS for sines at -3 dBFS. x
// itself is only delayed. Harmonics above 0.37 of the rate (16 kHz of 44.1) fade
// out. The high-pass, second-order Butterworth at 10 Hz, takes away the constant
// that a square makes.
//
// Parameters:
//   - ReferenceDBFS: RMS of the sine, -80 to 0; no default.
//   - SecondDB, ThirdDB: level of the harmonic against the fundamental, -60 to
//     -20, or -Inf for none; no default. Without both the bits are those of the
//     input.
//
// Latency: 2 ms rounded up to whole control steps, one more step, and 20
// samples; 124 samples at 44.1 kHz.
//
// Source: polynomials with given harmonics by the Chebyshev identities (Le
// Brun, "Digital Waveshaping Synthesis", JAES 27(4), 1979); the gain before the
// curve, and the level below which it rests, are this processor's own.
type Harmonics struct {
	a2, a3 float64 // 0 both: idle
	step   int

	hold    *kernel.Hold
	curve   kernel.Curve
	release *kernel.Smooth
	means   [2]*kernel.Mean
	ramp    *kernel.Ramp // at twice the rate

	ahead   *kernel.Delay // to where the gain is known
	filters *kernel.Delay // from there to where the harmonics come out
	double  *kernel.Double
	halve   *kernel.Halve
	dc      *kernel.Cascade
	latency int

	gains     []float64 // one a control step
	twice, by []float64 // x and u at twice the rate
	overtones []float64
}

const (
	lookAheadMS = 2
	holdMS      = 10 // half a period of 50 Hz, so that the gain does not follow the waveform
	releaseMS   = 100
	dcHz        = 10
)

// New makes a Harmonics at rest.
func New(s Settings, rateHz float64) (*Harmonics, error) {
	level := func(key string, db float64) error {
		if math.IsInf(db, -1) {
			return nil // none
		}
		return dsp.Within(key, db, -60, -20)
	}
	err := cmp.Or(
		dsp.CheckRate(rateHz),
		dsp.Within("reference_dbfs", s.ReferenceDBFS, -80, 0),
		level("second_db", s.SecondDB),
		level("third_db", s.ThirdDB),
	)
	if err != nil {
		return nil, err
	}
	dc, err := filter.Highpass(dcHz, 12, rateHz)
	if err != nil {
		return nil, err
	}
	peak := math.Sqrt2 * kernel.FromDB(s.ReferenceDBFS)
	second, third := kernel.FromDB(s.SecondDB), kernel.FromDB(s.ThirdDB)
	left := 1 / (1 + float64(3*third))
	step := dsp.ControlStep(rateHz)
	n := lookAheadSteps(rateHz)
	ahead := (n+1)*step - kernel.DoubleDelay // and Double's delay: the gain is one step early
	return &Harmonics{
		a2:   2 * second * left / peak,
		a3:   -4 * third * left / float64(peak*peak),
		step: step,

		hold:    kernel.NewHold(holdSteps(rateHz)),
		curve:   kernel.Compression(kernel.DB(peak), math.Inf(1), 0, math.Inf(1)),
		release: kernel.NewSmooth(0, releaseMS, 0, rateHz/float64(step)),
		means:   [2]*kernel.Mean{kernel.NewMean((n + 1) / 2), kernel.NewMean(n/2 + 1)},
		ramp:    kernel.NewRamp(2*step, 1),

		ahead:   kernel.NewDelay(ahead, dsp.Quantum),
		filters: kernel.NewDelay(kernel.DoubleDelay+kernel.HalveDelay, dsp.Quantum),
		double:  kernel.NewDouble(dsp.Quantum),
		halve:   kernel.NewHalve(dsp.Quantum),
		dc:      kernel.NewCascade(dc),
		latency: ahead + kernel.DoubleDelay + kernel.HalveDelay,

		gains:     make([]float64, dsp.Quantum/step),
		twice:     make([]float64, 2*dsp.Quantum),
		by:        make([]float64, 2*dsp.Quantum),
		overtones: make([]float64, dsp.Quantum),
	}, nil
}

func lookAheadSteps(rateHz float64) int { return controlSteps(lookAheadMS, rateHz) }

// holdSteps keeps a peak until it has come out.
func holdSteps(rateHz float64) int {
	return max(lookAheadSteps(rateHz)+2, controlSteps(holdMS, rateHz))
}

func controlSteps(ms, rateHz float64) int {
	return int(math.Ceil(ms/1000*rateHz/float64(dsp.ControlStep(rateHz)) - 1e-9))
}

// Settle is the number of samples after which a cold start is within -60 dB of
// a warm one, for peaks up to 12 dB over full scale at any reference: at most
// 0.2 of the output is added, which a gain that is 0.05 dB off changes by less.
func Settle(rateHz float64) int {
	const settledDB, farthestDB = 0.02, 12 + 80
	steps := 2*lookAheadSteps(rateHz) + holdSteps(rateHz) + 3
	steps += controlSteps(releaseMS*kernel.Log(farthestDB/settledDB), rateHz)
	const dcS = 0.3 // 1e-5 of what the high-pass remembers is left
	return steps*dsp.ControlStep(rateHz) + int(math.Ceil(dcS*rateHz))
}

// Process adds harmonics to one quantum in place.
func (h *Harmonics) Process(block []float64) {
	if h.a2 == 0 && h.a3 == 0 {
		h.ahead.Process(block)
		h.filters.Process(block)
		return
	}
	h.decide(block)
	h.ahead.Process(block)
	h.double.Process(h.twice, block)
	copy(h.by, h.twice)
	h.ramp.Process(h.by, h.gains)
	by := h.by[:len(h.twice)]
	for i, x := range h.twice {
		u := by[i]
		h.twice[i] = x * float64(u*(h.a2+float64(h.a3*u)))
	}
	h.halve.Process(h.overtones, h.twice)
	h.dc.Process(h.overtones)
	h.filters.Process(block)
	for i, v := range h.overtones {
		block[i] += v
	}
}

// decide finds the gain of each control step.
func (h *Harmonics) decide(block []float64) {
	kernel.Peaks(h.gains, block, h.step)
	h.hold.Process(h.gains)
	kernel.AmplitudesToDB(h.gains, h.gains)
	h.curve.GainsDB(h.gains, h.gains)
	h.release.Process(h.gains)
	for _, m := range h.means {
		m.Process(h.gains)
	}
	kernel.DBToAmplitudes(h.gains, h.gains)
}

// Latency is the look-ahead and the delay of the filters, in samples.
func (h *Harmonics) Latency() int { return h.latency }

// Reset puts the harmonics at rest.
func (h *Harmonics) Reset() {
	h.hold.Reset()
	h.release.Reset()
	for _, m := range h.means {
		m.Reset()
	}
	h.ramp.Reset()
	h.ahead.Reset()
	h.filters.Reset()
	h.double.Reset()
	h.halve.Reset()
	h.dc.Reset()
}
