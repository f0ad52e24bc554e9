package check

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

const (
	humOverDB      = 4.0  // over the noise of the third of an octave around it: an ear is asked
	humNoteDB      = 3.0  // it is noted
	humUnderSpeech = 65.0 // dB, A-weighted: what is softer is not heard once the chapter has its level
	humOrders      = 12
	humOffHz       = 0.25 // of the fundamental, from what mains have
	humCourseHz    = 0.06 // from its middle over a minute on either side
	humSlackHz     = 0.04 // of a line, and a hundredth of it for each order
	humOwnOrders   = 2    // orders that have a line: one may be anything's
	humShort       = 3    // windows; with fewer there has to be an order more
	humShare       = 0.5  // of a stretch's windows
	humApartS      = 45.0 // windows with lines belong together within this
	humBackS       = 60.0
	loudWindow     = 30.0 // power to the lower quartile of windows: no pause in it
	thirdLow       = 0.8909
	thirdHigh      = 1.1225
)

func hum() Check {
	return Check{
		Name: "hum",
		Doc: "Mains hum or a harmonic of it stands 3 dB or more over the room's noise in the third of an octave around it, in the pauses: two lines or more at " +
			"multiples of 50 or 60 Hz. It wants an ear from 4 dB on, where all of it together is less than 65 dB under the voice (A-weighted); else it is noted. The stage hum takes it out of the recording; " +
			"what makes it is in the room or the wire: a lamp, a power supply, a loop of earths, a cable beside a mains lead. Leave mains wiring to those who may work on it.",
		Listen: func(p Part) Listener { return &humListener{p: p, finder: newLineFinder(p.RateHz)} },
	}
}

// humListener looks for the mains among what sounds steadily beneath the words.
type humListener struct {
	p      Part
	finder *lineFinder
}

func (l *humListener) Hear(x []float64) { l.finder.hear(x) }

func (l *humListener) Heard() (out []Stretch) {
	l.finder.ended()
	windows := withPauses(l.finder.found)
	var best []humMoment
	most := 0
	for _, mains := range l.mains() {
		moments := momentsOf(windows, mains, l.p.RateHz)
		n := 0
		for _, m := range moments {
			n += len(m.lines)
		}
		if n > most {
			best, most = moments, n
		}
	}
	apart := dsp.FramesIn(humApartS, l.p.RateHz)
	first, last := -1, -1
	for i, m := range best {
		if len(m.lines) == 0 {
			continue
		}
		if first >= 0 && m.from-best[last].to > apart {
			out = l.judge(out, best[first:last+1])
			first = -1
		}
		if first < 0 {
			first = i
		}
		last = i
	}
	if first >= 0 {
		out = l.judge(out, best[first:last+1])
	}
	return fewPlaces(out, "stretches with hum")
}

// mains are the frequencies that mains may have: what the profile found counts
// where it is neither of the two that there are.
func (l *humListener) mains() []float64 {
	all := []float64{50, 60}
	for _, m := range l.p.Marks.Mains {
		if !slices.ContainsFunc(all, func(hz float64) bool { return math.Abs(hz-m.Hz) < humOffHz }) {
			all = append(all, m.Hz)
		}
	}
	return all
}

// withPauses leaves out the windows in which nobody pauses: what is steady in
// them may be a voice.
func withPauses(all []lineWindowFound) (out []lineWindowFound) {
	var soft []float64
	for _, w := range all {
		soft = append(soft, w.soft)
	}
	most := loudWindow * quartile(soft)
	for _, w := range all {
		if w.soft <= most {
			out = append(out, w)
		}
	}
	return out
}

// A humMoment is a window with those of its lines that are the mains', by order.
type humMoment struct {
	*lineWindowFound
	hz    float64 // of the fundamental; 0: nowhere near is a line that could be the mains'
	lines map[int]steadyLine
}

// momentsOf are windows with the lines of mains of about a frequency.
func momentsOf(windows []lineWindowFound, mains float64, rateHz int) []humMoment {
	all := make([]humMoment, len(windows))
	for i := range windows {
		m := humMoment{lineWindowFound: &windows[i]}
		most := 0
		for _, l := range m.lineWindowFound.lines {
			k := math.Round(l.hz / mains)
			if k < 1 || k > humOrders || math.Abs(l.hz/k-mains) > humOffHz {
				continue
			}
			as := humMoment{lineWindowFound: m.lineWindowFound, hz: l.hz / k}
			if n := len(as.family()); n > most {
				m.hz, most = as.hz, n
			}
		}
		all[i] = m
	}
	// A fundamental keeps to its course.
	course := make([]float64, len(all))
	for i, w := range windows {
		var near []float64
		back := dsp.FramesIn(humBackS, rateHz)
		for _, m := range all {
			if d := m.from - w.from; m.hz > 0 && d <= back && d >= -back {
				near = append(near, m.hz)
			}
		}
		if len(near) > 0 {
			course[i] = median(near)
		}
	}
	for i, hz := range course {
		if math.Abs(all[i].hz-hz) > humCourseHz {
			all[i].hz = hz
		}
		all[i].lines = all[i].family()
	}
	return all
}

// order is which multiple of the mains a line is.
func (m humMoment) order(l steadyLine) (k int, ok bool) {
	if m.hz == 0 {
		return 0, false
	}
	n := math.Round(l.hz / m.hz)
	return int(n), n >= 1 && n <= humOrders && math.Abs(l.hz-float64(n*m.hz)) <= humSlackHz+float64(humSlackHz/4*n)
}

// family are the lines that are multiples of the mains, by order.
func (m humMoment) family() map[int]steadyLine {
	out := map[int]steadyLine{}
	for _, l := range m.lineWindowFound.lines {
		if k, ok := m.order(l); ok && l.power > out[k].power {
			out[k] = l
		}
	}
	return out
}

// judge adds what a stretch's windows say together, if that is hum.
func (l *humListener) judge(out []Stretch, w []humMoment) []Stretch {
	with, orders := 0, map[int]int{}
	for _, m := range w {
		if len(m.lines) > 0 {
			with++
		}
		for k := range m.lines {
			orders[k]++
		}
	}
	least := humOwnOrders
	if len(w) < humShort {
		least++
	}
	if len(orders) < least || float64(with) < humShare*float64(len(w)) {
		return out
	}
	weighting := meter.AWeighting(float64(l.p.RateHz))
	overMost, hzMost, all := math.Inf(-1), 0.0, 0.0
	for k := 1; k <= humOrders; k++ {
		var lines, arounds []float64
		for _, m := range w {
			lines = append(lines, m.lines[k].power)
			arounds = append(arounds, m.around(float64(k)*m.hz))
		}
		line, around := median(lines), quartile(arounds) // words only add to the noise
		if line == 0 {
			continue
		}
		hz := float64(k) * w[0].hz
		if over := 10 * math.Log10(line/around); over > overMost {
			overMost, hzMost = over, hz
		}
		db, _ := kernel.Response(weighting, hz, float64(l.p.RateHz))
		all += float64(line * kernel.FromPowerDB(db))
	}
	if overMost < humNoteDB {
		return out
	}
	under := float64(l.p.Speech) - 10*math.Log10(all)
	s := Stretch{From: w[0].from, To: min(w[len(w)-1].to, l.p.Frames), Weight: pipeline.Listen,
		Measured: fmt.Sprintf("%.0f Hz is %.0f dB over the room's noise, the hum %.0f dB(A) under the voice", hzMost, overMost, under),
		Limit:    fmt.Sprintf("%g dB over and %g dB(A) under", humOverDB, humUnderSpeech), Value: dsp.Round2(overMost), LimitValue: humOverDB, Unit: "dB",
		Do: "listen to the pauses; put a hum stage into the chain, and look for what makes it before more is recorded"}
	if len(l.p.Marks.Mains) == 0 {
		s.Do, s.Act = "listen to the pauses; the stage hum takes what measuring finds by itself, and it did not find this: look for what makes it before more is recorded", pipeline.Treat
	}
	if under > humUnderSpeech || overMost < humOverDB {
		s.Weight = pipeline.Ready
	}
	return append(out, s)
}

// around is the mean square of what else is in the third of an octave around a
// frequency: the noise, and lines that are not the mains'.
func (m humMoment) around(hz float64) (sum float64) {
	low, high := hz*thirdLow, hz*thirdHigh
	for at := low; at < high; at++ {
		sum += float64(m.noiseAt(at+0.5) * min(1, high-at))
	}
	for _, l := range m.lineWindowFound.lines {
		if _, own := m.order(l); !own && l.hz > low && l.hz < high {
			sum += l.power
		}
	}
	return sum
}
