package room

import (
	"math"
	"slices"

	"chapterhouse/dsp/kernel"
)

// Where resonances are looked for: below, no narrator's booth has one, and above
// they lie so near to each other that none stands alone.
const (
	LowestHz  = 45.0
	HighestHz = 420.0

	courseLowHz  = 30.0
	courseHighHz = 640.0
	perOctave    = 96
	courseQ      = 55.0
)

// courseSize is ⌊96·log2(640/30)⌋+1.
const courseSize = 424

// A Course is a level in dB over frequency, 96 points an octave from 30 to 640 Hz.
// Its zero is its maker's own: peaks are counted over its own median.
type Course []float64

// CourseHz is the frequency of a course's i-th point.
func CourseHz(i int) float64 { return courseLowHz * kernel.Pow(2, float64(i)/perOctave) }

// A Peak is a resonance as a course shows it.
type Peak struct {
	Hz     float64
	Q      float64 // Hz over the width 3 dB down
	OverDB float64 // over the median of the octave around it
}

// What a peak is, beside its height.
const (
	peakDip    = 0.6 // dB that the course falls on both sides before it rises higher
	narrowestQ = 60.0
	broadestQ  = 4.0
)

// Median is the median of the octave around each point, or of what there is of it.
func (c Course) Median() Course {
	out := make(Course, len(c))
	sorting := make([]float64, 0, perOctave+1)
	for i := range c {
		sorting = append(sorting[:0], c[max(0, i-perOctave/2):min(len(c), i+perOctave/2+1)]...)
		slices.Sort(sorting)
		out[i] = sorting[len(sorting)/2]
	}
	return out
}

// Peaks are those at least so many dB over the median, the lowest first.
func (c Course) Peaks(leastDB float64) (all []Peak) {
	if len(c) == 0 {
		return nil
	}
	median := c.Median()
	for i := 1; i < len(c)-1; i++ {
		if c[i] <= c[i-1] || c[i] < c[i+1] {
			continue
		}
		// The peak of a parabola through three points.
		off, top := 0.0, c[i]
		if bend := c[i-1] + c[i+1] - float64(2*c[i]); bend < 0 {
			off = 0.5 * (c[i+1] - c[i-1]) / -bend
			top -= float64(0.125*(c[i+1]-c[i-1])*(c[i+1]-c[i-1])) / bend
		}
		p := Peak{Hz: courseLowHz * kernel.Pow(2, (float64(i)+off)/perOctave), OverDB: top - median[i]}
		if p.OverDB < leastDB || p.Hz < LowestHz || p.Hz > HighestHz || c.dip(i, -1) < peakDip || c.dip(i, 1) < peakDip {
			continue
		}
		if p.Q = c.quality(i, top); p.Q >= broadestQ && p.Q <= narrowestQ {
			all = append(all, p)
		}
	}
	return all
}

// dip is how far the course falls from a point on one side before it rises over
// it again.
func (c Course) dip(i, step int) float64 {
	least := c[i]
	for j := i + step; j >= 0 && j < len(c) && c[j] <= c[i]; j += step {
		least = min(least, c[j])
	}
	return c[i] - least
}

// quality is centre over width 3 dB under the top. A side that a neighbour fills
// is taken as wide as the other.
func (c Course) quality(i int, top float64) float64 {
	side := func(step int) float64 {
		for j := i + step; j >= 0 && j < len(c) && c[j] <= c[i]; j += step {
			if under := top - 3; c[j] <= under {
				return math.Abs(float64(j-i)) - (under-c[j])/(c[j-step]-c[j])
			}
		}
		return math.Inf(1)
	}
	low, high := side(-1), side(1)
	if math.IsInf(low, 1) {
		low = high
	}
	if math.IsInf(high, 1) {
		high = low
	}
	if math.IsInf(low, 1) {
		return 0
	}
	// What the course's own triangle adds to the width.
	octaves := (low + high) / perOctave
	width := kernel.Pow(2, octaves/2) - kernel.Pow(2, -octaves/2)
	own := 1 / courseQ
	return 1 / math.Sqrt(max(float64(width*width)-float64(own*own), 1e-6))
}

// Mean is the mean level from one frequency to another, in dB.
func (c Course) Mean(lowHz, highHz float64) float64 {
	sum, n := 0.0, 0
	for i, v := range c {
		if hz := CourseHz(i); hz >= lowHz && hz < highHz {
			sum += v
			n++
		}
	}
	return sum / float64(n)
}

// Over is how far the course stands over its median at most within a share of a
// frequency, in dB; −Inf where it has no point.
func (c Course) Over(hz, within float64) float64 {
	best := math.Inf(-1)
	if len(c) == 0 {
		return best
	}
	median := c.Median()
	for i := range c {
		if math.Abs(CourseHz(i)/hz-1) <= within {
			best = max(best, c[i]-median[i])
		}
	}
	return best
}
