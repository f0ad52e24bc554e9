package dynamics

import (
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

// CompressorSettings are a compressor's parameters; see Compressor.
type CompressorSettings struct {
	ThresholdDBFS float64
	Ratio         float64
	KneeDB        float64
	AttackMS      float64
	ReleaseMS     float64
	Detector      Detector
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
//	            = (1/ratio - 1)d               2d > W
//	gain        = wanted + a·(gain - wanted),  a = exp(-1/(τ·control rate))
//
// τ is the attack while the gain falls, the release while it rises. There is
// no make-up gain.
//
// Parameters:
//   - ThresholdDBFS: -80 to 0, peak or plain RMS as the detector; no default.
//   - Ratio: 1 or more, +Inf holds the threshold; no default.
//   - KneeDB: the width of the knee, 0 (hard) to 40; no default.
//   - AttackMS: 63.2 % of a fall of the gain in dB, 0 to 500; no default.
//   - ReleaseMS: 63.2 % of a rise, 0 to 800; no default. It begins when the
//     detector has let go: 10 ms after the level fell for peak; for RMS within
//     20 ms, while the window empties.
//   - Detector: DetectorPeak or DetectorRMS; no default.
//
// Latency: none.
//
// Source: Giannoulis, Massberg and Reiss, "Digital Dynamic Range Compressor
// Design: A Tutorial and Analysis", JAES 60(6), 2012: equation 4, and the
// smoothing of equation 16 applied to the gain in dB. Hold and control step
// are this project's own.
type Compressor struct {
	detector *detector
	curve    kernel.Curve
	smooth   *kernel.Smooth
	ramp     *kernel.Ramp
	gainsDB  []float64
	gains    []float64
}

// NewCompressor makes a compressor at rest.
func NewCompressor(s CompressorSettings, rateHz float64) (*Compressor, error) {
	err := firstFault(
		rate(rateHz),
		within("threshold_dbfs", s.ThresholdDBFS, -80, 0),
		within("ratio", s.Ratio, 1, math.Inf(1)),
		within("knee_db", s.KneeDB, 0, 40),
		within("attack_ms", s.AttackMS, 0, 500),
		within("release_ms", s.ReleaseMS, 0, 800),
	)
	if err != nil {
		return nil, err
	}
	step := dsp.ControlStep(rateHz)
	c := &Compressor{
		curve:   s.curve(),
		smooth:  kernel.NewSmooth(s.AttackMS, s.ReleaseMS, 0, controlRate(rateHz)),
		ramp:    kernel.NewRamp(step, 1),
		gainsDB: make([]float64, dsp.Quantum/step),
		gains:   make([]float64, dsp.Quantum/step),
	}
	switch s.Detector {
	case DetectorPeak:
		c.detector = newPeakDetector(rateHz)
	case DetectorRMS:
		c.detector = newRMSDetector(rmsWindowMS, 0, rateHz)
	default:
		return nil, fmt.Errorf("detector is %q, it must be %q or %q", s.Detector, DetectorPeak, DetectorRMS)
	}
	return c, nil
}

func (s CompressorSettings) curve() kernel.Curve {
	return kernel.Compression(s.ThresholdDBFS, s.Ratio, s.KneeDB, math.Inf(1))
}

// Settle is the number of samples after which a cold start is within -60 dB of
// a warm one, for signals up to full scale.
func (s CompressorSettings) Settle(rateHz float64) int {
	curve := s.curve()
	most := -curve.GainDB(0)
	return frames(rmsWindowMS+smoothingMS(most, max(s.AttackMS, s.ReleaseMS)), rateHz)
}

// Process compresses one quantum in place.
func (c *Compressor) Process(block []float64) {
	c.detector.process(c.gainsDB, block)
	c.curve.GainsDB(c.gainsDB, c.gainsDB)
	c.smooth.Process(c.gainsDB)
	kernel.DBToAmplitudes(c.gains, c.gainsDB)
	c.ramp.Process(block, c.gains)
}

// Latency is 0.
func (c *Compressor) Latency() int { return 0 }

// Reset puts the compressor at rest.
func (c *Compressor) Reset() {
	c.detector.reset()
	c.smooth.Reset()
	c.ramp.Reset()
	clear(c.gainsDB)
}

// GainsDB is the gain of the last quantum, one value a control step.
func (c *Compressor) GainsDB() []float64 { return c.gainsDB }
