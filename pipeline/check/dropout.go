package check

import (
	"fmt"
	"math"
	"math/bits"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

const (
	dropoutS     = 0.003
	dropoutHeard = 0.010 // from which on it is for an ear, however soft the sound
	repeatMostS  = 0.5   // a tone made by a machine repeats itself for longer
	repeatReachS = 0.1   // how long ago what is repeated may be
	besideS      = 0.005 // that a hole is held against, on either side
	step16       = 1.0 / 32768
	heldWithin   = 2.5 * step16 // dither stays within
	// How much the sound beside a hole must move from sample to sample, plain
	// RMS: what moves less stands still by rounding, or dies away into dither.
	exactMoves, nearMoves = 2 * step16, 8 * step16
	holeUnder             = 30.0 // dB under speech, from which level on a short hole is for an ear
	matchLeast            = 8    // samples that agree before a repetition is followed
)

func dropout() Check {
	return Check{
		Name: "dropout",
		Doc: "3 ms or more within the sound that are lost: one value that is held, or what came just before once more, to the bit. A converter or a computer " +
			"was too slow, and it is heard as a click or a stutter. From 50 ms on a held value stands under digital-silence. Record the words again.",
		Listen: func(p Part) Listener { return newDropoutListener(p) },
	}
}

// dropoutListener follows how long the sound has stood still, and how long it
// has been what it was some samples ago.
type dropoutListener struct {
	p    Part
	past []float64 // a ring of the last samples
	at   int

	held    float64 // what the sound stands still at
	run     int
	inexact int // samples of the run that are not at held

	lag, match int         // what is repeated, and for how long
	seen       [1 << 9]int // by a sample's bits: one after where it was last
	holes      []hole
	waiting    bool // the last of them: for what comes after it
	low, high  float64
}

// A hole is a stretch that was lost.
type hole struct {
	from, to int
	at       float64 // held there; NaN: repeated
	exact    bool
	moves    float64 // plain RMS of the steps of the sound, on the stiller side
	level    float64 // plain RMS of the sound, on the louder side
}

func newDropoutListener(p Part) *dropoutListener {
	most := digitalSilenceS + repeatReachS + 2*besideS
	return &dropoutListener{p: p, past: make([]float64, 1<<bits.Len(uint(float64(most*float64(p.RateHz)))))}
}

func (l *dropoutListener) frames(s float64) int { return int(dsp.FramesIn(s, l.p.RateHz)) }

// sample is the one at a place that is still held.
func (l *dropoutListener) sample(at int) float64 { return l.past[at&(len(l.past)-1)] }

func (l *dropoutListener) Hear(x []float64) {
	least, wait, mask := l.frames(dropoutS), l.frames(besideS), len(l.past)-1
	for _, v := range x {
		if math.Abs(v-l.held) > heldWithin {
			if l.run >= least {
				l.stood()
			}
			l.held, l.run, l.inexact = v, 0, 0
		} else if v != l.held {
			l.inexact++
		}
		l.run++
		if l.lag > 0 {
			if v == l.past[(l.at-l.lag)&mask] {
				l.match++
			} else {
				l.repeated(least)
			}
		} else if h := math.Float64bits(v) * 0x9e3779b97f4a7c15; h>>60 == 0 { // one value of sixteen, always the same ones
			s := &l.seen[h>>51&0x1ff]
			l.follow(v, l.at+1-*s)
			*s = l.at + 1
		}
		l.past[l.at&mask] = v
		l.low, l.high = min(l.low, v), max(l.high, v)
		l.at++
		if l.waiting && l.at == l.holes[len(l.holes)-1].to+wait {
			l.settle()
		}
	}
}

// stood takes note of a hole that ends before the present sample.
func (l *dropoutListener) stood() {
	if l.run >= l.frames(digitalSilenceS) && l.inexact == 0 || l.run > l.frames(digitalSilenceS+repeatReachS) || l.run == l.at {
		return // digital-silence has it, or it is a pause, or the sound had not begun
	}
	l.note(hole{from: l.at - l.run, to: l.at, at: l.held, exact: l.inexact == 0})
}

// follow begins to follow a repetition, if the last samples are those of so many
// samples ago.
func (l *dropoutListener) follow(v float64, lag int) {
	if lag < matchLeast || lag > l.frames(repeatReachS) || lag > l.at || v != l.sample(l.at-lag) {
		return
	}
	n := 1
	for most := min(l.frames(digitalSilenceS), l.at-lag); n <= most && l.sample(l.at-n) == l.sample(l.at-lag-n); {
		n++
	}
	if n >= matchLeast {
		l.lag, l.match = lag, n
	}
}

// repeated ends a repetition before the present sample.
func (l *dropoutListener) repeated(least int) {
	n, lag := l.match, l.lag
	l.lag, l.match = 0, 0
	if n < least || n > l.frames(repeatMostS) {
		return
	}
	// What stands still repeats itself too.
	m := min(n, lag)
	if l.moves(l.at-m, l.at) >= exactMoves {
		l.note(hole{from: l.at - n, to: l.at, at: math.NaN(), exact: true})
	}
}

func (l *dropoutListener) note(h hole) {
	if l.waiting {
		l.settle()
	}
	l.holes = append(l.holes, h)
	l.waiting = true
}

// settle judges the last hole by what lies beside it.
func (l *dropoutListener) settle() {
	l.waiting = false
	h := &l.holes[len(l.holes)-1]
	n := l.frames(besideS)
	from := max(0, h.from-n)
	if l.at-from > len(l.past) {
		from = l.at - len(l.past) // a long repetition: the sound itself
	}
	before, after := l.moves(from, min(h.from, from+n)), l.moves(h.to, l.at)
	h.level = max(l.rms(from, min(h.from, from+n)), l.rms(h.to, l.at))
	if h.moves = min(before, after); math.IsNaN(h.at) {
		h.moves = max(before, after)
	}
	if h.exact && h.moves < exactMoves || !h.exact && h.moves < nearMoves {
		l.holes = l.holes[:len(l.holes)-1]
	}
}

// moves is the plain RMS of the steps from sample to sample.
func (l *dropoutListener) moves(from, to int) float64 {
	sum := 0.0
	for i := from + 1; i < to; i++ {
		d := l.sample(i) - l.sample(i-1)
		sum += float64(d * d)
	}
	return math.Sqrt(sum / float64(max(1, to-from-1)))
}

func (l *dropoutListener) rms(from, to int) float64 {
	sum := 0.0
	for i := from; i < to; i++ {
		sum += float64(l.sample(i) * l.sample(i))
	}
	return math.Sqrt(sum / float64(max(1, to-from)))
}

func (l *dropoutListener) Heard() []Stretch {
	if l.waiting {
		l.settle()
	}
	var all []sized
	for _, h := range l.holes {
		if math.Abs(h.at) >= clipFloor && (h.at <= l.low*(1-clipSame) || h.at >= l.high*(1-clipSame)) {
			continue // cut flat
		}
		seconds := dsp.Frames(h.to - h.from).Seconds(l.p.RateHz)
		weight, do := pipeline.Ready, "listen when there is time: it is short, or in a soft place"
		if seconds >= dropoutHeard || 20*math.Log10(h.level) >= max(float64(l.p.Speech), leastSpeechDBFS)-holeUnder {
			weight, do = pipeline.Listen, "listen for a click or a stutter; if it is heard, have the words recorded again"
		}
		measured := fmt.Sprintf("%.0f ms in which the sound stands still", 1000*seconds)
		if math.IsNaN(h.at) {
			measured = fmt.Sprintf("%.0f ms that repeat what came before", 1000*seconds)
		}
		all = append(all, sized{seconds, Stretch{From: dsp.Frames(h.from), To: dsp.Frames(h.to), Weight: weight,
			Measured: measured, Limit: fmt.Sprintf("%.0f ms", 1000*dropoutS), Do: do,
			Value: dsp.Round2(1000 * seconds), LimitValue: 1000 * dropoutHeard, Unit: "ms"}})
	}
	return worst(all, "dropouts")
}
