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
	breathShortest = 9    // hops; a breath's soft ends are not counted
	breathLongest  = 90

	breathPause   = 40 // hops without anything louder: gaps within sentences are shorter
	breathBefore  = 10 // hops of these before the breath: words end softly
	breathGuard   = 3  // hops of these after it, where the next word may begin
	breathNear    = 50 // hops: sounds nearer than that may belong together
	breathTail    = 30 // hops in which words die away, or begin softly
	breathCompany = 10 // hops of other sound near a swell: more than a click

	breathSwellDB  = 3   // of the course, between gaps and breath
	breathGapDB    = 4   // over the floor: nobody speaks before and after, or
	breathFallDB   = 9   // this far under the breath, where a room rings or cars pass
	breathLouderDB = 2   // over its loudest: what bounds the pause
	breathOtherDB  = 6   // under its loudest: other sound
	breathSpreadDB = -8  // mean against the loudest hop: a click is one hop
	breathEdgeDB   = 2   // over the floor and the gaps, and
	breathReachDB  = 20  // under its loudest: where a breath begins and ends
	breathLoudest  = -27 // dB of the course against speech
	breathSoftest  = -60
	breathLowDB    = -2.5 // band under 800 Hz, against the course: a voice has more
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
// be a breath: a swell between two gaps, 90 to 900 ms long, alone in a pause of
// 0.4 s and more, with the spectrum of air drawn in.
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
	from, to, ok := m.bounds(low, high, end, powerDB(floor.course))
	if !ok {
		return
	}
	if course, ok := m.drawnIn(from, to, floor); ok {
		m.found = append(m.found, breath{m.runFrom + from, m.runFrom + to, powerDB(course)})
	}
}

// bounds are those of a swell that stands alone in a pause, with nothing of the
// words after it.
func (m *BreathMeter) bounds(low, high, end int, floorDB float64) (from, to int, ok bool) {
	c := m.smoothed
	if max(c[low], c[end]) > max(floorDB+breathGapDB, c[high]-breathFallDB) {
		return 0, 0, false
	}
	limit := func(valley int) float64 {
		return max(max(floorDB, c[valley])+breathEdgeDB, c[high]-breathReachDB)
	}
	from, to = high, high+1
	for from > low && c[from-1] > limit(low) {
		from--
	}
	for to < end && c[to] > limit(end) {
		to++
	}
	first, last := m.quiet(from, to, c[high]+breathLouderDB)
	to = min(to, last-breathGuard)
	ok = last-first >= breathPause && from-first >= breathBefore && to-from >= breathShortest && to-from <= breathLongest &&
		!m.whispered(from, to, max(floorDB+breathGapDB, c[high]-breathOtherDB))
	return from, to, ok
}

// drawnIn says whether a swell has the spectrum of air drawn in, and its power
// over the floor's, of the course.
func (m *BreathMeter) drawnIn(from, to int, floor breathFrame) (course float64, ok bool) {
	var sum breathFrame
	var loudest float64
	for _, f := range m.run[from:to] {
		loudest = max(loudest, f.course)
		sum.course += f.course
		for b, v := range f.bands {
			sum.bands[b] += v
		}
	}
	n := float64(to - from)
	if powerDB(sum.course/n)-powerDB(loudest) < breathSpreadDB {
		return 0, false
	}
	var excess [breathBands]float64
	for b, v := range sum.bands {
		excess[b] = max(0, v/n-floor.bands[b])
	}
	var most float64
	for _, v := range excess[courseFrom:courseTo] {
		course += v
		most = max(most, v)
	}
	against := func(power float64) float64 { return powerDB(power) - powerDB(course) }
	ok = course > 0 && against(excess[courseFrom]) <= breathLowDB && against(excess[6]+excess[7]) <= breathHighDB &&
		against(excess[1]+excess[2]+excess[3]) >= breathBodyDB && against(most) <= breathSingleDB
	return course, ok
}

// quiet is the stretch around a swell where the course stays under a level.
func (m *BreathMeter) quiet(from, to int, levelDB float64) (first, last int) {
	for from > 0 && m.smoothed[from-1] < levelDB {
		from--
	}
	for to < len(m.run) && m.smoothed[to] < levelDB {
		to++
	}
	return from, to
}

// whispered says that there is sound over a level near a swell, and not at the
// ends of the quiet stretch, where words are: the swell is part of a whisper, as
// that sound is.
func (m *BreathMeter) whispered(from, to int, levelDB float64) bool {
	company := func(from, to int) (n int) {
		for i := max(from, breathTail); i < min(to, len(m.run)-breathTail); i++ {
			if m.smoothed[i] > levelDB {
				n++
			}
		}
		return n
	}
	return max(company(from-breathNear, from), company(to, to+breathNear)) >= breathCompany
}

// Result is the breaths so far, in order, to 10 ms, each 30 ms and more before
// anything louder; speech is the level of the whole, ITU-T P.56. A breath lies
// 27 to 60 dB under it.
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
