package check

import (
	"fmt"

	"chapterhouse/pipeline"
)

// Limits of what is a reading again, chosen on the tuning voices, espeak's among
// them. Seconds are of the first reading, likeness is reread.apart.
const (
	retakeLeastS  = 1.3
	retakeApart   = 0.84 // at retakeLeastS
	retakeLonger  = 0.30 // more for every second more, for long ones are hardly alike by chance
	retakeLongS   = 2.0  // up to here
	retakeSoft    = 0.05 // more for a notice
	retakeSlurred = 0.14 // less, where there is no pause of a retake's
	retakePauseS  = 0.2
	// Worst against cost up to parallelS: a parallel line differs in one place, a
	// reading a little everywhere.
	parallelS = 2.5
	uneven    = 1.6  // is a notice
	parallel  = 1.95 // is none
	copyCost  = 0.23 // no parallel is as near, whatever its worst
	headingS  = 6.0  // of a part: what begins in it may be a heading
)

func repeatedTake() Check {
	return Check{
		Name: "repeated-take",
		Doc: "What is said up to a pause is said again after it, from its start to its end: a reading that should have been cut, " +
			"or a piece that was pasted twice. It is found by the sound alone (mel cepstra, aligned by subsequence warping over the last 30 s of speech), at " +
			"1.3 s and more, and by a cost well below what words of this recording cost each other by chance. Refrains and lists have other words between " +
			"them and are left alone; a line that is written twice in a row is not, and one that differs in a word may be a notice. Cut the first reading, or say which one stands.",
		Listen: func(p Part) Listener { return &rereadListener{p.rereader(), reread.retake} },
	}
}

// retake tells whether a reading was read again, and what that is worth.
func (a reread) retake() (pipeline.Verdict, bool) {
	if weight, is := a.begunAgain(); is || a.seconds < retakeLeastS {
		return weight, is && a.seconds >= startMostS
	}
	most := retakeApart + float64(retakeLonger*(min(a.seconds, retakeLongS)-retakeLeastS))
	if a.within || a.pauseS < retakePauseS {
		most -= retakeSlurred
	}
	ratio := 0.0
	if a.seconds < parallelS && a.cost > copyCost {
		ratio = a.worst / a.cost
	}
	if ratio > uneven || a.apart() > most {
		return pipeline.Ready, ratio <= parallel && a.apart() <= most+retakeSoft
	}
	return a.unlessHeading(), true
}

// unlessHeading is a notice where a heading may have been read: texts like to begin
// with its words.
func (a reread) unlessHeading() pipeline.Verdict {
	if a.goesOn && a.sinceS < headingS {
		return pipeline.Ready
	}
	return pipeline.Listen
}

// A rereadListener tells the part's rereads of a kind.
type rereadListener struct {
	reader *rereader
	is     func(reread) (pipeline.Verdict, bool)
}

func (l *rereadListener) Hear([]float64) {}

// Heard are the rereads of the kind; of two that overlap the surer.
func (l *rereadListener) Heard() []Stretch {
	var kept []reread
	for _, a := range l.reader.rereads() {
		if _, is := l.is(a); !is {
			continue
		}
		n := len(kept)
		switch {
		case n == 0 || a.from >= kept[n-1].to:
			kept = append(kept, a)
		case a.apart() < kept[n-1].apart():
			kept[n-1] = a
		}
	}
	var out []Stretch
	for _, a := range kept {
		weight, _ := l.is(a)
		out = append(out, Stretch{
			From: a.from, To: a.to, Weight: weight,
			Measured: fmt.Sprintf("%.1f s read twice, %.1f s apart", a.seconds, a.pauseS),
			Limit:    "none",
			Do:       "cut the first reading, or say which one stands",
		})
	}
	return out
}
