package check

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
)

// How the room is followed beneath the words: moments that stay as they are for
// 0.15 s, well under speech, are the room's. A voice holds nothing so still, and a
// breath swells.
const (
	roomCellFrames  = 5 // spectra of 10 ms in a cell
	restCells       = 3
	restSpreadDB    = 3.0  // between the cells of a rest
	restUnderSpeech = 14.0 // dB: what is nearer to speech is no room
	restOverDB      = 20.0 // over the lower quartile of all: a held sound of the voice
	roomOctaves     = 8    // 63 Hz to 8 kHz
	emptyRoomDB     = -110.0

	stepRests     = 4   // before and after a change
	stepSideCells = 400 // 20 s
	stepNearDB    = 3.0 // that the rests next to a change may lie from their side's middle
	stepSpread    = 3.0 // standard deviations of a side that a change has to be
	stepApartS    = 30  // that two rests may lie apart with a sudden change between them
)

// A roomCell is the mean of 50 ms, dB under full scale.
type roomCell struct {
	weighted int16 // A-weighted, hundredths
	octaves  [roomOctaves]int16
}

// roomCourse keeps the course of a part's level and octaves, 18 bytes for each
// 50 ms.
type roomCourse struct {
	p       Part
	weights []float64 // of each bin, A
	octave  []int     // of each bin; -1: none
	sum     [1 + roomOctaves]float64
	n       int
	cells   []roomCell
}

func newRoomCourse(p Part) *roomCourse {
	n := SpectrumSize(p.RateHz)
	c := &roomCourse{p: p, weights: make([]float64, n/2+1), octave: make([]int, n/2+1)}
	sections := meter.AWeighting(float64(p.RateHz))
	for k := range c.weights {
		hz := float64(k) * float64(p.RateHz) / float64(n)
		c.octave[k] = -1
		if k == 0 || 2*k == n {
			continue
		}
		db, _ := kernel.Response(sections, hz, float64(p.RateHz))
		c.weights[k] = kernel.FromPowerDB(db)
		if o := int(math.Floor(math.Log2(hz/63) + 0.5)); o >= 0 && o < roomOctaves {
			c.octave[k] = o
		}
	}
	return c
}

// hearSpectrum takes the next spectrum.
func (c *roomCourse) hearSpectrum(power []float64) {
	var weighted float64
	for k, v := range power {
		weighted += float64(c.weights[k] * v)
		if o := c.octave[k]; o >= 0 {
			c.sum[1+o] += v
		}
	}
	c.sum[0] += weighted
	if c.n++; c.n == roomCellFrames {
		var cell roomCell
		level := func(sum float64) int16 {
			return int16(math.Round(100 * max(emptyRoomDB, decibels(sum/(3*roomCellFrames))))) // a sine of full scale comes to 1.5 under this window
		}
		cell.weighted = level(c.sum[0])
		for o := range cell.octaves {
			cell.octaves[o] = level(c.sum[1+o])
		}
		c.cells = append(c.cells, cell)
		c.n, c.sum = 0, [1 + roomOctaves]float64{}
	}
}

// A rest is a moment of the room.
type rest struct {
	from, to int // cells
	weighted float64
	octaves  [roomOctaves]float64
}

// rests are the moments of the room, in order, none in two.
func (c *roomCourse) rests() (out []rest) {
	loudest := int16(100 * max(emptyRoomDB, float64(c.p.Speech)-restUnderSpeech))
	for i := 0; i+restCells <= len(c.cells); {
		low, high := c.cells[i].weighted, c.cells[i].weighted
		for _, cell := range c.cells[i : i+restCells] {
			low, high = min(low, cell.weighted), max(high, cell.weighted)
		}
		if high > loudest || high-low > 100*restSpreadDB || low <= 100*emptyRoomDB {
			i++
			continue
		}
		r := rest{from: i, to: i + restCells}
		for _, cell := range c.cells[r.from:r.to] {
			r.weighted += float64(cell.weighted) / (100 * restCells)
			for o, v := range cell.octaves {
				r.octaves[o] += float64(v) / (100 * restCells)
			}
		}
		out = append(out, r)
		i = r.to
	}
	var levels []float64
	for _, r := range out {
		levels = append(levels, r.weighted)
	}
	most := quartile(levels) + restOverDB
	return slices.DeleteFunc(out, func(r rest) bool { return r.weighted > most })
}

// quartile is the lower one; it sorts what it is given.
func quartile(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/4]
}

// A roomStep is a sudden change of the room that stays.
type roomStep struct {
	from, to      int     // cells between which it lies
	before, after float64 // dB(A)
	toneDB        float64 // RMS difference of the octaves
	abrupt        bool    // within one pause, from one moment to the next: an edit
}

// steps are the sudden changes of level or tone that reach a limit each.
func (c *roomCourse) steps(levelDB, toneDB float64) (all []roomStep) {
	rests := c.rests()
	last, lastSize := -stepRests, 0.0
	for i := stepRests; i+stepRests <= len(rests); i++ {
		before, after := beside(rests, i)
		s, size, ok := sudden(before, after, levelDB, toneDB)
		s.from, s.to = rests[i-1].to, rests[i].from
		if apart := float64(s.to-s.from) / 20; !ok || apart > stepApartS {
			continue
		}
		s.abrupt = s.to-s.from <= 2
		if i-last < stepRests { // the same change, seen from the next rest
			if size > lastSize {
				all[len(all)-1], last, lastSize = s, i, size
			}
			continue
		}
		all, last, lastSize = append(all, s), i, size
	}
	return all
}

// beside are the rests before and after one: four, and all of 20 s.
func beside(rests []rest, i int) (before, after []rest) {
	from, to := i-stepRests, i+stepRests
	for from > 0 && rests[i-1].to-rests[from-1].from <= stepSideCells {
		from--
	}
	for to < len(rests) && rests[to].to-rests[i].from <= stepSideCells {
		to++
	}
	return rests[from:i], rests[i:to]
}

// sudden tells whether the room changes between two runs of rests, and how
// far beyond the limits.
func sudden(before, after []rest, levelDB, toneDB float64) (s roomStep, size float64, ok bool) {
	weighted := func(r rest) float64 { return r.weighted }
	var spreadB, spreadA float64
	s.before, spreadB = middleOf(before, weighted)
	s.after, spreadA = middleOf(after, weighted)
	steady := math.Abs(before[len(before)-1].weighted-s.before) <= stepNearDB && math.Abs(after[0].weighted-s.after) <= stepNearDB
	n := 0.0
	for o := range roomOctaves {
		of := func(r rest) float64 { return r.octaves[o] }
		b, _ := middleOf(before, of)
		a, _ := middleOf(after, of)
		if min(a, b) > emptyRoomDB {
			s.toneDB += float64((a - b) * (a - b))
			n++
		}
	}
	s.toneDB = math.Sqrt(s.toneDB / max(1, n))
	change := math.Abs(s.after - s.before)
	ok = steady && (change >= levelDB && change >= stepSpread*max(spreadB, spreadA) || s.toneDB >= toneDB)
	return s, max(change/levelDB, s.toneDB/toneDB), ok
}

// middleOf is the median of a side, and its standard deviation by the median
// deviation.
func middleOf(side []rest, of func(rest) float64) (middle, spread float64) {
	var v []float64
	for _, r := range side {
		v = append(v, of(r))
	}
	middle = median(v)
	for i := range v {
		v[i] = math.Abs(v[i] - middle)
	}
	return middle, madToSigma * median(v)
}

// place is the stretch of a step.
func (c *roomCourse) place(s roomStep) (from, to dsp.Frames) {
	cell := dsp.Frames(roomCellFrames * ((c.p.RateHz + 50) / 100))
	return dsp.Frames(s.from) * cell, dsp.Frames(max(s.to, s.from+1)) * cell
}
