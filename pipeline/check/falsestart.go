package check

// Limits of what is a false start, chosen on the tuning voices. Costs are beside
// chance.
const (
	falseWindowS = 8.0 // of speech: the words are the last, the rest says what chance is
	falseLeastS  = 0.4
	falseMostS   = 2.0 // what is longer is a reading
	falseShortS  = 0.7 // what is shorter is alike in lists too
	falseCost    = 0.50
	falseWorst   = 0.70
	falsePauseS  = 0.15
	shortPauseS  = 0.40 // for the shorter
	beginS       = 0.35 // a pause that something begins after: no comma's
)

func falseStart() Check {
	return Check{
		Name: "false-start",
		Doc: "A phrase of 0.4 to 2 s stops, and the next begins with the same words and goes on where the first stopped: the narrator began, and began again. " +
			"It is found by the sound, as a repeated take is. Cut the first words; where the text has them twice, let them stand. In the first 6 s it is a notice: many a text begins with the words of its heading.",
		Listen: func(p Part) Listener {
			return &falseStartListener{newRereader(p, falseWindowS, falseLeastS, falseMostS)}
		},
	}
}

type falseStartListener struct{ *rereader }

func (l *falseStartListener) Heard() []Stretch {
	return rereadStretches(l.rereads(), reread.isFalseStart)
}

func (a reread) isFalseStart() bool {
	pauseS := falsePauseS
	if a.seconds < falseShortS {
		pauseS = shortPauseS
	}
	return !a.within && a.beforeS >= beginS && a.goesOn && a.seconds >= falseLeastS && a.seconds < falseMostS && a.cost <= falseCost && a.worst <= falseWorst && a.pauseS >= pauseS
}
