package speech

import (
	"math"

	"chapterhouse/testdata/voices/exact"
)

const pulseLen = 2048 // samples in one stored period

// pulses are single periods of the glottal flow derivative after Liljencrants
// and Fant (Fant, Liljencrants and Lin 1985), shaped by Rd (Fant 1995), each
// kept in as many bands of F0 as are needed to stay free of aliasing.
type pulses struct {
	rd    []float64
	f0    []float64     // upper edge of each band, Hz
	shape [][][]float64 // [rd][band][pulseLen+1]
	open  []float64     // share of the period that the glottis is open
}

func newPulses(rateHz float64) *pulses {
	p := &pulses{}
	for rd := 0.4; rd < 2.6; rd += 0.2 {
		p.rd = append(p.rd, rd)
	}
	for f := 60.0; f < 900; f *= 1.3 {
		p.f0 = append(p.f0, f)
	}
	fft := exact.NewFFT(pulseLen)
	for _, rd := range p.rd {
		raw, te := lfPulse(rd)
		p.open = append(p.open, te)
		re, im := append([]float64{}, raw...), make([]float64, pulseLen)
		fft.Forward(re, im)
		var bands [][]float64
		for _, f := range p.f0 {
			keep := int(0.47 * rateHz / f)
			br, bi := make([]float64, pulseLen), make([]float64, pulseLen)
			for k := 1; k <= keep && k < pulseLen/2; k++ {
				br[k], bi[k] = re[k], im[k]
				br[pulseLen-k], bi[pulseLen-k] = re[pulseLen-k], im[pulseLen-k]
			}
			fft.Inverse(br, bi)
			bands = append(bands, append(br, br[0]))
		}
		p.shape = append(p.shape, bands)
	}
	return p
}

// at is the stored period nearest to rd that holds no partial above 0.47 of
// the rate, and the share of it with the glottis open.
func (p *pulses) at(rd, f0 float64) ([]float64, float64) {
	i := int(math.Floor((rd-p.rd[0])/0.2 + 0.5))
	i = max(0, min(i, len(p.rd)-1))
	b := 0
	for b < len(p.f0)-1 && p.f0[b] < f0 {
		b++
	}
	return p.shape[i][b], p.open[i]
}

// lfPulse is one period of the model for Ee = 1 and T0 = 1, and te.
func lfPulse(rd float64) ([]float64, float64) {
	ra := (-1 + float64(4.8*rd)) / 100
	rk := (22.4 + float64(11.8*rd)) / 100
	rg := rk / (4 * (float64(0.11*rd)/(0.5+float64(1.2*rk)) - ra))
	tp := 1 / (2 * rg)
	te := float64(tp * (1 + rk))
	ta := ra
	// The return phase: eps ta = 1 - exp(-eps (1-te)), by iteration.
	eps := 1 / ta
	for range 60 {
		eps = (1 - exact.Exp(-eps*(1-te))) / ta
	}
	tail := exact.Exp(-eps * (1 - te))
	closing := -((1-tail)/eps - float64((1-te)*tail)) / (eps * ta)
	// The growth alpha that makes the flow return to zero, by bisection.
	omega := math.Pi / tp
	sin, cos := exact.Sin(omega*te), exact.Cos(omega*te)
	area := func(alpha float64) float64 {
		grow := exact.Exp(alpha * te)
		opening := (float64(grow*(float64(alpha*sin)-float64(omega*cos))) + omega) / (float64(alpha*alpha) + float64(omega*omega))
		return opening/-float64(grow*sin) + closing
	}
	lo, hi := -30.0, 60.0
	for range 80 {
		mid := (lo + hi) / 2
		if (area(mid) > 0) == (area(lo) > 0) {
			lo = mid
		} else {
			hi = mid
		}
	}
	alpha := (lo + hi) / 2
	e0 := -1 / float64(exact.Exp(alpha*te)*sin)
	out := make([]float64, pulseLen)
	for i := range out {
		t := float64(i) / pulseLen
		if t < te {
			out[i] = float64(e0*exact.Exp(alpha*t)) * exact.Sin(omega*t)
		} else {
			out[i] = -(exact.Exp(-eps*(t-te)) - tail) / (eps * ta)
		}
	}
	return out, te
}
