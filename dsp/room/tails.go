package room

import (
	"math"
	"slices"

	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
)

const (
	tailFallDB  = 8.0  // that the level falls
	tailWithinS = 0.12 // in
	tailAfterS  = 0.04 // then the voice has ended,
	tailS       = 0.22 // and this long nothing begins
	tailAgainDB = 1.0
	tailSize    = 2048
	tailLowHz   = 55.0 // between these each tail counts as one
	tailHighHz  = 565.0
	tailQ       = 30.0
	tailHopS    = 0.01
	tailsLeast  = 12 // places: the mean of few has peaks by chance

	ringHopS    = 0.005
	ringWaves   = 6.0 // in a window
	ringShortS  = 0.012
	ringLongS   = 0.1
	ringFalls   = 1.2 // windows that a fall is measured over
	ringOverDB  = 18.0
	ringWobble  = 0.3         // dB that a fall may rise between
	ringShare   = 0.93        // of falls that are less steep
	ringLeast   = 30          // falls that tell something
	ringPerQ    = 27.28752708 // 20π·log10 e: dB a second that a resonance of Q 1 falls at 1 Hz
	toneQuieter = 0.8
)

// Tails is the course of what is heard for 0.22 s after the voice has fallen by
// 8 dB and begins no more: the mean over all such places of the power spectrum
// less that of the room tone, each place counting as one. It is nil where there
// are fewer than twelve.
func (v *Voice) Tails() Course {
	fft, err := spectrum.NewFFT(tailSize)
	if err != nil {
		panic(err) // a constant size
	}
	t := tails{fft: fft, rate: v.rate, window: spectrum.Hann(int(tailS * v.rate)), product: make([]float64, tailSize), bins: make([]complex128, tailSize/2+1)}
	floor := make([]float64, tailSize/2+1)
	count := 0
	for _, s := range v.tone {
		for at := s.from; at+len(t.window) <= s.to; at += len(t.window) / 2 {
			t.add(floor, v.x[at:], nil)
			count++
		}
	}
	for k := range floor {
		floor[k] = float64(2 * floor[k] / float64(max(1, count)))
	}
	sum := make([]float64, tailSize/2+1)
	count = 0
	for _, at := range v.ends() {
		if at+len(t.window) <= len(v.x) && t.add(sum, v.x[at:], floor) {
			count++
		}
	}
	if count < tailsLeast {
		return nil
	}
	c := make(Course, courseSize)
	width := v.rate / tailSize
	for i := range c {
		hz := CourseHz(i)
		half := max(hz/tailQ, float64(2*width))
		c[i] = max(minLevel, kernel.PowerDB(triangle(sum, width, hz, half)))
	}
	return c
}

// ends are the places just after the voice has ended.
func (v *Voice) ends() (all []int) {
	hop := tailHopS * v.rate
	half := int(1.5 * hop)
	n := int(float64(len(v.x)) / hop)
	levels := make([]float64, n)
	for t := range levels {
		at := int(float64(t) * hop)
		sum := 0.0
		for i := max(1, at-half); i < min(len(v.x), at+half); i++ {
			// A difference, in which rumble counts for little.
			d := v.x[i] - float64(0.9*v.x[i-1])
			sum += float64(d * d)
		}
		levels[t] = max(minLevel, kernel.PowerDB(sum))
	}
	const before, after = int(tailWithinS / tailHopS), int(tailS / tailHopS)
	fallen := func(t int) bool { return levels[t] <= slices.Max(levels[t-before:t])-tailFallDB }
	for t := before + 1; t+after < n; t++ {
		if fallen(t) && !fallen(t-1) && slices.Max(levels[t:t+after]) <= levels[t]+tailAgainDB {
			all = append(all, int((float64(float64(t)*tailHopS)+tailAfterS)*v.rate))
		}
	}
	return all
}

// tails finds spectra of what is left of a voice.
type tails struct {
	fft     *spectrum.FFT
	rate    float64
	window  []float64
	product []float64
	bins    []complex128
}

// add adds the power at the start of x to sum. With a floor that is taken off,
// and the power weighed to come to 1; false: nothing is over it.
func (t *tails) add(sum, x, floor []float64) bool {
	clear(t.product)
	for i, w := range t.window {
		t.product[i] = w * x[i]
	}
	t.fft.Forward(t.bins, t.product)
	power := make([]float64, len(t.bins))
	all := 1.0
	if floor != nil {
		all = 0
	}
	for k, b := range t.bins {
		power[k] = float64(real(b)*real(b)) + float64(imag(b)*imag(b))
		if floor == nil {
			continue
		}
		power[k] = max(0, power[k]-floor[k])
		if hz := float64(k) * t.rate / tailSize; hz > tailLowHz && hz < tailHighHz {
			all += power[k]
		}
	}
	if all <= 0 {
		return false
	}
	for k, p := range power {
		sum[k] += p / all
	}
	return true
}

// Ring is how long the room holds a frequency, as the Q of a resonance there:
// nothing can fall faster than the room lets it, so of all falls of the level in
// a band of six waves it takes the slope that 93 of 100 are under. longer is how
// many times as long that takes as the same falls at 700 and 900 Hz, in bands as
// wide: what a voice does by itself it does there too. Without a room a voice
// comes to a Q of 9 or so, which is the band's own, or to a longer of 1. 0: too
// little falls there to tell.
//
// Source: statistics of free decays as in Löllmann, Yılmaz, Jeub and Vary, IWAENC
// 2010; the rest is this project's own.
func (v *Voice) Ring(hz float64) (q, longer float64) {
	window := min(max(ringWaves/hz, ringShortS), ringLongS)
	slope := v.fall(hz, window)
	if slope <= 0 {
		return 0, 0
	}
	return ringPerQ * hz / slope, max(v.fall(700, window), v.fall(900, window)) / slope
}

// fall is the slope in dB a second that 93 of 100 falls are under, at least 1;
// 0: there are too few.
func (v *Voice) fall(hz, window float64) float64 {
	var levels, quiet []float64
	tone := v.tone
	for t := 0; ; t++ {
		at := int(float64(t) * ringHopS * v.rate)
		if at >= len(v.x) {
			break
		}
		l := v.levelAt(at, hz, window/2)
		levels = append(levels, l)
		for len(tone) > 0 && tone[0].to <= at {
			tone = tone[1:]
		}
		if len(tone) > 0 && tone[0].from <= at {
			quiet = append(quiet, l)
		}
	}
	floor := minLevel
	if len(quiet) > 0 {
		slices.Sort(quiet)
		floor = quiet[int(toneQuieter*float64(len(quiet)))]
	}
	hops := int(math.Round(ringFalls * window / ringHopS))
	var falls []float64
next:
	for t := 0; t+hops < len(levels); t++ {
		if levels[t] < floor+ringOverDB {
			continue
		}
		for k := range hops {
			if levels[t+k+1] > levels[t+k]+ringWobble {
				continue next
			}
		}
		falls = append(falls, levels[t]-max(levels[t+hops], floor))
	}
	if len(falls) < ringLeast {
		return 0
	}
	slices.Sort(falls)
	return max(1, falls[int(ringShare*float64(len(falls)))]/(float64(hops)*ringHopS))
}
