package clinic

import (
	"fmt"
	"math"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/dsp/room"
)

// What a resonance is.
const (
	tonePeakDB  = 5.0 // over the octave's median, in room tone
	toneLeastS  = 5.0 // of it, in stretches of 1 s and more
	stretchS    = 1.0
	samePeak    = 0.035 // of two kinds of evidence, as a share of the frequency
	hissLeastDB = 6.0   // of the room's own noise over the preamp's
)

// A resonance is a still peak and what it rests on.
type resonance struct {
	room.Peak
	tone     bool     // stands in room tone
	evidence []string // of different kinds
}

// resonances are the still peaks of the booth, each with the side that makes it.
// Each rests on two kinds of evidence at least: one alone may be the noise's, the
// voice's or chance. From the voice alone it is unsure.
func resonances(r *Read) (signs []Sign) {
	course, seconds, hidden := roomCourse(r)
	sides := sidesOf(r.Form)
	if seconds >= toneLeastS && !hidden {
		for _, p := range course.Peaks(tonePeakDB) {
			if p.OverDB -= curveOver(r.Form.Curve, p.Hz); p.OverDB < tonePeakDB {
				continue // the microphone's own
			}
			found := resonance{Peak: p, tone: true, evidence: []string{fmt.Sprintf("stands %.1f dB over the octave around it in %.0f s of room tone, as wide as Q %.0f", p.OverDB, seconds, p.Q)}}
			if m := sides.at(p.Hz); len(m.sides) > 0 {
				found.evidence = append(found.evidence, m.says)
			}
			if len(found.evidence) >= 2 {
				signs = append(signs, found.sign(sides))
			}
		}
	}
	if hidden {
		signs = append(signs, Sign{Name: "resonance", Remedy: Unknown, Confidence: Unsure,
			Says: "The preamp's hiss lies over the noise of the booth: room tone can't tell its resonances."})
	}
	return signs
}

// sign says it.
func (p resonance) sign(sides sides) Sign {
	half := p.Hz / (2 * p.Q)
	s := Sign{Name: "resonance", Remedy: Processing, Confidence: Likely, Value: dsp.Round2(p.OverDB), Unit: "dB",
		LowHz: dsp.Round2(p.Hz - half), HighHz: dsp.Round2(p.Hz + half), Q: dsp.Round2(p.Q), Evidence: p.evidence}
	s.Says = fmt.Sprintf("The booth rings at %.0f Hz, %.1f dB over what is around it", p.Hz, p.OverDB)
	if m := sides.at(p.Hz); len(m.sides) > 0 {
		s.Sides = m.sides
		s.Says += ": a standing wave along its " + strings.Join(m.sides, " or ")
	}
	s.Says += "."
	switch {
	case !p.tone:
		s.Confidence = Unsure
	case len(p.evidence) > 2:
		s.Confidence = Sure
	}
	return s
}

// roomCourse is the level of the room tone over frequency, and how many seconds
// of it there are in stretches that are long enough; hidden: the preamp's hiss
// lies over it.
func roomCourse(r *Read) (course room.Course, seconds float64, hidden bool) {
	t := room.NewTone(r.RateHz)
	for i := 0; i < len(r.Room.Tone); {
		from, to := r.Room.Tone[i].From, r.Room.Tone[i].To
		for i++; i < len(r.Room.Tone) && r.Room.Tone[i].From == to; i++ {
			to = r.Room.Tone[i].To
		}
		to = min(to, dsp.Frames(len(r.x)))
		if (to - from).Seconds(r.RateHz) >= stretchS {
			t.Write(r.x[from:to])
			t.Break()
		}
	}
	if course = t.Course(); course == nil {
		return nil, 0, false
	}
	return course, t.Seconds(), course.Median().Mean(80, 300)-t.HissDB() < hissLeastDB
}

// curveOver is how far a microphone's own curve stands over the octave around a
// frequency.
func curveOver(curve []CurvePoint, hz float64) float64 {
	if len(curve) == 0 {
		return 0
	}
	var around []float64
	for k := -12; k <= 12; k++ {
		around = append(around, curveAt(curve, hz*math.Exp2(float64(k)/24)))
	}
	return curveAt(curve, hz) - medianOf(around)
}

// curveAt is the gain at a frequency, straight over its logarithm between points.
func curveAt(curve []CurvePoint, hz float64) float64 {
	if hz <= curve[0].Hz {
		return float64(curve[0].DB)
	}
	for i := 1; i < len(curve); i++ {
		a, b := curve[i-1], curve[i]
		if hz <= b.Hz && b.Hz > a.Hz {
			share := math.Log2(hz/a.Hz) / math.Log2(b.Hz/a.Hz)
			return float64(a.DB) + share*float64(b.DB-a.DB)
		}
	}
	return float64(curve[len(curve)-1].DB)
}

// reflections are the early reflections, each with its path.
func reflections(*Read) []Sign { return nil }
