package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/pipeline"
)

const (
	channelBlockS   = 0.1
	channelLeastS   = 0.3  // that a disagreement lasts
	channelOffDB    = 4.5  // that one side may go from its usual level beside the other, where that stands still
	channelSpread   = 5.0  // standard deviations of that level that it may go, where it moves
	channelDeadDB   = 40.0 // apart: one side carries nothing
	channelAliveS   = 2.0  // of both sides that show what is usual; a side that is dead throughout is the fold's to say
	channelAlike    = 0.9  // correlation of two sides that carry one voice
	channelUnlike   = 0.3
	channelSpeechDB = 15.0 // under the speech level: what is softer is not judged
	channelRestS    = 3.0  // without speech, that end a disagreement
)

func channels() Check {
	return Check{
		Name: "channels",
		Doc: "Of a recording with two channels one side goes from its usual level beside the other by more than 4.5 dB (more where that moves by itself, as of two microphones) while somebody speaks, or they no longer carry " +
			"one voice, for 0.3 s or more: a cable, a channel that was muted, an edit on one side alone. What was folded to one channel has the fault too.",
		Listen: func(p Part) Listener { return newChannelListener(p) },
	}
}

type channelBlock struct{ offDB, alike float32 } // NaN: nobody speaks

type channelListener struct {
	p                     Part
	size, n               int
	loudest               float64 // power of a block of speech, at least
	left, right, together float64
	blocks                []channelBlock
	limit                 float64 // dB, once the part has ended
}

func newChannelListener(p Part) *channelListener {
	return &channelListener{p: p, size: int(channelBlockS * float64(p.RateHz)), loudest: kernel.FromPowerDB(max(-120, float64(p.Speech)) - channelSpeechDB)}
}

func (l *channelListener) Hear([]float64) {}

func (l *channelListener) HearSides(ch [][]float64) {
	if len(ch) != 2 {
		return
	}
	for i, a := range ch[0] {
		b := ch[1][i]
		l.left += float64(a * a)
		l.right += float64(b * b)
		l.together += float64(a * b)
		if l.n++; l.n == l.size {
			l.end()
		}
	}
}

func (l *channelListener) end() {
	const nothing = 1e-14
	b := channelBlock{float32(math.NaN()), float32(math.NaN())}
	if max(l.left, l.right) >= l.loudest*float64(l.size) {
		b.offDB = float32(10 * math.Log10((l.left+nothing)/(l.right+nothing)))
		b.alike = float32(l.together / math.Sqrt((l.left+nothing)*(l.right+nothing)))
	}
	l.blocks = append(l.blocks, b)
	l.left, l.right, l.together, l.n = 0, 0, 0, 0
}

func (l *channelListener) Heard() (out []Stretch) {
	var offs, alikes []float64
	for _, b := range l.blocks {
		off, alike := float64(b.offDB), math.Abs(float64(b.alike))
		if math.Abs(off) <= channelDeadDB && alike >= channelUnlike { // NaN is not
			offs, alikes = append(offs, off), append(alikes, alike)
		}
	}
	if float64(len(offs))*channelBlockS < channelAliveS {
		return nil
	}
	l.limit = max(channelOffDB, channelSpread*wander(offs))
	off, alike := median(offs), median(alikes)
	from, last, worst, quiet, first := -1, 0, 0.0, 0, true
	flush := func() {
		if from >= 0 && float64(last+1-from)*channelBlockS >= channelLeastS-1e-9 {
			if first && last+1 < len(l.blocks) { // it began so: what came after is the fault
				from, last, worst = last+1, len(l.blocks)-1, -worst
			}
			out = append(out, l.place(from, last+1, worst))
		}
		from, worst, quiet, first = -1, 0, 0, false
	}
	for i, b := range l.blocks {
		d := float64(b.offDB) - off
		switch {
		case math.IsNaN(d):
			if quiet++; float64(quiet)*channelBlockS > channelRestS {
				flush()
			}
		case math.Abs(d) > l.limit || alike >= channelAlike && math.Abs(float64(b.alike)) < channelUnlike:
			if from < 0 {
				from = i
			}
			if math.Abs(d) > math.Abs(worst) {
				worst = d
			}
			last, quiet = i, 0
		default:
			flush()
		}
	}
	flush()
	return fewPlaces(out, "places where the two channels disagree")
}

// place is a disagreement from block to block.
func (l *channelListener) place(from, to int, worst float64) Stretch {
	side := "left"
	if worst > 0 {
		side = "right"
	}
	s := Stretch{From: dsp.Frames(from * l.size), To: dsp.Frames(to * l.size), Weight: pipeline.Listen,
		Measured: fmt.Sprintf("the %s side is %.0f dB under its usual level", side, min(99, math.Abs(worst))), Limit: fmt.Sprintf("%.1f dB", l.limit),
		Value: dsp.Round2(min(99, math.Abs(worst))), LimitValue: dsp.Round2(l.limit), Unit: "dB",
		Do: "listen to each side; export the whole one alone, or ask for the place again"}
	if math.Abs(worst) <= l.limit {
		s.Measured, s.Value, s.LimitValue, s.Unit = "the two sides no longer carry one voice", 0, 0, ""
	}
	return s
}

// wander is the standard deviation of values from one to the next, by the median
// deviation: a step among them does not count.
func wander(v []float64) float64 {
	off := make([]float64, 0, len(v))
	for i := 1; i < len(v); i++ {
		off = append(off, math.Abs(v[i]-v[i-1]))
	}
	return madToSigma / math.Sqrt2 * median(off)
}
