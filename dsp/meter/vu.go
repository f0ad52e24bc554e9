package meter

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// ZeroVU is the plain RMS of the sine that reads 0 VU here: its peaks are at
// −20 dBFS, the alignment level of SMPTE RP 155 (common practice; no standard of
// the meter ties it to a digital level).
const ZeroVU dsp.DBFS = -20 - aes17

// The needle of a VU as a low-pass of second order: 99 % of a steady sine after
// 300 ms and an overshoot of 1.25 %, the middle of what IEC 60268-17 allows.
const (
	vuDamping = 0.8127
	vuHz      = 2.150
)

// A VU is the volume indicator of IEC 60268-17: the average of the rectified
// signal, so scaled that a sine reads its RMS, moved by a needle that needs 300 ms
// to get there. It shows how loud speech stands on such a meter, not its level:
// see Levels.Speech for that.
//
// The signal is averaged over steps of 1 ms (of a whole number of frames), and
// between two steps the needle moves as the differential equation says, so
// that its readings do not depend on the rate.
type VU struct {
	step    int     // frames
	n       int     // frames in sum
	sum     float64 // of magnitudes
	off     float64 // of the needle from where it is pulled
	speed   float64 // of the needle
	target  float64
	highest float64

	// Over one step: off and speed after it, of each before it.
	offOff, offSpeed, speedOff, speedSpeed float64
}

// NewVU returns a meter whose needle rests.
func NewVU(rateHz int) *VU {
	v := &VU{step: max(1, (rateHz+500)/1000)}
	seconds := float64(v.step) / float64(rateHz)
	w := 2 * math.Pi * vuHz
	decay := vuDamping * w                                 // 1/s
	swing := w * math.Sqrt(1-float64(vuDamping*vuDamping)) // rad/s
	e := kernel.Exp(-decay * seconds)
	c, s := float64(e*kernel.Cos(swing*seconds)), float64(e*kernel.Sin(swing*seconds))
	v.offOff, v.offSpeed = c+float64(s*decay)/swing, s/swing
	v.speedOff, v.speedSpeed = -float64(s*w)*w/swing, c-float64(s*decay)/swing
	return v
}

// sineForm is RMS over the rectified average of a sine: π/(2√2).
const sineForm = 1.1107207345395915

// Write takes the next samples, in blocks of any length.
func (v *VU) Write(x []float64) {
	for len(x) > 0 {
		n := min(len(x), v.step-v.n)
		for _, s := range x[:n] {
			v.sum += math.Abs(s)
		}
		x, v.n = x[n:], v.n+n
		if v.n == v.step {
			v.move(float64(v.sum*sineForm) / float64(v.step))
			v.n, v.sum = 0, 0
		}
	}
}

// move lets the needle be pulled to a level for one step.
func (v *VU) move(target float64) {
	v.off += v.target - target
	v.target = target
	v.off, v.speed = float64(v.offOff*v.off)+float64(v.offSpeed*v.speed), float64(v.speedOff*v.off)+float64(v.speedSpeed*v.speed)
	v.highest = max(v.highest, v.Needle())
}

// Needle is where the needle stands: the RMS of a sine that holds it there. After
// loud sound it swings under 0 for a moment.
func (v *VU) Needle() float64 { return v.target + v.off }

// Highest is the highest reading so far, in VU: dB against ZeroVU. It is −Inf for
// silence.
func (v *VU) Highest() dsp.DB { return InVU(v.highest) }

// InVU is the reading of a needle in VU: dB against ZeroVU; −Inf at 0 and under.
func InVU(needle float64) dsp.DB {
	if needle <= 0 {
		return dsp.DB(dsp.Silence)
	}
	return dsp.DB(amplitudeDB(needle) - float64(ZeroVU))
}
