package booth

import (
	"math"

	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/speech"
)

// colour multiplies a spectrum by the minimum-phase filter of third-octave
// gains, straight lines over the logarithm of frequency between them, and by
// a second-order high-pass at 40 Hz that every microphone amplifier has.
func colour(fft *exact.FFT, re, im []float64, db [23]float64, rateHz float64) {
	n := fft.Size()
	cep, zero := make([]float64, n), make([]float64, n)
	for k := 0; k <= n/2; k++ {
		hz := max(float64(k)*rateHz/float64(n), 1)
		r := hz / 40
		r *= r
		high := float64(10 * math.Log10(float64(r*r)/(1+float64(r*r))))
		nepers := (gainAt(db, hz) + max(high, -80)) * (math.Ln10 / 20)
		cep[k] = nepers
		if k > 0 && k < n/2 {
			cep[n-k] = nepers
		}
	}
	// The real cepstrum folded onto positive time is that of the
	// minimum-phase filter (Oppenheim and Schafer).
	fft.Inverse(cep, zero)
	for i := 1; i < n/2; i++ {
		cep[i] *= 2
	}
	for i := n/2 + 1; i < n; i++ {
		cep[i] = 0
	}
	clear(zero)
	fft.Forward(cep, zero)
	for k := range re {
		size := exact.Exp(cep[k])
		cr, ci := float64(size*exact.Cos(zero[k])), float64(size*exact.Sin(zero[k]))
		re[k], im[k] = float64(re[k]*cr)-float64(im[k]*ci), float64(re[k]*ci)+float64(im[k]*cr)
	}
}

func gainAt(db [23]float64, hz float64) float64 {
	last := len(db) - 1
	switch {
	case hz <= speech.ThirdOctavesHz[0]:
		return db[0]
	case hz >= speech.ThirdOctavesHz[last]:
		return db[last]
	}
	i := 0
	for hz > speech.ThirdOctavesHz[i+1] {
		i++
	}
	at := math.Log2(hz/speech.ThirdOctavesHz[i]) / math.Log2(speech.ThirdOctavesHz[i+1]/speech.ThirdOctavesHz[i])
	return db[i] + float64(at*(db[i+1]-db[i]))
}
