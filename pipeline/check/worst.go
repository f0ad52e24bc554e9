package check

import (
	"cmp"
	"fmt"
	"slices"

	"chapterhouse/pipeline"
)

const (
	singlePlaces = 20 // more of one kind and weight are not listed one by one
	worstPlaces  = 5  // that are, even then
	// leastSpeechDBFS is what a voice counts as where nobody speaks.
	leastSpeechDBFS = -50.0
)

// A sized stretch tells how bad it is, to be compared with its like.
type sized struct {
	size float64
	Stretch
}

// worst are all places of a kind, in order, while they are few. Of many it
// keeps the worst, and one finding from the first to the last with their number.
// Those for an ear and notices are counted apart.
func worst(all []sized, what string) []Stretch {
	var out []Stretch
	for _, weight := range []pipeline.Verdict{pipeline.Listen, pipeline.Ready} {
		var some []sized
		for _, s := range all {
			if s.Weight == weight {
				some = append(some, s)
			}
		}
		if n := len(some); n > singlePlaces {
			one := some[0].Stretch
			one.To = some[n-1].To
			slices.SortStableFunc(some, func(a, b sized) int { return cmp.Compare(b.size, a.size) })
			some = some[:worstPlaces]
			one.Measured = fmt.Sprintf("%d %s, the worst: %s", n, what, some[0].Measured)
			out = append(out, one)
		}
		for _, s := range some {
			out = append(out, s.Stretch)
		}
	}
	slices.SortStableFunc(out, func(a, b Stretch) int { return cmp.Compare(a.From, b.From) })
	return out
}
