package check

import (
	"fmt"

	"chapterhouse/pipeline"
)

// Limits of what is a reading again, chosen on the tuning voices. Costs are beside
// chance.
const (
	retakeWindowS = 30.0 // of speech
	retakeLeastS  = 1.3
	retakeCost    = 0.48
	retakeWorst   = 0.62     // up to shortS
	retakeLongest = 0.80     // from longS on, which is hardly alike by chance
	shortS, longS = 2.5, 5.0 // of the first reading
	retakeUneven  = 1.6      // worst against cost up to shortS: a parallel line differs in one place, a reading a little everywhere
	retakePauseS  = 0.2
	headingS      = 6.0  // of a part: what begins in it may be a heading
	retakeCopy    = 0.20 // cost of what was pasted: no pause is asked for
)

func repeatedTake() Check {
	return Check{
		Name: "repeated-take",
		Doc: "What is said up to a pause is said again after it, from its start to its end: a reading that should have been cut, " +
			"or a piece that was pasted twice. It is found by the sound alone (mel cepstra, aligned by subsequence warping over the last 30 s of speech), at " +
			"1.3 s and more, and by a cost well below what words of this recording cost each other by chance. Refrains and lists have other words between " +
			"them and are left alone; a line that is written twice in a row is not. Cut the first reading, or say which one stands.",
		Listen: func(p Part) Listener {
			return &retakeListener{newRereader(p, retakeWindowS, retakeLeastS, retakeWindowS)}
		},
	}
}

type retakeListener struct{ *rereader }

func (l *retakeListener) Heard() []Stretch { return rereadStretches(l.rereads(), reread.isRetake) }

func (a reread) isRetake() bool {
	long := min(max((a.seconds-shortS)/(longS-shortS), 0), 1)
	switch {
	case a.isFalseStart():
		return false
	case a.cost <= retakeCopy:
		return true
	case a.within, a.seconds < shortS && (a.beforeS < beginS || a.worst > retakeUneven*a.cost):
		return false // parallels
	}
	return a.cost <= retakeCost && a.worst <= retakeWorst+float64(long*(retakeLongest-retakeWorst)) && a.pauseS >= retakePauseS
}

// weight is a notice where a heading may have been read: texts like to begin with
// its words.
func (a reread) weight() pipeline.Verdict {
	if a.goesOn && a.sinceS < headingS {
		return pipeline.Ready
	}
	return pipeline.Listen
}

// rereadStretches are the rereads of a kind; of two that overlap the surer.
func rereadStretches(all []reread, is func(reread) bool) []Stretch {
	var kept []reread
	for _, a := range all {
		if !is(a) {
			continue
		}
		n := len(kept)
		switch {
		case n == 0 || a.from >= kept[n-1].to:
			kept = append(kept, a)
		case a.cost+a.worst < kept[n-1].cost+kept[n-1].worst:
			kept[n-1] = a
		}
	}
	var out []Stretch
	for _, a := range kept {
		out = append(out, Stretch{
			From: a.from, To: a.to, Weight: a.weight(),
			Measured: fmt.Sprintf("%.1f s read twice, %.1f s apart", a.seconds, a.pauseS),
			Limit:    "none",
			Do:       "cut the first reading, or say which one stands",
		})
	}
	return out
}
