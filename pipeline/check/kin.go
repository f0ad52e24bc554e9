package check

import (
	"math"
	"slices"

	"chapterhouse/pipeline"
)

// Chapters are held against others of their narrator only where there are
// enough of them to know what is usual, each long enough to be steady.
const (
	familyLeast   = 5  // values beside the one that is judged
	familySpeechS = 60 // of speech that a part has to have
	// familySpread is how many standard deviations, estimated from the median
	// absolute deviation, a value may lie from the median of the others.
	familySpread = 4.0
	madToSigma   = 1.4826 // of a normal distribution
)

// usualOf is the middle of the others' values, and how far from it a value may
// lie: leastOff at least, more where they lie far apart themselves. ok is false
// where too few are known.
func usualOf(others []float64, leastOff float64) (middle, off float64, ok bool) {
	others = known(others)
	if len(others) < familyLeast {
		return 0, 0, false
	}
	return median(others), max(leastOff, familySpread*deviation(others)), true
}

// deviation is the standard deviation by the median absolute one; 0: of nothing.
func deviation(v []float64) float64 {
	v = known(v)
	if len(v) == 0 {
		return 0
	}
	middle := median(v)
	for i := range v {
		v[i] = math.Abs(v[i] - middle)
	}
	return madToSigma * median(v)
}

// known is a copy of the values that are numbers.
func known(v []float64) []float64 {
	return slices.DeleteFunc(slices.Clone(v), func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
}

// median sorts what it is given. It is NaN of nothing.
func median(v []float64) float64 {
	slices.Sort(v)
	switch n := len(v); {
	case n == 0:
		return math.NaN()
	case n%2 == 1:
		return v[n/2]
	default:
		return (v[n/2-1] + v[n/2]) / 2
	}
}

// kin are the parts that one is held against: of other chapters of the title,
// by the same narrator in the same session, long enough to be steady.
func kin(t Title, chapter int, p pipeline.PartOutcome) (out []pipeline.PartOutcome) {
	for i, ch := range t.Chapters {
		if i == chapter || ch.Role != pipeline.RoleChapter {
			continue
		}
		for _, q := range ch.Parts {
			if q.Voice.Narrator == p.Voice.Narrator && q.Voice.Setup == p.Voice.Setup && q.Session == p.Session && steady(q) {
				out = append(out, q)
			}
		}
	}
	return out
}

func steady(p pipeline.PartOutcome) bool { return p.Profile.SpeechS >= familySpeechS }
