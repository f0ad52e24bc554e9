package check

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
)

// How steady lines are found between words.
const (
	lineRateHz   = 1600.0 // about what the sound is brought down to
	lineTopHz    = 620.0
	lineLowHz    = 40.0
	lineWindow   = 1 << 14 // ten seconds
	linePadded   = 2 * lineWindow
	lineCell     = 64   // samples that one weight stands for
	lineRatio    = 22.0 // of powers, over the median around: noise alone has one bin in four million so high
	lineReachHz  = 8.0  // that the median is taken of
	lineFloorHz  = 4.0  // between two medians
	lineApartHz  = 3.0  // within which only the strongest is taken in a round
	lineNearly   = 0.7
	lineRounds   = 6
	lineMost     = 60     // lines of a window
	lineSameHz   = 0.4    // what is found so near a line is what was left of it
	lineFaint    = 1e-3   // a weight that is none
	medianOfMean = 0.6931 // of a chi-square of two degrees
)

// A steadyLine is a sine that stays through a window.
type steadyLine struct {
	hz, power float64 // its mean square
}

// A lineWindowFound is what a window of a part holds beneath its words.
type lineWindowFound struct {
	from, to dsp.Frames
	soft     float64 // power of its tenth softest cell
	lines    []steadyLine
	noise    []float64 // mean square in 1 Hz, each lineFloorHz from 0 on
}

// lineFinder finds the lines of a part window by window. In a window a moment
// weighs 1/(p+2q)², p being the power of its 40 ms and q that of the tenth
// softest: pauses count and words don't. Pauses are few, so each line has side
// lobes; the strongest are taken out of the sound and the rest is looked at
// again (CLEAN: Högbom 1974), so that a fan beside the mains is told from them.
type lineFinder struct {
	rateHz  int
	step    int
	low     *kernel.Cascade
	buf     []float64
	at      dsp.Frames // of what comes next
	x       []float64  // one window, at the low rate
	fft     *spectrum.FFT
	y       []float64 // x under its weights, and as many zeros
	bins    []complex128
	power   []float64
	weights []float64 // of samples
	cells   []float64
	sorting []float64
	found   []lineWindowFound
}

func newLineFinder(rateHz int) *lineFinder {
	f := &lineFinder{rateHz: rateHz, step: max(1, int(float64(rateHz)/lineRateHz))}
	sections, err := filter.Lowpass(min(1.1*lineTopHz, 0.45*float64(rateHz)), 48, float64(rateHz))
	if err != nil {
		panic(err) // settings of ours
	}
	f.low = kernel.NewCascade(sections)
	if f.fft, err = spectrum.NewFFT(linePadded); err != nil {
		panic(err) // a constant size
	}
	f.x, f.y, f.weights = make([]float64, 0, lineWindow), make([]float64, linePadded), make([]float64, lineWindow)
	f.bins, f.power = make([]complex128, linePadded/2+1), make([]float64, linePadded/2+1)
	f.cells = make([]float64, lineWindow/lineCell)
	return f
}

// lowHz is the rate of a window's samples.
func (f *lineFinder) lowHz() float64 { return float64(f.rateHz) / float64(f.step) }

func (f *lineFinder) hear(x []float64) {
	f.buf = append(f.buf[:0], x...)
	f.low.Process(f.buf)
	for i := (f.step - int(f.at)%f.step) % f.step; i < len(f.buf); i += f.step {
		if f.x = append(f.x, f.buf[i]); len(f.x) == lineWindow {
			f.look(f.at + dsp.Frames(i+1))
		}
	}
	f.at += dsp.Frames(len(x))
}

// ended takes what is left, where it is half a window.
func (f *lineFinder) ended() {
	if len(f.x) >= lineWindow/2 {
		f.look(f.at)
	}
}

// look finds the lines of the window at hand.
func (f *lineFinder) look(end dsp.Frames) {
	w := lineWindowFound{from: max(0, end-dsp.Frames(len(f.x)*f.step)), to: end}
	ok := false
	if w.soft, ok = f.weigh(); ok {
		f.clean(&w)
		f.found = append(f.found, w)
	}
	f.x = f.x[:0]
}

// weigh fills y, and tells how soft the tenth softest cell is.
func (f *lineFinder) weigh() (soft float64, ok bool) {
	cells := f.cells[:len(f.x)/lineCell]
	f.sorting = f.sorting[:0]
	last := f.x[0]
	for c := range cells {
		cells[c] = 0
		for _, v := range f.x[c*lineCell : (c+1)*lineCell] {
			d := v - last // a difference, in which rumble counts for little
			cells[c] += float64(d * d)
			last = v
		}
		if cells[c] > 0 {
			f.sorting = append(f.sorting, cells[c])
		}
	}
	clear(f.y)
	clear(f.weights)
	if len(f.sorting) < 8 {
		return 0, false
	}
	slices.Sort(f.sorting)
	soft = f.sorting[len(f.sorting)/10]
	for c, v := range cells {
		r := 3 * soft / (v + float64(2*soft))
		if cells[c] = float64(r * r); v == 0 || cells[c] < lineFaint {
			cells[c] = 0 // digital silence holds no line
		}
	}
	at := func(c int) float64 {
		if c < 0 || c >= len(cells) {
			return 0
		}
		return min(cells[c], cells[max(0, c-1)], cells[min(len(cells)-1, c+1)]) // no edge of a word
	}
	for i := range len(cells) * lineCell { // straight from the middle of a cell to that of the next
		place := (float64(i)+0.5)/lineCell - 0.5
		c := int(math.Floor(place))
		share := place - float64(c)
		f.weights[i] = float64((1-share)*at(c)) + float64(share*at(c+1))
		f.y[i] = float64(f.weights[i] * f.x[i])
	}
	return soft, true
}

// clean takes the lines out of y, one by one, and leaves the noise.
func (f *lineFinder) clean(w *lineWindowFound) {
	var sum, squares float64
	for _, v := range f.weights {
		sum += v
		squares += float64(v * v)
	}
	perHz := linePadded / f.lowHz()
	near := int(lineApartHz * perHz)
	top := int(min(lineTopHz, 0.45*f.lowHz()) * perHz)
	for range lineRounds {
		f.transform(w)
		took := false
		for k := int(lineLowHz * perHz); k < top && len(w.lines) < lineMost; k++ {
			p := f.power[k]
			if p <= lineRatio*w.noiseAt(float64(k)/perHz) || p < slices.Max(f.power[k-near:k+near+1]) {
				continue
			}
			hz, re, im := f.highest(k-near, k+near)
			f.subtract(hz, 2*re/sum, 2*im/sum)
			took = true
			power := 2 * (float64(re*re) + float64(im*im)) / (sum * sum)
			same := func(l steadyLine) bool { return math.Abs(l.hz-hz) < lineSameHz }
			if !slices.ContainsFunc(w.lines, same) {
				w.lines = append(w.lines, steadyLine{hz, power})
			}
		}
		if !took {
			break
		}
	}
	f.transform(w)
	for i := range w.noise {
		w.noise[i] *= 2 / (medianOfMean * f.lowHz() * squares)
	}
}

// transform brings power and the medians of it up to date.
func (f *lineFinder) transform(w *lineWindowFound) {
	f.fft.Forward(f.bins, f.y)
	for k, b := range f.bins {
		f.power[k] = float64(real(b)*real(b)) + float64(imag(b)*imag(b))
	}
	perHz := linePadded / f.lowHz()
	reach := int(lineReachHz * perHz)
	w.noise = w.noise[:0]
	for hz := 0.0; hz <= lineTopHz+2*lineReachHz; hz += lineFloorHz {
		at := int(hz * perHz)
		from, to := max(1, at-reach), min(len(f.power), at+reach+1)
		if from >= to {
			w.noise = append(w.noise, w.noise[len(w.noise)-1])
			continue
		}
		f.sorting = append(f.sorting[:0], f.power[from:to]...)
		slices.Sort(f.sorting)
		w.noise = append(w.noise, f.sorting[len(f.sorting)/2])
	}
}

// noiseAt is the noise at a frequency.
func (w *lineWindowFound) noiseAt(hz float64) float64 {
	place := hz / lineFloorHz
	i := min(int(place), len(w.noise)-2)
	share := place - float64(i)
	return float64((1-share)*w.noise[i]) + float64(share*w.noise[i+1])
}

// highest is the highest peak among bins, between them: side lobes of few
// pauses are nearly as high.
func (f *lineFinder) highest(from, to int) (hz, re, im float64) {
	perHz := linePadded / f.lowHz()
	least := lineNearly * slices.Max(f.power[from:to+1])
	most := 0.0
	for k := from; k <= to; k++ {
		if p := f.power[k]; p < least || p < f.power[k-1] || p < f.power[k+1] {
			continue
		}
		at := f.peak(float64(k)/perHz, 0.5/perHz)
		r, i := f.dft(at)
		if p := float64(r*r) + float64(i*i); p > most {
			hz, re, im, most = at, r, i, p
		}
	}
	return hz, re, im
}

// peak is where the power about a frequency is greatest.
func (f *lineFinder) peak(hz, within float64) float64 {
	at := func(hz float64) float64 {
		re, im := f.dft(hz)
		return float64(re*re) + float64(im*im)
	}
	middle := at(hz)
	for range 4 {
		a, b := at(hz-within), at(hz+within)
		switch bend := a + b - float64(2*middle); {
		case a > middle && a >= b:
			hz, middle = hz-within, a
		case b > middle:
			hz, middle = hz+within, b
		case bend < 0:
			hz += within * float64(0.5*(a-b)) / bend
			middle = at(hz)
		}
		within /= 3
	}
	return hz
}

// dft is the sum of y times a turning phasor, exp(-2πj·hz·t).
func (f *lineFinder) dft(hz float64) (re, im float64) {
	f.turn(hz, func(i int, cos, sin float64) {
		re += float64(f.y[i] * cos)
		im -= float64(f.y[i] * sin)
	})
	return re, im
}

// subtract takes the sine with that amplitude out of y.
func (f *lineFinder) subtract(hz, re, im float64) {
	f.turn(hz, func(i int, cos, sin float64) {
		f.y[i] -= float64(f.weights[i] * (float64(re*cos) - float64(im*sin)))
	})
}

// turn hands on the samples of y that have a weight, with a phasor that is set
// anew in each cell.
func (f *lineFinder) turn(hz float64, do func(i int, cos, sin float64)) {
	step := 2 * math.Pi * hz / f.lowHz()
	c, s := kernel.Cos(step), kernel.Sin(step)
	for from := 0; from < lineWindow; from += lineCell {
		if f.weights[from] == 0 && f.weights[from+lineCell/2] == 0 && f.weights[from+lineCell-1] == 0 {
			continue
		}
		cycles := hz * float64(from) / f.lowHz()
		angle := 2 * math.Pi * (cycles - math.Floor(cycles))
		cos, sin := kernel.Cos(angle), kernel.Sin(angle)
		for i := from; i < from+lineCell; i++ {
			do(i, cos, sin)
			cos, sin = float64(cos*c)-float64(sin*s), float64(sin*c)+float64(cos*s)
		}
	}
}
