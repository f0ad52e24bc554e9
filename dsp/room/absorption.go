package room

import (
	"math"

	"chapterhouse/dsp/kernel"
)

const airSpeed = 343.0 // m/s, at 20 °C

// A Layer is a porous absorber before a rigid wall.
type Layer struct {
	ThicknessM float64 // over 0
	GapM       float64 // of air behind it; 0: on the wall
	// FlowResistivity is in Pa·s/m², over 0. Mineral wool of 30 to 50 kg/m³ has
	// about 10,000, of 70 to 100 kg/m³ about 20,000 and more (from memory).
	FlowResistivity float64
}

// Normal is the share of the power that a layer takes of a wave that meets it
// head on, from 0 to 1, at a frequency over 0: 1 − |(Z−ρc)/(Z+ρc)|².
//
// Z is the impedance at the layer's face. In the material, with Y = f/σ,
//
//	Zc = ρc·(1 + 0.070·Y^−0.632 − 0.107j·Y^−0.632)
//	k  = ω/c·(1 + 0.109·Y^−0.618 − 0.160j·Y^−0.618)
//
// (Y. Miki, J. Acoust. Soc. Jpn (E) 11(1), 1990, fitted for Y from 0.01 to 1; at
// 125 Hz a little beyond it for most wools). The gap's impedance, −jρc·cot(ωd/c),
// comes to the face by Z = Zc·(−jZg·cot(kd) + Zc)/(Zg − jZc·cot(kd)); without a
// gap it is −jZc·cot(kd) (J.-F. Allard and N. Atalla, Propagation of Sound in
// Porous Media, section 2).
func (l Layer) Normal(hz float64) float64 { return absorbed(l.face(hz), 1) }

// Random is Normal for sound from all sides: ∫ α(θ)·sin 2θ dθ from 0° to 90°,
// each angle meeting the same impedance (local reaction), by Simpson's rule in
// half degrees. A laboratory (ISO 354) finds more below 500 Hz, because sound
// bends round the edges of its sample, and values over 1.
func (l Layer) Random(hz float64) float64 {
	z := l.face(hz)
	const steps = 180
	var sum float64
	for i := range steps + 1 {
		weight := 2.0
		switch {
		case i == 0 || i == steps:
			weight = 1
		case i%2 == 1:
			weight = 4
		}
		at := math.Pi / 2 * float64(i) / steps
		sum += float64(weight * absorbed(z, kernel.Cos(at)) * kernel.Sin(2*at))
	}
	return sum * (math.Pi / 2 / steps / 3)
}

// A ratio is a complex impedance against that of air.
type ratio struct{ re, im float64 }

// absorbed is the share taken by a face of an impedance of what comes at an
// angle, by its cosine.
func absorbed(z ratio, cos float64) float64 {
	re, im := float64(z.re*cos), float64(z.im*cos)
	// 1 − |(z−1)/(z+1)|² = 4·Re z/|z+1|²
	return 4 * re / (float64((re+1)*(re+1)) + float64(im*im))
}

// face is the impedance at the layer's face.
func (l Layer) face(hz float64) ratio {
	y := hz / l.FlowResistivity
	a, b := kernel.Pow(y, -0.632), kernel.Pow(y, -0.618)
	zc := ratio{1 + float64(0.070*a), -0.107 * a}
	wave := float64(2*math.Pi*hz) / airSpeed
	kd := ratio{wave * l.ThicknessM * (1 + float64(0.109*b)), -wave * l.ThicknessM * 0.160 * b}
	// −j·Zc·cot(kd): the layer on the wall itself.
	on := times(times(ratio{0, -1}, zc), cot(kd))
	if l.GapM <= 0 {
		return on
	}
	gap := ratio{0, -1 / kernel.Tan(wave*l.GapM)}
	above := times(gap, on)
	square := times(zc, zc)
	return over(ratio{above.re + square.re, above.im + square.im}, ratio{gap.re + on.re, gap.im + on.im})
}

func times(a, b ratio) ratio {
	return ratio{float64(a.re*b.re) - float64(a.im*b.im), float64(a.re*b.im) + float64(a.im*b.re)}
}

func over(a, b ratio) ratio {
	size := float64(b.re*b.re) + float64(b.im*b.im)
	n := times(a, ratio{b.re, -b.im})
	return ratio{n.re / size, n.im / size}
}

// cot of x+jy is (sin 2x − j·sinh 2y)/(cosh 2y − cos 2x).
func cot(z ratio) ratio {
	x, y := float64(2*z.re), float64(2*z.im)
	under := kernel.Cosh(y) - kernel.Cos(x)
	return ratio{kernel.Sin(x) / under, -kernel.Sinh(y) / under}
}
