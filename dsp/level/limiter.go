package level

import (
	"cmp"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// LimiterSettings are a limiter's parameters; see Limiter.
type LimiterSettings struct {
	CeilingDBTP float64
	LookAheadMS float64 // 0: DefaultLookAheadMS
	ReleaseMS   float64
}

// DefaultLookAheadMS is a limiter's look-ahead where none is set.
const DefaultLookAheadMS = 5

// A Limiter keeps every peak, also those between samples, under a ceiling. It
// knows a peak before it comes and is down when it does; a listener hears
// nothing of a dB or two on single syllables, and a flattened, tired voice when
// it works all the time.
//
// A detector takes the true peak p of each control step, 8 times oversampled;
// N control steps are the look-ahead:
//
//	wanted gain = min(0, ceiling - 20·log10(max of p over N+3 steps and 10 ms))
//	released    = wanted if that is lower, else
//	              wanted + a·(released - wanted),  a = exp(-1/(release·control rate))
//	gain        = mean over ⌊N/2⌋+1 of the mean over ⌈N/2⌉ steps of released
//
// all in dB; between the control steps the gain runs in a straight line. Each
// mean is taken of whole multiples of 2^-32 dB, rounded down, so that its sum is
// exact and nothing older than the window can be left in it. A peak's gain
// stands one control step before and after it, as far as the interpolator
// reaches. Without a peak over the ceiling the bits are those of the input.
//
// The ceiling holds within 0.05 dB at 8 times oversampling for content up to
// 0.41 of the rate, and within 0.2 dB for what lies above that, up to 0.47, where a
// voice has nothing.
//
// Parameters:
//   - CeilingDBTP: -30 to 0; no default.
//   - LookAheadMS: 1 to 20, default 5. Shorter leaves more of the level, longer
//     is smoother.
//   - ReleaseMS: 63.2 % of a rise of the gain in dB, 10 to 800; no default.
//
// Latency: LookAheadMS rounded up to whole control steps, one more step, and 24
// samples of the detector; 5.8 ms at 44.1 kHz with the default.
//
// Source: ITU-R BS.1770-5 Annex 2 for the true peak; sliding maximum and mean
// filters as gain smoothing are common practice.
type Limiter struct {
	ceiling  float64
	detector *kernel.PeakDetector
	hold     *kernel.Hold
	curve    kernel.Curve
	release  *kernel.Smooth
	means    [2]*kernel.Mean
	delay    *kernel.Delay
	ramp     *kernel.Ramp
	latency  int
	gainsDB  []float64
	gains    []float64
}

// NewLimiter makes a limiter at rest.
func NewLimiter(s LimiterSettings, rateHz float64) (*Limiter, error) {
	if s.LookAheadMS == 0 {
		s.LookAheadMS = DefaultLookAheadMS
	}
	err := cmp.Or(
		dsp.CheckRate(rateHz),
		dsp.Within("ceiling_dbtp", s.CeilingDBTP, -30, 0),
		dsp.Within("look_ahead_ms", s.LookAheadMS, 1, 20),
		dsp.Within("release_ms", s.ReleaseMS, 10, 800),
	)
	if err != nil {
		return nil, err
	}
	step := dsp.ControlStep(rateHz)
	controlRate := rateHz / float64(step)
	n := s.lookAheadSteps(rateHz)
	latency := (n+1)*step + kernel.DetectorDelay
	return &Limiter{
		ceiling:  kernel.FromDB(s.CeilingDBTP),
		detector: kernel.NewPeakDetector(step, dsp.Quantum),
		hold:     kernel.NewHold(s.holdSteps(rateHz)),
		curve:    kernel.Compression(s.CeilingDBTP, math.Inf(1), 0, math.Inf(1)),
		release:  kernel.NewSmooth(0, s.ReleaseMS, 0, controlRate),
		means:    [2]*kernel.Mean{kernel.NewMean((n + 1) / 2), kernel.NewMean(n/2 + 1)},
		delay:    kernel.NewDelay(latency, dsp.Quantum),
		ramp:     kernel.NewRamp(step, 1),
		latency:  latency,
		gainsDB:  make([]float64, dsp.Quantum/step),
		gains:    make([]float64, dsp.Quantum/step),
	}, nil
}

// lookAheadSteps is the number of control steps that the two means span.
func (s LimiterSettings) lookAheadSteps(rateHz float64) int {
	return controlSteps(s.LookAheadMS, rateHz)
}

// holdSteps is how many control steps a peak is kept: until one step after it
// has come out, and for half a period of 50 Hz, so that the gain does not follow
// the waveform.
func (s LimiterSettings) holdSteps(rateHz float64) int {
	return max(s.lookAheadSteps(rateHz)+3, controlSteps(10, rateHz))
}

func controlSteps(ms, rateHz float64) int {
	return int(math.Ceil(ms/1000*rateHz/float64(dsp.ControlStep(rateHz)) - 1e-9))
}

// Settle is the number of samples after which a cold start is within -60 dB of
// a warm one, for peaks up to 12 dB over full scale.
func (s LimiterSettings) Settle(rateHz float64) int {
	const settledDB, highestDBTP = 0.00868, 12 // 20·log10(1.001)
	if s.LookAheadMS == 0 {
		s.LookAheadMS = DefaultLookAheadMS
	}
	n := s.lookAheadSteps(rateHz)
	releaseMS := s.ReleaseMS * kernel.Log((highestDBTP-s.CeilingDBTP)/settledDB)
	steps := n + 1 + s.holdSteps(rateHz) + n + controlSteps(releaseMS, rateHz) + 2
	return steps*dsp.ControlStep(rateHz) + kernel.DetectorDelay
}

// Process limits one quantum in place.
func (l *Limiter) Process(block []float64) {
	l.detector.Process(l.gainsDB, block, l.ceiling)
	l.decide()
	l.delay.Process(block)
	l.ramp.Process(block, l.gains)
}

// decide turns the peaks in gainsDB into gains.
func (l *Limiter) decide() {
	l.hold.Process(l.gainsDB)
	kernel.AmplitudesToDB(l.gainsDB, l.gainsDB)
	l.curve.GainsDB(l.gainsDB, l.gainsDB)
	l.release.Process(l.gainsDB)
	for _, m := range l.means {
		roundDown(l.gainsDB)
		m.Process(l.gainsDB)
	}
	kernel.DBToAmplitudes(l.gains, l.gainsDB)
}

// roundDown makes gains whole multiples of 2^-32 dB, of which up to 2^13 add up
// exactly as long as each is above -256 dB.
func roundDown(gainsDB []float64) {
	for i, g := range gainsDB {
		gainsDB[i] = math.Floor(g*0x1p32) * 0x1p-32
	}
}

// Latency is the look-ahead and what the detector needs, in samples.
func (l *Limiter) Latency() int { return l.latency }

// Reset puts the limiter at rest.
func (l *Limiter) Reset() {
	l.detector.Reset()
	l.hold.Reset()
	l.release.Reset()
	for _, m := range l.means {
		m.Reset()
	}
	l.delay.Reset()
	l.ramp.Reset()
	clear(l.gainsDB)
}

// GainsDB is the gain of the last quantum, one value a control step.
func (l *Limiter) GainsDB() []float64 { return l.gainsDB }
