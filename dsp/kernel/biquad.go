package kernel

import "math"

// A Biquad is one second-order section, a0 = 1:
//
//	y = b0·x + b1·x1 + b2·x2 - a1·y1 - a2·y2
//
// The zero value is silence; Biquad{B0: 1} leaves the signal alone.
type Biquad struct{ B0, B1, B2, A1, A2 float64 }

// Response is the section's magnitude in dB and phase in degrees, -180 to 180,
// at a frequency.
func (q Biquad) Response(freqHz, rateHz float64) (magDB, phaseDeg float64) {
	re, im := q.transfer(freqHz, rateHz)
	return PowerDB(float64(re*re) + float64(im*im)), phaseDegrees(re, im)
}

// Response is the magnitude in dB and the phase in degrees, -180 to 180, of
// sections in series.
func Response(sections []Biquad, freqHz, rateHz float64) (magDB, phaseDeg float64) {
	re, im := 1.0, 0.0
	for _, q := range sections {
		r, i := q.transfer(freqHz, rateHz)
		re, im = float64(re*r)-float64(im*i), float64(re*i)+float64(im*r)
		magDB += PowerDB(float64(r*r) + float64(i*i))
	}
	return magDB, phaseDegrees(re, im)
}

// transfer is H(z) at z = exp(j2πf/fs).
func (q Biquad) transfer(freqHz, rateHz float64) (re, im float64) {
	w := 2 * math.Pi * freqHz / rateHz
	c1, s1 := Cos(w), Sin(w)
	c2, s2 := Cos(2*w), Sin(2*w)
	nr := q.B0 + float64(q.B1*c1) + float64(q.B2*c2)
	ni := -(float64(q.B1*s1) + float64(q.B2*s2))
	dr := 1 + float64(q.A1*c1) + float64(q.A2*c2)
	di := -(float64(q.A1*s1) + float64(q.A2*s2))
	d := float64(dr*dr) + float64(di*di)
	return (float64(nr*dr) + float64(ni*di)) / d, (float64(ni*dr) - float64(nr*di)) / d
}

func phaseDegrees(re, im float64) float64 { return Atan2(im, re) * (180 / math.Pi) }
