package clinic

import (
	"cmp"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
)

// sibilance is how loud a voice's esses are.
type sibilance struct {
	count    int
	usualDB  float64 // the middle one's loudest moment, 4.5 to 12 kHz, against the page's vowels
	sharpDB  float64 // that a tenth of them exceed
	speechS  float64 // of the page
	peakHz   float64 // where they are strongest
	narrowDB float64 // how far the strongest third of an octave stands over the mean from 4 to 12 kHz
	places   []pipeline.Span
}

const (
	vowelFromHz, vowelToHz = 150.0, 3500.0
	essFrames              = 3   // 10 ms each
	essVowelShare          = 0.8 // of the page's frames are softer than its vowels
	essDeepDB              = 30  // under the vowels: breath
	// essAMinute is how many of the loudest count, in a minute of speech: the sharper
	// esses are, the more other consonants look like one.
	essAMinute = 30.0
	essFewest  = 6
)

// sibilanceOf finds them on the page, three spectra and more with more of the ess
// band than of the vowels', and the mean spectrum of the rest. Places come
// sharpest first.
func sibilanceOf(r *Read, spans []pipeline.Span) (out sibilance, plain []float64) {
	n := check.SpectrumSize(r.RateHz)
	f, err := newFrames(n)
	if err != nil {
		return out, nil
	}
	plain = make([]float64, n/2+1)
	others := 0.0
	top := min(essHighHz, 0.45*float64(r.RateHz))
	hop := dsp.FramesIn(essHopS, r.RateHz)
	type frame struct{ ess, vowel float64 }
	type one struct {
		place   pipeline.Span
		dB      float64
		overDB  float64       // against the vowels' range, in that frame
		loudest pipeline.Span // its loudest frame
	}
	var vowels []float64
	var found []one
	for _, s := range spans {
		var course []frame
		for at := s.From; at+dsp.Frames(n) <= s.To; at += hop {
			p := f.of(r.x[at : at+dsp.Frames(n)])
			c := frame{inDB(between(p, r.RateHz, essLowHz, top)), inDB(between(p, r.RateHz, vowelFromHz, vowelToHz))}
			course, vowels = append(course, c), append(vowels, c.vowel)
			if c.ess < c.vowel {
				for k, v := range p {
					plain[k] += v
				}
				others++
			}
		}
		out.speechS += s.Len().Seconds(r.RateHz)
		for i := 0; i < len(course); i++ {
			from, best := i, i
			for ; i < len(course) && course[i].ess >= course[i].vowel; i++ {
				if course[i].ess > course[best].ess {
					best = i
				}
			}
			if i-from < essFrames {
				continue
			}
			at := s.From + dsp.Frames(best)*hop
			found = append(found, one{pipeline.Span{From: s.From + dsp.Frames(from)*hop, To: s.From + dsp.Frames(i-1)*hop + dsp.Frames(n)}, course[best].ess, course[best].ess - course[best].vowel, pipeline.Span{From: at, To: at + dsp.Frames(n)}})
		}
	}
	for k := range plain {
		plain[k] /= max(others, 1)
	}
	vowel := share(vowels, essVowelShare)
	found = slices.DeleteFunc(found, func(o one) bool { return o.dB < vowel-essDeepDB })
	if out.count = len(found); out.count == 0 {
		return out, plain
	}
	slices.SortStableFunc(found, func(a, b one) int { return cmp.Compare(b.dB, a.dB) })
	found = found[:min(len(found), max(essFewest, int(essAMinute*out.speechS/60)))]
	out.usualDB, out.sharpDB = found[len(found)/2].dB-vowel, found[len(found)/10].dB-vowel
	for _, o := range found {
		out.places = append(out.places, o.place)
	}
	// Where they are is told from those with the least of anything else beside.
	slices.SortStableFunc(found, func(a, b one) int { return cmp.Compare(b.overDB, a.overDB) })
	mean := make([]float64, n/2+1)
	for _, o := range found[:(len(found)+1)/2] {
		for k, v := range f.of(r.x[o.loudest.From:o.loudest.To]) {
			mean[k] += v
		}
	}
	out.shape(mean, r.RateHz)
	return out, plain
}

// shape is where in the spectrum the esses are.
func (e *sibilance) shape(power []float64, rateHz int) {
	var bands []spectrum.Band
	for _, b := range spectrum.SixthOctaves() {
		if b.Lower > 3000 && b.Upper < min(16000, 0.46*float64(rateHz)) {
			bands = append(bands, b)
		}
	}
	levels := spectrum.Levels(power, rateHz, bands)
	if len(levels) < 3 {
		return
	}
	best := 1
	third := func(i int) float64 { // with its neighbours' halves, so that a single line of the spectrum decides nothing
		return math.Pow(10, float64(levels[i-1])/10)/2 + math.Pow(10, float64(levels[i])/10) + math.Pow(10, float64(levels[i+1])/10)/2
	}
	for i := 1; i+1 < len(levels); i++ {
		if third(i) > third(best) {
			best = i
		}
	}
	e.peakHz = bands[best].Mid
	around := between(power, rateHz, 4000, min(essHighHz, 0.45*float64(rateHz))) / (3 * math.Log2(min(essHighHz, 0.45*float64(rateHz))/4000)) // of a third of an octave
	e.narrowDB = inDB(third(best)) - inDB(around)
}

// frames are power spectra of single frames under a Hann window; the sum of one
// is about the frame's mean square.
type frames struct {
	fft    *spectrum.FFT
	window []float64
	x      []float64
	bins   []complex128
	power  []float64
}

func newFrames(n int) (*frames, error) {
	fft, err := spectrum.NewFFT(n)
	if err != nil {
		return nil, err
	}
	return &frames{fft: fft, window: spectrum.Hann(n), x: make([]float64, n), bins: make([]complex128, n/2+1), power: make([]float64, n/2+1)}, nil
}

// of is the spectrum of x, which holds one frame; it is valid until the next call.
func (f *frames) of(x []float64) []float64 {
	for i, v := range x {
		f.x[i] = v * f.window[i]
	}
	f.fft.Forward(f.bins, f.x)
	n := float64(len(x))
	for k, v := range f.bins {
		f.power[k] = 2 * (real(v)*real(v) + imag(v)*imag(v)) / (0.375 * n * n)
	}
	return f.power
}
