package check

import (
	"fmt"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/restore"
	"chapterhouse/pipeline"
)

// Limits chosen on the tuning voices: in an hour of clean reading, shouts among
// it, nothing in a word stood over by more than 2 dB in voices of formulas, and
// by 13 in those of the espeak-ng program, which thump by themselves.
const (
	popNotedDB = 8.0  // over what would hide it
	popHeardDB = 15.0 // from which on it is for an ear
	// In a voice that does not thump by itself less will do: what stands so far over
	// that of which it has one in every popOftenS.
	popLeastDB = 4.0
	popOverDB  = 2.0
	popOftenS  = 30.0
	// How far under the level of speech its deepest part is still taken note of,
	// and is for an ear. All of a pop is some 10 dB more.
	popNotedUnder = 28.0
	popHeardUnder = 16.0
	popRestS      = 0.5 // after the start, until it is known what is usual
)

func plosives() Check {
	return Check{
		Name: "plosives",
		Doc: "Breath that strikes the microphone at a p or b, or a thump of table and stand: a burst under some 60 Hz that stands 8 dB over what the room and the voice around would hide, and 4 to 8 dB in a voice that has none of its own. " +
			"From 15 dB on, and if it is no weaker than 16 dB under the voice, it is for an ear. The plosives stage turns down most of them. " +
			"Many of them call for a microphone beside the mouth's axis, or a pop screen.",
		Listen: func(p Part) Listener { return newPlosiveListener(p) },
	}
}

// plosiveListener finds pops as the plosives stage does.
type plosiveListener struct {
	p      Part
	pops   *restore.Pops
	step   int
	block  []float64 // up to a quantum
	at     dsp.Frames
	now    pop // until it ends
	places []pop
	ended  bool
}

// A pop is a burst of breath; nothing while to is 0.
type pop struct {
	from, to      dsp.Frames
	over, levelDB float64 // at most
}

func newPlosiveListener(p Part) *plosiveListener {
	l := &plosiveListener{p: p, pops: restore.NewPops(float64(p.RateHz)), step: dsp.ControlStep(float64(p.RateHz)), block: make([]float64, 0, dsp.Quantum)}
	l.at = -dsp.Frames(l.pops.Latency())
	return l
}

func (l *plosiveListener) Hear(x []float64) {
	for len(x) > 0 {
		n := min(dsp.Quantum-len(l.block), len(x))
		l.block = append(l.block, x[:n]...)
		if x = x[n:]; len(l.block) == dsp.Quantum {
			l.quantum()
		}
	}
}

func (l *plosiveListener) quantum() {
	l.pops.Hear(l.block)
	l.block = l.block[:0]
	limits := l.pops.LimitsDB()
	for i, level := range l.pops.LevelsDB() {
		over := level - limits[i]
		switch at := l.at + dsp.Frames(i*l.step); {
		case over > 0 && l.now.to == 0:
			l.now = pop{from: at, to: at, over: over, levelDB: level}
		case over > 0:
			l.now.to, l.now.over, l.now.levelDB = at, max(l.now.over, over), max(l.now.levelDB, level)
		case l.now.to != 0:
			l.places = append(l.places, l.now)
			l.now = pop{}
		}
	}
	l.at += dsp.Quantum
}

func (l *plosiveListener) Heard() []Stretch {
	if !l.ended {
		l.ended = true
		for n := l.at + dsp.Frames(l.pops.Latency()+len(l.block)); l.at < n; {
			l.Hear(make([]float64, dsp.Quantum-len(l.block)))
		}
	}
	speech := max(float64(l.p.Speech), leastSpeechDBFS)
	noted := l.noted()
	var all []sized
	for _, b := range l.places {
		if b.over < noted || b.levelDB < speech-popNotedUnder || b.from.Seconds(l.p.RateHz) < popRestS {
			continue
		}
		weight, do := pipeline.Ready, "the plosives stage turns it down; add it to the chain if it is heard"
		if b.over >= popHeardDB && b.levelDB >= speech-popHeardUnder {
			weight, do = pipeline.Listen, "listen for a thud; the plosives stage turns most of them down, else the word has to be recorded again beside the microphone's axis"
		}
		all = append(all, sized{b.over, Stretch{
			From: b.from, To: b.to, Weight: weight,
			Measured: fmt.Sprintf("a burst of breath %.0f dB over what would hide it", b.over),
			Limit:    fmt.Sprintf("%.0f dB", popHeardDB),
			Do:       do, Value: dsp.Round2(b.over), LimitValue: popHeardDB, Unit: "dB",
		}})
	}
	return worst(all, "bursts of breath")
}

// noted is how far over what would hide it a burst is taken note of.
func (l *plosiveListener) noted() float64 {
	var over []float64
	for _, b := range l.places {
		over = append(over, b.over)
	}
	often := int(l.at.Seconds(l.p.RateHz) / popOftenS)
	if often >= len(over) {
		return popLeastDB
	}
	slices.Sort(over)
	return min(max(over[len(over)-1-often]+popOverDB, popLeastDB), popNotedDB)
}
