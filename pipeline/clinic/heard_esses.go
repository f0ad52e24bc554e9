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
	usualDB  float64 // the middle one's loudest moment, 4.5 to 12 kHz, against the vowels of its phrase
	sharpDB  float64 // that a tenth of them exceed
	speechS  float64 // of the page
	peakHz   float64 // where they are strongest
	narrowDB float64 // how far the strongest third of an octave stands over the mean from 4 to 12 kHz
	places   []pipeline.Span
}

const (
	vowelFromHz, vowelToHz = 150.0, 3500.0
	essFrames              = 3   // 10 ms each
	essVowelShare          = 0.8 // of the frames are softer than vowels
	essVowelUnderDB        = 8.0 // the vowels of a phrase count as no softer than so much under the page's: a whisper has none
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
	f, err := newFrames(check.SpectrumSize(r.RateHz))
	if err != nil {
		return out, nil
	}
	e := essFinder{r: r, f: f, plain: make([]float64, len(f.power)), topHz: min(essHighHz, 0.45*float64(r.RateHz))}
	for _, s := range spans {
		e.phrase(s)
		out.speechS += s.Len().Seconds(r.RateHz)
	}
	for k := range e.plain {
		e.plain[k] /= max(e.others, 1)
	}
	page := share(e.vowels, essVowelShare) - essVowelUnderDB
	for i := range e.found {
		e.found[i].dB -= max(e.found[i].vowelDB, page)
	}
	all := slices.DeleteFunc(e.found, func(o heardEss) bool { return o.dB < -essDeepDB })
	if out.count = len(all); out.count == 0 {
		return out, e.plain
	}
	slices.SortStableFunc(all, func(a, b heardEss) int { return cmp.Compare(b.dB, a.dB) })
	all = all[:min(len(all), max(essFewest, int(essAMinute*out.speechS/60)))]
	out.usualDB, out.sharpDB = all[len(all)/2].dB, all[len(all)/10].dB
	for _, o := range all {
		out.places = append(out.places, o.place)
	}
	// Where they are is told from those with the least of anything else beside.
	slices.SortStableFunc(all, func(a, b heardEss) int { return cmp.Compare(b.clearDB, a.clearDB) })
	mean := make([]float64, len(f.power))
	for _, o := range all[:(len(all)+1)/2] {
		for k, v := range f.of(r.x[o.loudest.From:o.loudest.To]) {
			mean[k] += v
		}
	}
	out.shape(mean, r.RateHz)
	return out, e.plain
}

// A heardEss is one of them.
type heardEss struct {
	place, loudest pipeline.Span // loudest: its loudest frame
	dB             float64       // of that, in the ess band
	vowelDB        float64       // of the vowels of its phrase
	clearDB        float64       // dB over what the same frame has of the vowels' range
}

// essFinder goes through phrases.
type essFinder struct {
	r      *Read
	f      *frames
	topHz  float64
	plain  []float64 // power of frames that are none, summed
	others float64
	vowels []float64 // dB of every frame
	found  []heardEss
}

func (e *essFinder) phrase(s pipeline.Span) {
	n, hop := dsp.Frames(len(e.f.x)), dsp.FramesIn(essHopS, e.r.RateHz)
	var ess, vowel []float64
	for at := s.From; at+n <= s.To; at += hop {
		p := e.f.of(e.r.x[at : at+n])
		ess, vowel = append(ess, inDB(between(p, e.r.RateHz, essLowHz, e.topHz))), append(vowel, inDB(between(p, e.r.RateHz, vowelFromHz, vowelToHz)))
		if i := len(ess) - 1; ess[i] < vowel[i] {
			for k, v := range p {
				e.plain[k] += v
			}
			e.others++
		}
	}
	e.vowels = append(e.vowels, vowel...)
	around := share(vowel, essVowelShare)
	for i := 0; i < len(ess); i++ {
		from, best := i, i
		for ; i < len(ess) && ess[i] >= vowel[i]; i++ {
			if ess[i] > ess[best] {
				best = i
			}
		}
		if i-from >= essFrames {
			at := s.From + dsp.Frames(best)*hop
			e.found = append(e.found, heardEss{
				place:   pipeline.Span{From: s.From + dsp.Frames(from)*hop, To: s.From + dsp.Frames(i-1)*hop + n},
				loudest: pipeline.Span{From: at, To: at + n}, dB: ess[best], vowelDB: around, clearDB: ess[best] - vowel[best],
			})
		}
	}
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
