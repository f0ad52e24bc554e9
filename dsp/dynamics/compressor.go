package dynamics

import (
	"cmp"
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// A Detector is what a compressor hears as level.
type Detector string

const (
	// DetectorPeak is the peak, held for 10 ms: it keeps the loudest crest in
	// check. The level of a sine is its peak.
	DetectorPeak Detector = "peak"
	// DetectorRMS is plain RMS over the last 20 ms: it follows what a voice
	// carries rather than its crests. The level of a sine is 3.01 dB below its
	// peak.
	DetectorRMS Detector = "rms"
)

// Timing is how a compressor lets go.
type Timing string

const (
	// TimingFixed lets go in the set release, whatever was before.
	TimingFixed Timing = "fixed"
	// TimingProgram lets go in the set release after a word, and within
	// seconds after a long loud stretch.
	TimingProgram Timing = "program"
)

// narrowestPart is the least ratio of a compressed part's edges.
const narrowestPart = 2

// CompressorSettings are a compressor's parameters; see Compressor. Those from
// LookAheadMS on may be left zero.
type CompressorSettings struct {
	ThresholdDBFS float64
	Ratio         float64
	KneeDB        float64
	AttackMS      float64
	ReleaseMS     float64
	Detector      Detector

	LookAheadMS      float64
	RangeDB          float64
	Timing           Timing
	AboveHz, BelowHz float64
	ParallelPercent  float64
}

// A Compressor brings loud and soft speech closer together: it turns down what
// is over a threshold, by more the further over. Well set, a listener notices
// only that the voice keeps its place; with too much, breaths and room come
// up between the words and the voice loses its accents.
//
// With x the detector's level, d = x - threshold and W the knee:
//
//	wanted gain = 0                            2d < -W
//	            = (1/ratio - 1)(d + W/2)²/2W   |2d| ≤ W
//	            = (1/ratio - 1)d               2d > W,  never below -range
//	gain        = wanted + a·(gain - wanted),  a = exp(-1/(τ·control rate))
//
// τ is the attack while the gain falls, the release while it rises. There is
// no make-up gain.
//
// Program timing lets go in two stages. Beside the gain above runs its mean in dB
// over the last 3.5 s, and the lower of the two is used; a moment t ago weighs
// (1 - t/3.5 s). After a word the mean is near 0 and the release is the set one;
// after seconds of compression the gain is the mean, which has gone 63.2 % of
// the way after 1.4 s and is back after 3.5 s.
//
// Only a part of the spectrum is heard and turned down with AboveHz or BelowHz,
// or between the two, and the rest stays as it is:
//
//	output = A·x + (gain - 1)·B·x,  |B| = 1/(1 + (Ωabove/Ω)⁸)(1 + (Ω/Ωbelow)⁸)
//
// with Ω = tan(πf/fs). B falls by 48 dB per octave outside, in the phase of the
// all-pass A. At rest only A is left, flat in level within 0.01 dB.
//
// The untouched signal of parallel compression comes from the same place, as late
// and as turned in phase as the compressed one, so that nothing combs:
//
//	gain of the sum = 1 + (1 - parallel/100)·(gain - 1)
//
// Parameters:
//   - ThresholdDBFS: -80 to 0, peak or plain RMS as the detector; no default.
//   - Ratio: 1 or more, +Inf holds the threshold; no default.
//   - KneeDB: the width of the knee, 0 (hard) to 40; no default.
//   - AttackMS: 63.2 % of a fall of the gain in dB, 0 to 500, to 250 with program
//     timing; no default.
//   - ReleaseMS: 63.2 % of a rise, 0 to 800, to 250 with program timing; no
//     default. It begins when the detector has let go: 10 ms after the level
//     fell for peak; for RMS within 20 ms, while the window empties.
//   - Detector: DetectorPeak or DetectorRMS; no default.
//   - LookAheadMS: how much earlier than the level the gain moves, 0 (the
//     default) to 50; the detector holds as much longer.
//   - RangeDB: the most it takes, up to 80; 0 (the default) is no limit.
//   - Timing: TimingFixed (the default) or TimingProgram.
//   - AboveHz, BelowHz: 100 to 0.45 of the rate, BelowHz at least twice AboveHz;
//     0 (the default) is no edge.
//   - ParallelPercent: share of the untouched signal, 0 (the default) to 90.
//
// Latency: LookAheadMS, rounded up to whole control steps.
//
// Source: Giannoulis, Massberg and Reiss, "Digital Dynamic Range Compressor
// Design: A Tutorial and Analysis", JAES 60(6), 2012: equation 4, and the
// smoothing of equation 16 applied to the gain in dB. The split is that of
// Linkwitz and Riley (Linkwitz, JAES 24(1), 1976) with Butterworth halves of
// fourth order. A release in two stages is common practice; its mean, the hold
// and the control step are this project's own.
type Compressor struct {
	part      *part // nil: the whole spectrum
	detector  *detector
	curve     kernel.Curve
	smooth    *kernel.Smooth
	program   *program // nil: fixed timing
	share     float64  // of the compressed signal
	latency   int
	delay     *kernel.Delay
	partDelay *kernel.Delay
	ramp      *kernel.Ramp
	inPart    []float64
	gainsDB   []float64
	gains     []float64
}

// NewCompressor makes a compressor at rest.
func NewCompressor(s CompressorSettings, rateHz float64) (*Compressor, error) {
	if err := s.check(rateHz); err != nil {
		return nil, err
	}
	step := dsp.ControlStep(rateHz)
	c := &Compressor{
		smooth:  kernel.NewSmooth(s.AttackMS, s.ReleaseMS, 0, dsp.ControlRate(rateHz)),
		share:   1 - s.ParallelPercent/100,
		gainsDB: make([]float64, dsp.Quantum/step),
		gains:   make([]float64, dsp.Quantum/step),
	}
	if s.LookAheadMS > 0 {
		c.latency = dsp.Controls(s.LookAheadMS, rateHz) * step
		c.delay = kernel.NewDelay(c.latency, dsp.Quantum)
	}
	switch s.Detector {
	case DetectorPeak:
		c.detector = newPeakDetector(s.LookAheadMS, rateHz)
	case DetectorRMS:
		c.detector = newRMSDetector(rmsWindowMS, s.LookAheadMS, rateHz)
	}
	if s.Timing == TimingProgram {
		c.program = newProgram(rateHz)
	}
	rest := 1.0
	if s.AboveHz > 0 || s.BelowHz > 0 {
		var err error
		if c.part, err = newPart(s.AboveHz, s.BelowHz, rateHz); err != nil {
			return nil, err
		}
		c.inPart = make([]float64, dsp.Quantum)
		c.partDelay = kernel.NewDelay(c.latency, dsp.Quantum)
		s.ThresholdDBFS -= kernel.DB(c.part.centre) // the cascade reads lower by it
		rest = 0
	}
	c.curve = s.curve()
	c.ramp = kernel.NewRamp(step, rest)
	return c, nil
}

func (s CompressorSettings) check(rateHz float64) error {
	attack, release, lowest, highest := 500.0, 800.0, 100.0, 0.45*rateHz
	switch {
	case s.Detector != DetectorPeak && s.Detector != DetectorRMS:
		return fmt.Errorf("detector is %q, it must be %q or %q", s.Detector, DetectorPeak, DetectorRMS)
	case s.Timing == TimingProgram:
		attack, release = programReleaseMS, programReleaseMS
	case s.Timing != TimingFixed && s.Timing != "":
		return fmt.Errorf("timing is %q, it must be %q or %q", s.Timing, TimingFixed, TimingProgram)
	}
	err := cmp.Or(
		dsp.CheckRate(rateHz),
		dsp.Within("threshold_dbfs", s.ThresholdDBFS, -80, 0),
		dsp.Within("ratio", s.Ratio, 1, math.Inf(1)),
		dsp.Within("knee_db", s.KneeDB, 0, 40),
		dsp.Within("attack_ms", s.AttackMS, 0, attack),
		dsp.Within("release_ms", s.ReleaseMS, 0, release),
		dsp.Within("look_ahead_ms", s.LookAheadMS, 0, 50),
		dsp.Within("range_db", s.RangeDB, 0, 80),
		dsp.Within("parallel_percent", s.ParallelPercent, 0, 90),
	)
	if s.AboveHz != 0 {
		err = cmp.Or(err, dsp.Within("above_hz", s.AboveHz, lowest, highest))
		lowest = narrowestPart * s.AboveHz
	}
	if s.BelowHz != 0 {
		err = cmp.Or(err, dsp.Within("below_hz", s.BelowHz, lowest, highest))
	}
	return err
}

func (s CompressorSettings) curve() kernel.Curve {
	most := math.Inf(1)
	if s.RangeDB > 0 {
		most = s.RangeDB
	}
	return kernel.Compression(s.ThresholdDBFS, s.Ratio, s.KneeDB, most)
}

// Settle is the number of samples after which a cold start is within -60 dB of
// a warm one, for signals up to full scale.
func (s CompressorSettings) Settle(rateHz float64) int {
	curve := s.curve()
	most := -curve.GainDB(0)
	ms := rmsWindowMS + smoothingMS(most, max(s.AttackMS, s.ReleaseMS))
	ms += 2 * s.LookAheadMS // the delay and the hold
	if s.Timing == TimingProgram {
		ms += programMS + 1000*dsp.Quantum/rateHz // a window of whole quanta
	}
	if lowest := max(s.AboveHz, s.BelowHz); lowest > 0 {
		if s.AboveHz > 0 {
			lowest = s.AboveHz
		}
		ms += 6000 / lowest // the ringing of the lower edge, down by 80 dB
	}
	return frames(ms, rateHz)
}

// Process compresses one quantum in place.
func (c *Compressor) Process(block []float64) {
	heard := block
	if c.part != nil {
		c.part.split(block, c.inPart)
		heard = c.inPart
	}
	c.detector.process(c.gainsDB, heard)
	c.curve.GainsDB(c.gainsDB, c.gainsDB)
	c.smooth.Process(c.gainsDB)
	if c.program != nil {
		c.program.lower(c.gainsDB)
	}
	kernel.DBToAmplitudes(c.gains, c.gainsDB)
	if c.share < 1 {
		for i, g := range c.gains {
			c.gains[i] = 1 + float64(c.share*(g-1))
		}
		kernel.AmplitudesToDB(c.gainsDB, c.gains)
	}
	if c.delay != nil {
		c.delay.Process(block)
	}
	if c.part == nil {
		c.ramp.Process(block, c.gains)
		return
	}
	c.partDelay.Process(c.inPart)
	c.part.add(block, c.inPart, c.gains, c.ramp)
}

// Latency is the look-ahead in samples.
func (c *Compressor) Latency() int { return c.latency }

// Reset puts the compressor at rest.
func (c *Compressor) Reset() {
	c.detector.reset()
	c.smooth.Reset()
	c.ramp.Reset()
	if c.program != nil {
		c.program.reset()
	}
	if c.delay != nil {
		c.delay.Reset()
	}
	if c.part != nil {
		c.part.reset()
		c.partDelay.Reset()
	}
	clear(c.gainsDB)
}

// GainsDB is the gain of the last quantum, one value a control step: of the
// compressed part of the spectrum where there is one, and of the sum where the
// untouched signal is mixed in.
func (c *Compressor) GainsDB() []float64 { return c.gainsDB }
