package clinic

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/room"
)

// What a resonance is, by each kind of evidence. All were fixed on the voices and
// booths that are for tuning.
const (
	tonePeakDB  = 3.5 // over the octave's median, in room tone
	toneLeastS  = 5.0 // of it, in stretches of 1 s and more
	stretchS    = 1.0
	hissLeastDB = 6.0 // of the room's own noise over the preamp's

	humLeastQ = 20.0
	humNearHz = 1.0

	tailPeakDB = 3.0  // in what goes on after words
	tailAlone  = 8.0  // where the voice has too little to tell how long it goes on
	ringLeast  = 10.0 // as a Q: a voice in the open comes to 9 at most
	ringLonger = 1.5  // times as long as what the voice does by itself
	stayPeakDB = 1.5  // in what stays while the pitch moves
	stayLeast  = 1.0  // beside a peak of another kind
	stayAlone  = 2.0  // beside one in room tone alone
	stayNotDB  = -1.0 // under which a voice that passes there says there is nothing
	stayUnder  = 0.85 // of the pitch that it seldom goes under, the voice still passes
	samePeak   = 0.04 // of two kinds, as a share of the frequency
)

// boothHeard is what a read tells of its room.
type boothHeard struct {
	tone    room.Course // nil: too little, or hidden under hiss
	toneS   float64
	hidden  bool
	voice   *room.Voice
	still   room.Course
	tails   room.Course
	mainsHz float64 // 0: no hum
	curve   []CurvePoint
	sides   sides
}

// resonances are the still peaks of the booth, the strongest first, each with the
// side that makes it. Each rests on two kinds of evidence at least, of which the
// form's measures may be one: one alone may be the noise's, the voice's or chance.
// From the voice alone it is unsure.
func resonances(r *Read) (signs []Sign) {
	r.booth = boothOf(r)
	b := r.booth
	r.booth.voice = nil // its sound is not asked again
	for _, p := range b.candidates() {
		if s, ok := b.judge(p); ok {
			signs = append(signs, s)
		}
	}
	slices.SortStableFunc(signs, func(a, b Sign) int { return cmp.Compare(b.Value, a.Value) })
	if b.hidden {
		signs = append(signs, Sign{Name: "resonance", Remedy: Unknown, Confidence: Unsure,
			Says: "resonances can't be told from the room tone: the preamp's hiss lies over the noise of the booth"})
	}
	return signs
}

// boothOf hears a read for its room.
func boothOf(r *Read) boothHeard {
	b := boothHeard{curve: r.Form.Curve, sides: sidesOf(r.Form)}
	b.tone, b.toneS, b.hidden = roomCourse(r)
	if b.hidden || b.toneS < toneLeastS {
		b.tone = nil
	}
	if len(r.Marks.Mains) > 0 {
		b.mainsHz = r.Marks.Mains[0].Hz
	}
	b.voice = room.NewVoice(r.x, r.RateHz, spokenIn(r), r.Room.Tone)
	b.still, b.tails = b.voice.Still(), b.voice.Tails()
	return b
}

// candidates are peaks of any kind, each once.
func (b boothHeard) candidates() (all []room.Peak) {
	inTone := slices.DeleteFunc(b.tone.Peaks(tonePeakDB), b.hum)
	for _, peaks := range [][]room.Peak{inTone, b.tails.Peaks(tailPeakDB), b.still.Peaks(stayPeakDB)} {
		others := all
		for _, p := range peaks {
			if !slices.ContainsFunc(others, func(q room.Peak) bool { return math.Abs(q.Hz/p.Hz-1) < samePeak }) {
				all = append(all, p)
			}
		}
	}
	return all
}

// hum tells whether a peak is what is left of a line of the mains.
func (b boothHeard) hum(p room.Peak) bool {
	if b.mainsHz == 0 || p.Q < humLeastQ {
		return false
	}
	return math.Abs(p.Hz-math.Round(p.Hz/b.mainsHz)*b.mainsHz) < humNearHz
}

// judge holds a peak to each kind of evidence; false: there is too little.
func (b boothHeard) judge(p room.Peak) (Sign, bool) {
	own := curveOver(b.curve, p.Hz) // the microphone's
	inTone := !b.hum(p) && slices.ContainsFunc(b.tone.Peaks(tonePeakDB+max(0, own)), func(q room.Peak) bool { return q.Hz == p.Hz })
	still := b.still.Over(p.Hz, samePeak) - own
	tail := b.tails.Over(p.Hz, samePeak) - own
	ring, longer := b.voice.Ring(p.Hz)
	rings := tail >= tailPeakDB && ring >= ringLeast && longer >= ringLonger
	hangs := tail >= tailAlone && ring == 0
	low, high := b.voice.Pitches()
	stays := p.Hz >= stayUnder*low && still >= stayLeast && (rings || still >= stayAlone)          // under its pitch a voice has nothing to stay
	denied := p.Hz >= low && len(b.still) > 0 && still < stayNotDB && ring > 0 && ring < ringLeast // the peak is the noise's
	made := b.sides.at(p.Hz)

	s := Sign{Name: "resonance", Remedy: Processing, Sides: made.sides, Unit: "dB"}
	over, q := p.OverDB-own, p.Q
	kinds := 0
	where := "over what is around it"
	switch {
	case inTone:
		kinds++
		s.Evidence = append(s.Evidence, fmt.Sprintf("stands %.1f dB over the octave around it in %.0f s of room tone", over, b.toneS))
	case stays && rings:
		over, q = still, ring
	default:
		over, where = tail, where+" when words have ended"
	}
	if rings {
		kinds++
		s.Evidence = append(s.Evidence, fmt.Sprintf("goes on when words have ended, as a resonance of Q %.0f does", ring))
	}
	if hangs {
		kinds++
		s.Evidence = append(s.Evidence, fmt.Sprintf("stands %.1f dB over the octave around it when words have ended", tail))
	}
	if stays {
		kinds++
		under := ""
		if p.Hz < low {
			under = " and just under it"
		}
		s.Evidence = append(s.Evidence, fmt.Sprintf("stays, %.1f dB high%s, while the pitch moves from %.0f to %.0f Hz", still, under, low, high))
	}
	if kinds < 2 && !((inTone && !denied || rings || hangs) && len(made.sides) > 0) {
		return Sign{}, false
	}
	if len(made.sides) > 0 {
		s.Evidence = append(s.Evidence, made.says)
	}
	switch {
	case !inTone:
		s.Confidence = Unsure
	case kinds >= 2:
		s.Confidence = Sure
	default:
		s.Confidence = Likely
	}
	half := p.Hz / (2 * q)
	s.Value, s.Q, s.LowHz, s.HighHz = dsp.Round2(over), dsp.Round2(q), dsp.Round2(p.Hz-half), dsp.Round2(p.Hz+half)
	s.Says = fmt.Sprintf("the booth rings at %.0f Hz, %.1f dB %s", p.Hz, over, where)
	if len(made.sides) > 0 {
		s.Says += ": a standing wave along its " + strings.Join(made.sides, " or its ")
	}
	return s, true
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
	return curveAt(curve, hz) - share(around, 0.5)
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

// reflections are the early reflections, each with its path: a desk, a stand, a
// screen, a wall that is near.
func reflections(r *Read) (signs []Sign) {
	c := room.SpeedOfSound(r.Form.TemperatureC)
	for _, e := range room.Reflections(r.x, r.RateHz, spokenIn(r)) {
		path := e.DelayS * c
		signs = append(signs, Sign{Name: "reflection", Remedy: Booth, Confidence: Likely, Value: dsp.Round2(path), Unit: "m",
			LowHz: dsp.Round2(1 / (2 * e.DelayS)),
			Says: fmt.Sprintf("a reflection arrives %.1f ms after the voice, by a way %.2f m longer, and takes tones out from %.0f Hz up",
				1000*e.DelayS, path, 1/(2*e.DelayS)),
			Evidence: []string{fmt.Sprintf("the mean spectrum of all that is spoken ripples every %.0f Hz, as an echo of %.0f dB makes it", 1/e.DelayS, 20*math.Log10(e.Gain))}})
	}
	return signs
}

// spokenIn is where phrases are.
func spokenIn(r *Read) (all []meter.Window) {
	for _, p := range r.Room.Phrases {
		all = append(all, meter.Window{From: p.From, To: p.To})
	}
	return all
}
