package meter

import (
	"math"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp/spectrum"
)

// spectraOf hands on the spectra that checks share: one every 10 ms under a Hann
// window of 23 to 47 ms, in which a sine of full scale is 1.
func spectraOf(x []float64, rateHz int, each func(power []float64)) int {
	n := 256
	for 43*n < rateHz {
		n *= 2
	}
	fft, err := spectrum.NewFFT(n)
	if err != nil {
		panic(err)
	}
	window, block := spectrum.Hann(n), make([]float64, n)
	bins, power := make([]complex128, n/2+1), make([]float64, n/2+1)
	for at := 0; at+n <= len(x); at += rateHz / 100 {
		for i := range block {
			block[i] = x[at+i] * window[i]
		}
		fft.Forward(bins, block)
		for k, c := range bins {
			power[k] = (real(c)*real(c) + imag(c)*imag(c)) * 16 / float64(n*n)
		}
		each(power)
	}
	return n
}

// sizeAt is the size of spectraOf's spectra.
func sizeAt(rateHz int) int { return spectraOf(nil, rateHz, nil) }

// syllables are vowels of 120 Hz, so many a second, with a consonant's dip of so
// many dB between them; hissed in place of voiced.
func syllables(rateHz, seconds int, perSecond, dipDB, peak float64, hissed bool) []float64 {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, seconds*rateHz)
	last := 0.0
	for i := range x {
		s := float64(i) / float64(rateHz)
		envelope := math.Pow(10, -dipDB/20*(0.5+0.5*math.Cos(2*math.Pi*perSecond*s)))
		v := 0.0
		if hissed {
			w := rng.NormFloat64()
			v, last = 0.2*(w-last), w // six dB an octave up
		} else {
			for k := 1.0; k <= 20; k++ {
				v += math.Sin(2*math.Pi*120*k*s+k*k) / k
			}
		}
		x[i] = peak * (envelope*v + 1e-4*rng.NormFloat64())
	}
	return x
}

func TestPace(t *testing.T) {
	for _, c := range []struct {
		name             string
		rateHz           int
		perSecond, dipDB float64
		peak             float64
		hissed           bool
		want, off        float64
	}{
		{"slow", 44100, 2.5, 12, 0.2, false, 2.5, 0.05},
		{"usual", 44100, 4.5, 12, 0.2, false, 4.5, 0.1},
		{"fast", 44100, 7, 12, 0.2, false, 7, 0.15},
		{"20 dB softer", 44100, 4.5, 12, 0.02, false, 4.5, 0.1},
		{"48 kHz", 48000, 4.5, 12, 0.2, false, 4.5, 0.1},
		{"22.05 kHz", 22050, 4.5, 12, 0.2, false, 4.5, 0.1},
		{"dips of 1 dB are none", 44100, 4.5, 1, 0.2, false, 0, 0.2},
		{"hiss is no vowel", 44100, 4.5, 12, 0.2, true, 0, 0.2},
	} {
		p := NewPace(c.rateHz, sizeAt(c.rateHz))
		spectraOf(syllables(c.rateHz, 12, c.perSecond, c.dipDB, c.peak, c.hissed), c.rateHz, p.Write)
		if got := p.PerSecond(); math.Abs(got-c.want) > c.off {
			t.Errorf("%s: %.2f syllables/s, want %.2f ± %.2f", c.name, got, c.want, c.off)
		}
	}
}

// A consonant that goes on with the voice has the lowest harmonics of a vowel and
// lacks those above: it parts two syllables though the power hardly falls.
func TestPaceHearsVoicedConsonants(t *testing.T) {
	const rateHz, perSecond = 44100, 5.0
	x := syllables(rateHz, 12, perSecond, 15, 0.2, false)
	for i := range x {
		s := 2 * math.Pi * 120 * float64(i) / rateHz
		x[i] += 0.2 * (math.Sin(s) + 1.5*math.Sin(2*s))
	}
	p := NewPace(rateHz, sizeAt(rateHz))
	low, high := math.Inf(1), 0.0
	spectraOf(x, rateHz, func(power []float64) {
		p.Write(power)
		sum := sumOf(power, binsOf(rateHz, 2*(len(power)-1), 200, 3150))
		low, high = min(low, sum), max(high, sum)
	})
	if dB := 10 * math.Log10(high/low); dB > 3.5 {
		t.Fatalf("the power falls by %.1f dB: no case for this test", dB)
	}
	if got := p.PerSecond(); math.Abs(got-perSecond) > 0.1 {
		t.Errorf("%.2f syllables/s, want %g", got, perSecond)
	}
}

// A syllable far under the others is none: it is the next room's.
func TestPaceLeavesOutWhatIsFarUnder(t *testing.T) {
	loud, soft := syllables(44100, 12, 4, 12, 0.2, false), syllables(44100, 12, 4, 12, 0.2*0.03, false) // 30 dB
	p := NewPace(44100, sizeAt(44100))
	spectraOf(append(loud, soft...), 44100, p.Write)
	if n := p.Syllables(); n < 46 || n > 50 {
		t.Errorf("%d syllables, want the 48 loud ones", n)
	}
}

func TestPaceOfTooLittleIsNone(t *testing.T) {
	p := NewPace(44100, sizeAt(44100))
	spectraOf(syllables(44100, 9, 4, 12, 0.2, false), 44100, p.Write)
	if got := p.PerSecond(); got != 0 {
		t.Errorf("9 s have a pace of %v", got)
	}
}
