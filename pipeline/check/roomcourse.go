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
	restUnderSpeech = 14.0 // dB: what is nearer to speech is no room,
	restLongUnder   = 6.0  // but where it stays so for long
	restLong        = 3    // rests on end
	restOverDB      = 20.0 // over the lower quartile of all: a held sound of the voice
	roomOctaves     = 8    // 63 Hz to 8 kHz
	emptyRoomDB     = -110.0

	stepRests     = 4   // before and after a change
	stepPauses    = 2   // that they lie in
	pauseCells    = 10  // 0.5 s between two
	stepSideCells = 400 // 20 s
	stepNearDB    = 3.0 // that the rests next to a change may lie from their side's middle
	stepSpread    = 3.0 // standard deviations of a side that a change has to be
	stepApartS    = 30  // that two rests may lie apart with a sudden change between them

	stepOnWayCells = 50  // 2.5 s that rests may take which are on the way from one room to the other
	stepLateCells  = 160 // 8 s in which what seemed to be a rest of the louder room was the voice
	stepPlaceCells = 30  // 1.5 s: the longest place that is told
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
	loudest := int16(100 * max(emptyRoomDB, float64(c.p.Speech)-restLongUnder))
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
	out = withoutBrief(out, float64(c.p.Speech)-restUnderSpeech)
	var levels []float64
	for _, r := range out {
		levels = append(levels, r.weighted)
	}
	most := quartile(levels) + restOverDB
	return slices.DeleteFunc(out, func(r rest) bool { return r.weighted > most })
}

// withoutBrief leaves out what is louder than a level and does not stay so: a
// vowel may stand still for a moment.
func withoutBrief(rests []rest, loudest float64) (out []rest) {
	for i := 0; i < len(rests); {
		end := i + 1
		for end < len(rests) && rests[end].from == rests[end-1].to && math.Abs(rests[end].weighted-rests[i].weighted) <= restSpreadDB {
			end++
		}
		for _, r := range rests[i:end] {
			if r.weighted <= loudest || end-i >= restLong {
				out = append(out, r)
			}
		}
		i = end
	}
	return out
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
	octaves       [2][roomOctaves]float64
	toneDB        float64 // RMS difference of the octaves
	between       int     // rests on its way
	first         int     // rest behind it
	abrupt        bool    // within one pause, from one moment to the next: an edit
}

// steps are the sudden changes of level or tone that reach a limit each.
func (c *roomCourse) steps(levelDB, toneDB float64) (all []roomStep) {
	rests := c.rests()
	lastSize := 0.0
	for i := stepRests; i+stepRests <= len(rests); i++ {
		for h := i - 1; h+1 >= stepRests && rests[i-1].to-rests[h+1].from <= stepOnWayCells; h-- {
			s, size, ok := sudden(restsUpTo(rests, h), restsFrom(rests, i), levelDB, toneDB)
			s.from, s.to, s.first, s.between = rests[h].to, rests[i].from, i, i-h-1
			if apart := float64(s.to-s.from) / 20; !ok || apart > stepApartS {
				continue
			}
			s.abrupt = s.to-s.from <= 2
			c.narrow(&s)
			n := len(all)
			switch {
			case n == 0 || s.from >= all[n-1].to && h+1-all[n-1].first >= stepRests:
				all, lastSize = append(all, s), size
			case s.between < all[n-1].between || s.between == all[n-1].between && size > lastSize: // the same change, seen from another rest
				all[n-1], lastSize = s, size
			default:
				continue
			}
			break
		}
	}
	return all
}

// restsUpTo are the rests up to one: four, and all of 20 s.
func restsUpTo(rests []rest, last int) []rest {
	from := last + 1 - stepRests
	for from > 0 && rests[last].to-rests[from-1].from <= stepSideCells {
		from--
	}
	return rests[from : last+1]
}

// restsFrom are the rests from one on.
func restsFrom(rests []rest, first int) []rest {
	to := first + stepRests
	for to < len(rests) && rests[to].to-rests[first].from <= stepSideCells {
		to++
	}
	return rests[first:to]
}

// narrow brings the ends of a step that lies beneath words nearer to it. Nothing
// is softer than the room: where an octave is surely softer than the louder of
// the two rooms, that one is not yet there, or no more.
func (c *roomCourse) narrow(s *roomStep) {
	if s.abrupt {
		return
	}
	louder := s.after > s.before
	soft := func(at int) bool {
		for o := range roomOctaves {
			b, a := s.octaves[0][o], s.octaves[1][o]
			half := (a - b) / 2
			if !louder {
				half = -half
			}
			if half >= octaveSureDB(o) && float64(c.cells[at].octaves[o]) < 100*(max(a, b)-half) {
				return true
			}
		}
		return false
	}
	if louder {
		for at := min(len(c.cells), s.to+stepLateCells) - 1; at >= s.from; at-- {
			if soft(at) {
				s.from, s.to = at+1, max(s.to, at+1+stepPlaceCells)
				break
			}
		}
		s.to = min(s.to, s.from+stepPlaceCells)
		return
	}
	for at := max(0, s.from-stepLateCells); at < s.to; at++ {
		if soft(at) {
			s.to = at
			s.from = max(min(s.from, at), at-stepPlaceCells)
			break
		}
	}
	s.from = max(s.from, s.to-stepPlaceCells)
}

// octaveSureDB is four standard deviations of a cell's level in noise that stays
// as it is: of chi-square with the degrees of 50 ms in the octave.
func octaveSureDB(o int) float64 {
	independent := 0.05 * 63 / math.Sqrt2 * math.Exp2(float64(o))
	return 4 * 10 * math.Log10E / math.Sqrt(independent)
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
		b, a := quartile(each(before, of)), quartile(each(after, of)) // what rings on of words only adds
		s.octaves[0][o], s.octaves[1][o] = b, a
		if min(a, b) > emptyRoomDB {
			s.toneDB += float64((a - b) * (a - b))
			n++
		}
	}
	s.toneDB = math.Sqrt(s.toneDB / max(1, n))
	steady = steady && nearer(before[len(before)-1], s.octaves[0], s.octaves[1]) && nearer(after[0], s.octaves[1], s.octaves[0])
	change := math.Abs(s.after - s.before)
	ok = steady && min(pausesOf(before), pausesOf(after)) >= stepPauses && (change >= levelDB && change >= stepSpread*max(spreadB, spreadA) || s.toneDB >= toneDB)
	return s, max(change/levelDB, s.toneDB/toneDB), ok
}

// nearer tells whether a rest sounds more like one room than like another.
func nearer(r rest, one, other [roomOctaves]float64) bool {
	var off, offOther float64
	for o, v := range r.octaves {
		off += float64((v - one[o]) * (v - one[o]))
		offOther += float64((v - other[o]) * (v - other[o]))
	}
	return off < offOther
}

// each is one figure of a side's rests.
func each(side []rest, of func(rest) float64) (v []float64) {
	for _, r := range side {
		v = append(v, of(r))
	}
	return v
}

// pausesOf is how many there are of a side's rests.
func pausesOf(side []rest) int {
	n := 1
	for i := 1; i < len(side); i++ {
		if side[i].from-side[i-1].to > pauseCells {
			n++
		}
	}
	return n
}

// middleOf is the median of a side, and its standard deviation by the median
// deviation.
func middleOf(side []rest, of func(rest) float64) (middle, spread float64) {
	v := each(side, of)
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
