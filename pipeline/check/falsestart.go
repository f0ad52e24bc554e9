package check

import "chapterhouse/pipeline"

// Limits of what is a false start, chosen on the tuning voices, espeak's among
// them. Seconds are of what was said twice, likeness is reread.apart.
const (
	startLeastS = 0.4
	startMostS  = 2.0  // what is longer is called a reading
	startShortS = 0.7  // what is shorter is alike in lists too
	startPauseS = 0.15 // between the two
	shortPauseS = 0.40 // for the shorter
	beginS      = 0.35 // a pause that something begins after: no comma's
	startApart  = 1.00
	startSoft   = 0.10 // more for a notice
	// Words within a phrase that the narrator went back to, and where no pause
	// tells that anything stopped.
	backPauseS = 0.30
	backApart  = 0.95
	slurApart  = 0.70
)

func falseStart() Check {
	return Check{
		Name: "false-start",
		Doc: "A phrase of 0.4 to 2 s stops, and the next begins with the same words and goes on where the first stopped: the narrator began, and began again. " +
			"It is found by the sound, as a repeated take is. Cut the first words; where the text has them twice, let them stand. In the first 6 s it is a notice, for many a text begins with the words of its heading; " +
			"so it is where somebody stopped within a phrase and went back some words.",
		Listen: func(p Part) Listener { return &rereadListener{p.rereader(), reread.falseStart} },
	}
}

func (a reread) falseStart() (pipeline.Verdict, bool) {
	weight, is := a.begunAgain()
	return weight, is && a.seconds < startMostS
}

// begunAgain tells whether what was said was begun anew, and what that is worth.
func (a reread) begunAgain() (pipeline.Verdict, bool) {
	pauseS := startPauseS
	if a.seconds < startShortS {
		pauseS = shortPauseS
	}
	switch {
	case !a.goesOn:
		return pipeline.Ready, false
	case !a.within && a.beforeS >= beginS && a.seconds >= startLeastS && a.pauseS >= pauseS && a.apart() <= startApart+startSoft:
		if a.apart() > startApart {
			return pipeline.Ready, true
		}
		return a.unlessHeading(), true
	case a.seconds < startShortS:
		return pipeline.Ready, false
	}
	most := slurApart
	if !a.within && a.pauseS >= backPauseS {
		most = backApart
	}
	return pipeline.Ready, a.apart() <= most
}
