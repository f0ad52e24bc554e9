package meter

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
)

// Where hum is looked for.
const (
	mainsLowHz   = 45.0 // of the fundamental
	mainsHighHz  = 65.0
	mainsTopHz   = 600.0 // of a harmonic
	mainsWindow  = 1 << 14
	mainsHop     = mainsWindow / 2
	mainsCell    = 64 // low-rate samples that one weight stands for
	mainsLeastHz = 1300.0
)

// What a line and a family of lines are, in a window's spectrum. Of noise alone
// one bin in four million stands as high over the median as a line does.
const (
	lineRatio    = 22.0 // of powers, over the median of what is around it
	lineReachHz  = 8.0  // that the median is taken of
	lineApartHz  = 3.0  // within which a line is no more than 3 dB under another
	lineMostDB   = 30.0 // counts no further
	familyLines  = 2
	familyKept   = 3   // candidates a window hands on
	familyApart  = 0.6 // Hz between two of them
	fitReachHz   = 0.12
	fitStepHz    = 0.002
	evenNearHz   = 0.6 // even harmonics alone: only as near as this to 50 or 60 Hz
	mainsNearHz  = 1.5 // further from both more lines are asked for
	farLines     = 4
	slackHz      = 0.08 // of a harmonic off its place, and a hundredth for each order
	slackOrderHz = 0.012
)

// Mains finds the frequency of the mains' hum and how it drifts, from what a
// part holds between its words. Sound is brought down to about 1.4 kHz and taken
// in windows of 2^14 samples, half over each other, in which a moment weighs
//
//	1 / (p + 2·q)²
//
// p being the power of its 50 ms and q that of the tenth softest, so that pauses
// count and words don't. A line is what stands 13 dB over the median of the 8 Hz
// on either side; a family are lines at whole multiples k of one frequency from
// 45 to 65 Hz,
//
//	f0: Σ P(k·f0) / N(k·f0) is greatest
//
// P being the power at those multiples that have a line and N the median around. Even multiples alone are a family
// only near 50 and 60 Hz: they could be a fan's. One family is followed through
// the part: at most 0.4 Hz a minute between windows.
//
// Tolerance: 0.02 Hz, at drifts up to 0.2 Hz a minute. Memory is constant but for
// 300 bytes a window, one about every 6 s.
//
// Source: maximum likelihood of a harmonic series in noise of uneven power, as in
// Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, 1993,
// examples 7.16 and 4.2; the rest is this project's own.
type Mains struct {
	low      *lowRate
	sourceHz int
	rateHz   float64 // of what low gives

	x    []float64 // one window
	fill int
	done int64 // low-rate samples before x
	used bool  // x was looked at, up to fill

	fft     *spectrum.FFT
	padded  []float64
	bins    []complex128
	power   []float64
	floors  []float64 // median around each whole Hz
	sorting []float64
	weights []float64 // of cells
	windows []mainsWindowFound
}

// mainsWindowFound is what one window tells.
type mainsWindowFound struct {
	at       dsp.Frames // centre of what was weighed
	soft     float64    // power of its tenth softest cell
	families []mainsFamily
}

// A mainsFamily is a fundamental that lines of a window may belong to.
type mainsFamily struct {
	hz         float64
	score      float64 // dB
	lines      int32
	orders     uint32 // a bit for each that has a line
	likelihood float64
}

// NewMains makes the meter for mono sound at a rate.
func NewMains(rateHz int) *Mains {
	m := &Mains{low: newLowRate(rateHz), sourceHz: rateHz, x: make([]float64, mainsWindow)}
	m.rateHz = float64(rateHz) / float64(m.low.step)
	fft, err := spectrum.NewFFT(2 * mainsWindow)
	if err != nil {
		panic(err) // a constant size
	}
	m.fft = fft
	m.padded = make([]float64, fft.Size())
	m.bins = make([]complex128, mainsWindow+1)
	m.power = make([]float64, mainsWindow+1)
	m.floors = make([]float64, int(mainsTopHz)+2)
	m.weights = make([]float64, mainsWindow/mainsCell)
	return m
}

// Write takes the next samples.
func (m *Mains) Write(x []float64) {
	for len(x) > 0 {
		x = x[m.low.next(x):]
		if !m.low.full {
			continue
		}
		m.low.full = false
		m.x[m.fill] = m.low.value
		m.used = false
		if m.fill++; m.fill == mainsWindow {
			m.look()
			copy(m.x, m.x[mainsHop:])
			m.fill -= mainsHop
			m.done += mainsHop
		}
	}
}

// Result is the course of the mains' frequency, in the order of time; none where
// there is no hum.
func (m *Mains) Result() []MainsPoint {
	if fresh := m.fill - mainsHop; !m.used && (len(m.windows) == 0 || fresh > mainsHop/2) {
		clear(m.x[m.fill:])
		m.look()
	}
	return follow(m.windows, m.sourceHz)
}

// look takes the window for what is in it.
func (m *Mains) look() {
	m.used = true
	soft, centre, ok := m.weigh()
	if !ok {
		return
	}
	m.fft.Forward(m.bins, m.padded)
	for k, b := range m.bins {
		m.power[k] = float64(real(b)*real(b)) + float64(imag(b)*imag(b))
	}
	at := m.low.frame(m.done) + dsp.Frames(math.Round(centre*float64(m.low.step)))
	m.windows = append(m.windows, mainsWindowFound{at, soft, m.families(m.findLines())})
}

// weigh lays the weighed window into padded, and tells how soft its tenth
// softest cell is and where, in low-rate samples, the middle of the weight lies.
func (m *Mains) weigh() (soft, centre float64, ok bool) {
	cells := m.fill / mainsCell
	p := m.weights[:cells]
	for c := range p {
		p[c] = 0
		last := m.x[max(0, c*mainsCell-1)]
		for _, v := range m.x[c*mainsCell : (c+1)*mainsCell] {
			// A difference, in which rumble counts for little.
			d := v - last
			p[c] += float64(d * d)
			last = v
		}
	}
	m.sorting = append(m.sorting[:0], p...)
	m.sorting = slices.DeleteFunc(m.sorting, func(v float64) bool { return v <= 0 })
	if len(m.sorting) < 8 {
		return 0, 0, false
	}
	slices.Sort(m.sorting)
	soft = m.sorting[len(m.sorting)/10]
	for c, v := range p {
		r := soft / (v + float64(2*soft))
		p[c] = float64(r * r)
		if v == 0 {
			p[c] = 0 // digital silence holds no hum
		}
	}
	clear(m.padded)
	// The weight runs straight from the middle of a cell to that of the next, and
	// to none at the window's ends.
	var sum, moment float64
	for i := range cells * mainsCell {
		place := (float64(i)+0.5)/mainsCell - 0.5
		c := int(math.Floor(place))
		share := place - float64(c)
		w := float64((1-share)*cellAt(p, c)) + float64(share*cellAt(p, c+1))
		sum += w
		moment += float64(w * float64(i))
		m.padded[i] = w * m.x[i]
	}
	return soft, moment / sum, sum > 0
}

func cellAt(p []float64, c int) float64 {
	if c < 0 || c >= len(p) {
		return 0
	}
	return p[c]
}

// A mainsLine is a peak of a window's spectrum.
type mainsLine struct{ hz, ratio float64 }

// findLines are the peaks that stand out of what is around them.
func (m *Mains) findLines() []mainsLine {
	perHz := float64(m.fft.Size()) / m.rateHz
	reach := int(lineReachHz * perHz)
	for hz := int(mainsLowHz) - 2; hz < len(m.floors); hz++ {
		at := int(float64(hz) * perHz)
		m.sorting = append(m.sorting[:0], m.power[at-reach:at+reach+1]...)
		m.floors[hz] = nth(m.sorting, reach)
	}
	var lines []mainsLine
	near := int(lineApartHz * perHz)
	last := int(min(mainsTopHz, 0.45*m.rateHz) * perHz)
	for k := int((mainsLowHz - 1) * perHz); k < last; k++ {
		p := m.power[k]
		if p <= m.power[k-1] || p < m.power[k+1] {
			continue
		}
		floor := m.floor(float64(k) / perHz)
		if !(p > lineRatio*floor) || floor == 0 || slices.Max(m.power[k-near:k+near+1]) > float64(2*p) {
			continue
		}
		// The peak of a parabola through three logarithms.
		a, b, c := math.Log(m.power[k-1]), math.Log(p), math.Log(m.power[k+1])
		off := 0.5 * (a - c) / (a - float64(2*b) + c)
		lines = append(lines, mainsLine{(float64(k) + off) / perHz, p / floor})
	}
	return lines
}

// families are the best fundamentals of lines.
func (m *Mains) families(lines []mainsLine) []mainsFamily {
	var all []mainsFamily
	for _, l := range lines {
		for k := math.Ceil(l.hz / mainsHighHz); l.hz/k >= mainsLowHz; k++ {
			if f := familyOf(lines, l.hz/k); f.lines >= familyLines {
				m.fit(&f)
				all = append(all, f)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b mainsFamily) int {
		switch {
		case a.likelihood > b.likelihood:
			return -1
		case a.likelihood < b.likelihood:
			return 1
		}
		return 0
	})
	var apart []mainsFamily
	for _, f := range all {
		near := func(k mainsFamily) bool { return math.Abs(k.hz-f.hz) < familyApart }
		if !slices.ContainsFunc(apart, near) {
			apart = append(apart, f)
		}
	}
	// After that, so that no side lobe passes for what its line can't be.
	apart = slices.DeleteFunc(apart, func(f mainsFamily) bool { return !f.sure() })
	return slices.Clip(slices.Clone(apart[:min(len(apart), familyKept)]))
}

// sure tells whether a family can be the mains'.
func (f mainsFamily) sure() bool {
	const odd = 0b010101010101010
	off := min(math.Abs(f.hz-50), math.Abs(f.hz-60))
	return off <= evenNearHz || f.orders&odd != 0 && (off <= mainsNearHz || f.lines >= farLines)
}

// familyOf is what lines near the multiples of a frequency make up.
func familyOf(lines []mainsLine, hz float64) (f mainsFamily) {
	f.hz = hz
	for _, l := range lines {
		k := math.Round(l.hz / hz)
		if math.Abs(l.hz-float64(k*hz)) > slackHz+float64(slackOrderHz*k) || f.orders>>uint(k)&1 == 1 {
			continue
		}
		f.orders |= 1 << uint(k)
		f.lines++
		f.score += min(lineMostDB, powerDB(l.ratio))
	}
	return f
}

// fit moves a family to where its comb holds most of the power, against what is
// around: one harmonic alone has side lobes nearly as high, for pauses are short
// and far between, but those of two orders don't fall together.
func (m *Mains) fit(f *mainsFamily) {
	from := f.hz - fitReachHz
	best, most := 0, 0.0
	n := int(2 * fitReachHz / fitStepHz)
	for i := range n + 1 {
		if v := m.likelihood(f.orders, from+float64(fitStepHz*float64(i))); v > most {
			best, most = i, v
		}
	}
	f.hz = from + float64(fitStepHz*float64(best))
	f.likelihood = most
	a, c := m.likelihood(f.orders, f.hz-fitStepHz), m.likelihood(f.orders, f.hz+fitStepHz)
	if bend := a + c - float64(2*most); bend < 0 && a <= most && c <= most {
		f.hz += float64(fitStepHz*0.5*(a-c)) / bend
	}
}

// likelihood is the power at the orders of a fundamental, each against its
// surroundings. Between bins it follows the parabola through three.
func (m *Mains) likelihood(orders uint32, hz float64) (sum float64) {
	perHz := float64(m.fft.Size()) / m.rateHz
	for k := 1; k < 16; k++ {
		if orders>>uint(k)&1 == 0 {
			continue
		}
		at := float64(k) * hz * perHz
		i := int(math.Round(at))
		t := at - float64(i)
		a, b, c := m.power[i-1], m.power[i], m.power[i+1]
		p := b + float64(t*(float64(0.5*(c-a))+float64(t*(float64(0.5*(a+c))-b))))
		sum += p / m.floor(float64(k)*hz)
	}
	return sum
}

// floor is the median power around a frequency.
func (m *Mains) floor(hz float64) float64 {
	whole := int(hz)
	share := hz - float64(whole)
	return float64((1-share)*m.floors[whole]) + float64(share*m.floors[whole+1])
}

// lowRate brings sound down to about 1.4 kHz, half the step at a time: a mean,
// then the binomial 1 4 6 4 1.
type lowRate struct {
	step  int
	sum   float64
	count int
	means [5]float64
	seen  int64 // means

	value float64
	full  bool
}

func newLowRate(rateHz int) *lowRate {
	step := 2
	for float64(rateHz)/float64(2*step) >= mainsLeastHz {
		step *= 2
	}
	return &lowRate{step: step}
}

// next takes samples up to the next value, and tells how many it took.
func (l *lowRate) next(x []float64) int {
	n := min(len(x), l.step/2-l.count)
	for _, v := range x[:n] {
		l.sum += v
	}
	if l.count += n; l.count < l.step/2 {
		return n
	}
	copy(l.means[:], l.means[1:])
	l.means[4] = l.sum
	l.sum, l.count = 0, 0
	if l.seen++; l.seen%2 == 0 {
		s := &l.means
		l.value = (s[0] + s[4] + float64(4*(s[1]+s[3])) + float64(6*s[2])) / float64(8*l.step)
		l.full = true
	}
	return n
}

// frame is where low-rate sample i lies: a step before the end of what made it.
func (l *lowRate) frame(i int64) dsp.Frames {
	return dsp.Frames((i+1)*int64(l.step)) - dsp.Frames(5*l.step/4)
}
