package clinic

import (
	"math"

	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
)

// A voice's pitch and its harmonics are looked at at some 4.4 kHz, in frames of
// 256 samples (58 ms) every 64.
const (
	pitchHz      = 4400
	pitchToHz    = 1500.0 // what is left of the spectrum
	pitchSize    = 256
	pitchHop     = 64
	pitchLowHz   = 60.0
	pitchHighHz  = 420.0
	pitchSure    = 0.75 // correlation of a period with the next one
	pitchNearest = 0.92 // of the best: the shortest period that comes so near to it is the period
)

// A voiced is a frame in which the voice has a pitch.
type voiced struct {
	at int     // its first sample at the lower rate
	hz float64 // its pitch
}

// A lowered is the read while somebody speaks, at a rate that is enough for
// pitch and for what a small room does.
type lowered struct {
	x      []float64
	rateHz float64
	frames []voiced
}

// lower brings the phrases to the lower rate and finds the pitch in them.
func lower(r *Read) lowered {
	every := max(1, r.RateHz/pitchHz)
	l := lowered{rateHz: float64(r.RateHz) / float64(every)}
	sections, err := filter.Lowpass(min(pitchToHz, 0.4*float64(r.RateHz)), 48, float64(r.RateHz))
	if err != nil {
		return l
	}
	pass := kernel.NewCascade(sections)
	x := append([]float64(nil), r.x...)
	for len(x)%8 != 0 {
		x = append(x, 0)
	}
	pass.Process(x)
	for i := 0; i < len(x); i += every {
		l.x = append(l.x, x[i])
	}
	for _, p := range r.Marks.Phrases {
		for at := int(p.From) / every; at+2*pitchSize <= min(int(p.To)/every, len(l.x)); at += pitchHop {
			if hz := l.pitchAt(at); hz > 0 {
				l.frames = append(l.frames, voiced{at, hz})
			}
		}
	}
	return l
}

// pitchAt is the pitch of the frame that begins at a sample, by the correlation
// of what follows with what follows a period later (Atal 1968); 0: none.
func (l *lowered) pitchAt(at int) float64 {
	shortest, longest := int(l.rateHz/pitchHighHz), int(l.rateHz/pitchLowHz)
	x := l.x[at:]
	corr := make([]float64, longest+2)
	best := 0.0
	for lag := shortest - 1; lag <= longest+1; lag++ {
		var xy, xx, yy float64
		for i := range pitchSize {
			xy += x[i] * x[i+lag]
			xx += x[i] * x[i]
			yy += x[i+lag] * x[i+lag]
		}
		if xx > 0 && yy > 0 {
			corr[lag] = xy / math.Sqrt(xx*yy)
		}
		best = max(best, corr[lag])
	}
	if best < pitchSure {
		return 0
	}
	for lag := shortest; lag <= longest; lag++ {
		a, b, c := corr[lag-1], corr[lag], corr[lag+1]
		if b < pitchNearest*best || b < a || b < c {
			continue
		}
		shift := 0.0
		if d := a - 2*b + c; d < 0 {
			shift = (a - c) / (2 * d)
		}
		return l.rateHz / (float64(lag) + shift)
	}
	return 0
}

// pitches are those of all frames.
func (l *lowered) pitches() (hz []float64) {
	for _, f := range l.frames {
		hz = append(hz, f.hz)
	}
	return hz
}

// A harmonic is one of a frame's: which, where it was found, and its level.
type harmonic struct {
	frame, number int
	hz, db        float64
}

// harmonics are those of all frames under a frequency that stand out.
func (l *lowered) harmonics(belowHz float64) (all []harmonic) {
	fft, err := spectrum.NewFFT(4 * pitchSize) // finer than the window resolves, to find the top
	if err != nil {
		panic(err) // a power of two
	}
	window := spectrum.Hann(pitchSize)
	x, bins := make([]float64, 4*pitchSize), make([]complex128, 2*pitchSize+1)
	perBin := l.rateHz / float64(4*pitchSize)
	for n, f := range l.frames {
		for i := range pitchSize {
			x[i] = l.x[f.at+i] * window[i]
		}
		fft.Forward(bins, x)
		level := func(k int) float64 { return real(bins[k])*real(bins[k]) + imag(bins[k])*imag(bins[k]) }
		first, most := len(all), 0.0
		for number := 1; float64(number)*f.hz < belowHz; number++ {
			top, reach := int(math.Round(float64(number)*f.hz/perBin)), int(0.2*f.hz/perBin)
			for k := top - reach; k <= top+reach && k < len(bins)-1; k++ {
				if k > 0 && level(k) > level(top) {
					top = k
				}
			}
			all = append(all, harmonic{n, number, float64(top) * perBin, level(top)})
			most = max(most, level(top))
		}
		kept := all[:first]
		for _, h := range all[first:] {
			if h.db > 1e-4*most { // the window leaks under it
				h.db = 10 * math.Log10(h.db)
				kept = append(kept, h)
			}
		}
		all = kept
	}
	return all
}
