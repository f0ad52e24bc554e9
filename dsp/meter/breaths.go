package meter

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
)

// What a breath is: after Ruinskiy and Lavner, "An Effective Algorithm for
// Automatic Detection and Exact Demarcation of Breath Sounds in Speech and Song
// Signals", IEEE Trans. ASLP 15(3), 2007, by length, level and spectrum between
// two gaps; band energies stand for their cepstrum and zero crossings. Numbers
// are our own.
const (
	breathBands = 8
	courseFrom  = 1 // first band of the course: where breath is strong, and rumble and esses are not
	courseTo    = 6

	breathHopS     = 0.01
	breathRun      = 2000 // hops: the longest stretch that is looked at in one piece
	breathHistory  = 1000 // hops of quiet that the floor is taken from
	breathShortest = 8    // hops; a breath's soft ends are not counted
	breathLongest  = 90

	breathSwellDB  = 3   // of the course, between gaps and breath
	breathGapDB    = 4   // over the floor: nobody speaks before, or
	breathFallDB   = 12  // after, where the room may ring still, this far under the breath
	breathEdgeDB   = 2   // over the floor, and
	breathReachDB  = 20  // under its loudest: where a breath begins and ends
	breathLoudest  = -27 // dB of the course against speech
	breathSoftest  = -60
	breathLowDB    = -5   // band under 800 Hz, against the course: a voice has more
	breathHighDB   = 5    // bands over 4.5 kHz, against the course: an ess has more
	breathBodyDB   = -12  // bands from 450 Hz to 2 kHz, which an f and an sh lack
	breathSingleDB = -1.5 // any band: a voiced or whispered sound has one that rules

	speechUnderLoudest = 0.01    // in power: a hop that lies 20 dB or less under the loudest is speech
	loudestFall        = 0.99885 // a hop: 0.5 dB a second
)

// breathEdgesHz bound the bands.
func breathEdgesHz() [breathBands + 1]float64 {
	return [...]float64{100, 450, 800, 1300, 2000, 3000, 4500, 7000, 10500}
}

// A BreathMeter finds the breaths of a mono narration in one pass. It keeps the
// bands of the quiet stretch at hand, of the last 10 s of quiet, and what may
// be a breath: a swell between two gaps, 80 to 900 ms long, with the spectrum
// of air drawn in.
type BreathMeter struct {
	hop      int // samples
	fft      *spectrum.FFT
	window   []float64
	product  []float64
	bins     []complex128
	edges    [breathBands + 1]int // bins
	samples  []float64            // that the next window begins with
	hops     int                  // before it
	loudest  float64              // power of a hop, falling slowly
	run      []breathFrame        // the quiet stretch at hand
	runFrom  int
	history  []breathFrame
	sorted   []float64
	smoothed []float64 // the run's course, dB
	found    []breath
}

// A breathFrame is the power in each band, and of the course.
type breathFrame struct {
	bands  [breathBands]float64
	course float64
}

// A breath is from a hop to another, at a level over the floor.
type breath struct {
	from, to int
	levelDB  float64 // of the course
}

// NewBreaths listens at a rate.
func NewBreaths(rateHz int) *BreathMeter {
	size := 512
	for float64(size) < 0.02*float64(rateHz) {
		size *= 2
	}
	fft, err := spectrum.NewFFT(size)
	if err != nil {
		panic(err) // it is a power of two
	}
	m := &BreathMeter{
		hop: max(1, int(math.Round(breathHopS*float64(rateHz)))), fft: fft, window: spectrum.Hann(size),
		product: make([]float64, size), bins: make([]complex128, size/2+1), samples: make([]float64, 0, size),
		run: make([]breathFrame, 0, breathRun), history: make([]breathFrame, 0, breathHistory+breathRun),
	}
	for i, hz := range breathEdgesHz() {
		m.edges[i] = min(size/2, int(math.Round(hz*float64(size)/float64(rateHz))))
	}
	return m
}

// Write takes the next samples, in blocks of any length.
func (m *BreathMeter) Write(x []float64) {
	size := m.fft.Size()
	for len(x) > 0 {
		n := min(size-len(m.samples), len(x))
		m.samples = append(m.samples, x[:n]...)
		x = x[n:]
		if len(m.samples) < size {
			return
		}
		m.add()
		m.samples = m.samples[:copy(m.samples, m.samples[m.hop:])]
		m.hops++
	}
}

// add takes a hop. Loud ones end the quiet stretch and need no spectrum.
func (m *BreathMeter) add() {
	power := squares(m.samples[:m.hop])
	m.loudest = max(power, float64(m.loudest*loudestFall))
	if power > speechUnderLoudest*m.loudest {
		m.endRun()
		return
	}
	if len(m.run) == 0 {
		m.runFrom = m.hops
	}
	m.run = append(m.run, m.frame())
	if len(m.run) == breathRun {
		m.endRun()
	}
}

func (m *BreathMeter) frame() (f breathFrame) {
	size := float64(m.fft.Size())
	scale := 2 / (size * 0.375 * size) // both halves of the spectrum; the squared window's mean is 3/8
	for i, v := range m.samples {
		m.product[i] = v * m.window[i]
	}
	m.fft.Forward(m.bins, m.product)
	for b := range breathBands {
		var sum float64
		for _, v := range m.bins[m.edges[b]:m.edges[b+1]] {
			sum += float64(real(v)*real(v)) + float64(imag(v)*imag(v))
		}
		f.bands[b] = float64(scale * sum)
		if b >= courseFrom && b < courseTo {
			f.course += f.bands[b]
		}
	}
	return f
}

// endRun looks for breaths in the quiet stretch that ends.
func (m *BreathMeter) endRun() {
	if len(m.run) >= breathShortest {
		m.history = append(m.history, m.run...)
		if over := len(m.history) - breathHistory; over > 0 {
			m.history = slices.Delete(m.history, 0, over)
		}
		floor := m.floor()
		m.smooth()
		swells(m.smoothed, func(low, high, end int) { m.judge(low, high, end, floor) })
	}
	m.run = m.run[:0]
}

// floor is the mean of the quiet frames that lie less than 2 dB over the
// quietest tenth.
func (m *BreathMeter) floor() (mean breathFrame) {
	m.sorted = m.sorted[:0]
	for _, f := range m.history {
		m.sorted = append(m.sorted, f.course)
	}
	slices.Sort(m.sorted)
	const twoDB = 1.585
	limit := twoDB * m.sorted[len(m.sorted)/10]
	n := 0.0
	for _, f := range m.history {
		if f.course > limit {
			continue
		}
		n++
		mean.course += f.course
		for b, v := range f.bands {
			mean.bands[b] += v
		}
	}
	mean.course /= n
	for b := range mean.bands {
		mean.bands[b] /= n
	}
	return mean
}

// smooth takes the course's mean power of three hops.
func (m *BreathMeter) smooth() {
	m.smoothed = m.smoothed[:0]
	for i := range m.run {
		var sum float64
		near := m.run[max(0, i-1):min(len(m.run), i+2)]
		for _, f := range near {
			sum += f.course
		}
		m.smoothed = append(m.smoothed, powerDB(sum/float64(len(near))))
	}
}

// swells calls found for every crest of a course with the valleys before and
// after it, from which it rises breathSwellDB and more.
func swells(course []float64, found func(low, high, end int)) {
	low, high := 0, -1          // of the rise at hand; no high: it still falls
	lastLow, lastHigh := -1, -1 // of the crest whose valley after is not known
	for i, c := range course {
		switch {
		case high < 0 && c < course[low]:
			low = i
		case high < 0 && c > course[low]+breathSwellDB:
			high = i
			if lastHigh >= 0 {
				found(lastLow, lastHigh, low)
			}
		case high >= 0 && c > course[high]:
			high = i
		case high >= 0 && c < course[high]-breathSwellDB:
			lastLow, lastHigh, low, high = low, high, i, -1
		}
	}
	if lastHigh >= 0 && high < 0 {
		found(lastLow, lastHigh, low)
	}
}

// judge keeps a swell that may be a breath.
func (m *BreathMeter) judge(low, high, end int, floor breathFrame) {
	c, floorDB := m.smoothed, powerDB(floor.course)
	if c[low] > floorDB+breathGapDB || c[end] > max(floorDB+breathGapDB, c[high]-breathFallDB) {
		return
	}
	limit := max(floorDB+breathEdgeDB, c[high]-breathReachDB)
	from, to := high, high+1
	for from > low && c[from-1] > limit {
		from--
	}
	for to < end && c[to] > limit {
		to++
	}
	if n := to - from; n < breathShortest || n > breathLongest {
		return
	}
	excess := func(b int) float64 { // power over the floor's
		var sum float64
		for _, f := range m.run[from:to] {
			sum += f.bands[b]
		}
		return max(0, sum/float64(to-from)-floor.bands[b])
	}
	var course, most float64
	for b := courseFrom; b < courseTo; b++ {
		course += excess(b)
		most = max(most, excess(b))
	}
	against := func(power float64) float64 { return powerDB(power) - powerDB(course) }
	if course <= 0 || against(excess(courseFrom)) > breathLowDB || against(excess(6)+excess(7)) > breathHighDB ||
		against(excess(1)+excess(2)+excess(3)) < breathBodyDB || against(most) > breathSingleDB {
		return
	}
	m.found = append(m.found, breath{m.runFrom + from, m.runFrom + to, powerDB(course)})
}

// Result is the breaths so far, in order, to 10 ms; speech is the level of the
// whole, ITU-T P.56. A breath lies 27 to 60 dB under it.
func (m *BreathMeter) Result(speech dsp.DBFS) []Window {
	m.endRun()
	late := (m.fft.Size() - m.hop) / 2 // a hop's window reaches to both sides of it
	var all []Window
	for _, b := range m.found {
		if over := b.levelDB - float64(speech); over <= breathLoudest && over >= breathSoftest {
			all = append(all, Window{dsp.Frames(b.from*m.hop + late), dsp.Frames(b.to*m.hop + late)})
		}
	}
	return all
}
