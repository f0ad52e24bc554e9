package clinic

import (
	"math"
	"slices"

	"chapterhouse/dsp/spectrum"
)

// What stands still while the voice moves is looked for in bands of a twelfth of
// an octave.
const (
	stillPer    = 12
	stillFromHz = 75.0
	stillToHz   = 900.0
	stillRounds = 20
	stillLeast  = 25  // harmonics that a band has to have
	stillSparse = 0.5 // of the middle count around: where the pitch seldom comes by, what came is chance
	stillPeakDB = 3.0 // from which on it is a peak
)

// A still is what a booth and a microphone do to a voice, as far as its own
// harmonics tell while its pitch wanders over it.
type still struct {
	bands []spectrum.Band
	db    []float64 // against the octave around; NaN where too few harmonics came by
	count []int
}

// stillOf parts the level of every harmonic into what is the frame's, what is its
// number's, and what is the place's in the spectrum, each a mean of what the
// others leave (backfitting; Friedman and Stuetzle 1981). A pitch that clusters
// counts for the frame, a voice's own slope for the number; the place keeps what
// doesn't move when the pitch does. A slope over the whole spectrum can be told
// from neither, so levels are against the octave around.
func stillOf(l lowered) still {
	s := still{bands: bandsAcross(stillFromHz, stillToHz, stillPer)}
	s.db, s.count = make([]float64, len(s.bands)), make([]int, len(s.bands))
	all := l.harmonics(s.bands[len(s.bands)-1].Upper)
	type seen struct {
		frame, number, band int
		db                  float64
	}
	var points []seen
	most := 0
	for _, h := range all {
		b := int(math.Floor(stillPer*math.Log2(h.hz/stillFromHz) + 0.5))
		if b < 0 || b >= len(s.bands) {
			continue
		}
		points = append(points, seen{h.frame, h.number, b, h.db})
		s.count[b]++
		most = max(most, h.number)
	}
	frame, number := make([]float64, len(l.frames)), make([]float64, most+1)
	// means puts into to the mean of what is left of the points by index.
	means := func(to []float64, index func(seen) int) {
		sum, n := make([]float64, len(to)), make([]float64, len(to))
		for _, p := range points {
			i := index(p)
			sum[i] += p.db - frame[p.frame] - number[p.number] - s.db[p.band] + to[i]
			n[i]++
		}
		for i := range to {
			if n[i] > 0 {
				to[i] = sum[i] / n[i]
			}
		}
	}
	for range stillRounds {
		means(frame, func(p seen) int { return p.frame })
		means(number, func(p seen) int { return p.number })
		means(s.db, func(p seen) int { return p.band })
	}
	for i := range s.db {
		around := slices.Sorted(slices.Values(s.count[max(0, i-stillPer/2):min(len(s.count), i+stillPer/2+1)]))
		if s.count[i] < stillLeast || float64(s.count[i]) < stillSparse*float64(around[len(around)/2]) {
			s.db[i] = math.NaN()
		}
	}
	s.db = overTrend(s.db, stillPer)
	return s
}

// overTrend is how far levels in bands of 1/n octave stand over the octave
// around, by its median; NaN stays.
func overTrend(db []float64, n int) []float64 {
	out := make([]float64, len(db))
	for i, v := range db {
		var around []float64
		for _, w := range db[max(0, i-n/2):min(len(db), i+n/2+1)] {
			if !math.IsNaN(w) {
				around = append(around, w)
			}
		}
		out[i] = math.NaN()
		if len(around) > n/2 {
			out[i] = v - share(around, 0.5)
		}
	}
	return out
}

// A peak is a place that stands out.
type peak struct {
	hz, db, q float64
}

// peaks are those of the still part, the highest first.
func (s still) peaks() (all []peak) {
	at := func(i int) float64 {
		if i < 0 || i >= len(s.db) || math.IsNaN(s.db[i]) {
			return math.Inf(-1)
		}
		return s.db[i]
	}
	for i := range s.db {
		if at(i) < stillPeakDB || at(i) < at(i-1) || at(i) <= at(i+1) {
			continue
		}
		from, to := i, i
		for at(from-1) > at(i)/2 {
			from--
		}
		for at(to+1) > at(i)/2 {
			to++
		}
		mid := math.Sqrt(s.bands[from].Lower * s.bands[to].Upper)
		all = append(all, peak{mid, at(i), mid / (s.bands[to].Upper - s.bands[from].Lower)})
	}
	slices.SortStableFunc(all, func(a, b peak) int {
		switch {
		case a.db > b.db:
			return -1
		case a.db < b.db:
			return 1
		}
		return 0
	})
	return all
}
