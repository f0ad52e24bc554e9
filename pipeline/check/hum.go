package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

const (
	humOverDB      = 4.0  // over the noise of the third of an octave around it
	humUnderSpeech = 65.0 // dB, A-weighted: what is softer is not heard once the chapter has its level
	humOrders      = 12
	humWindowS     = 0.24
	humGuardS      = 0.06 // from a phrase
	humBlockS      = 60.0 // and more, until there are enough windows
	humWindows     = 3    // of a block that can be judged
	humLowHz       = 2400.0
	humENBW        = 1.5    // bins, of a Hann window
	humThird       = 0.2316 // width of a third of an octave, of its middle
	medianOfNoise  = 0.6931 // median of a chi-square of two degrees, of its mean
)

func hum() Check {
	return Check{
		Name: "hum",
		Doc: "Mains hum or a harmonic of it stands more than 4 dB over the room's noise in the third of an octave around it, in the pauses, and all of it " +
			"together is less than 65 dB under the voice (A-weighted). The stage hum takes it out of the recording; " +
			"what makes it is in the room or the wire: a lamp, a power supply, a loop of earths, a cable beside a mains lead. Leave mains wiring to those who may work on it.",
		Listen: func(p Part) Listener { return newHumListener(p) },
	}
}

// humListener looks between phrases at the multiples of the frequency that the
// profile found, and half-way between them for the noise.
type humListener struct {
	p         Part
	low       *kernel.Cascade
	weighting []kernel.Biquad // A
	step      int
	buf       []float64
	at        dsp.Frames
	gaps      []pipeline.Span
	window    []float64
	x         []float64 // of the gap at hand, at the low rate
	found     []humWindow
}

type humWindow struct {
	at          dsp.Frames
	line, noise [humOrders]float64
}

func newHumListener(p Part) *humListener {
	l := &humListener{p: p}
	if len(p.Marks.Mains) == 0 {
		return l
	}
	l.step = max(1, int(float64(p.RateHz)/humLowHz))
	sections, err := filter.Lowpass(0.3*float64(p.RateHz)/float64(l.step), 48, float64(p.RateHz))
	if err != nil {
		panic(err) // settings of ours
	}
	l.low, l.weighting = kernel.NewCascade(sections), meter.AWeighting(float64(p.RateHz))
	l.window = spectrum.Hann(int(humWindowS * float64(p.RateHz) / float64(l.step)))
	guard := dsp.FramesIn(humGuardS, p.RateHz)
	from := dsp.Frames(0)
	for _, phrase := range p.Marks.Phrases {
		l.gaps = append(l.gaps, pipeline.Span{From: from, To: phrase.From - guard})
		from = phrase.To + guard
	}
	l.gaps = append(l.gaps, pipeline.Span{From: from, To: p.Frames})
	return l
}

func (l *humListener) Hear(x []float64) {
	if l.low == nil {
		return
	}
	l.buf = append(l.buf[:0], x...)
	l.low.Process(l.buf)
	for i := (l.step - int(l.at)%l.step) % l.step; i < len(l.buf); i += l.step {
		l.take(l.at+dsp.Frames(i), l.buf[i])
	}
	l.at += dsp.Frames(len(x))
}

// take adds a sample of the low rate to the window at hand.
func (l *humListener) take(at dsp.Frames, v float64) {
	for len(l.gaps) > 0 && at >= l.gaps[0].To {
		l.gaps, l.x = l.gaps[1:], l.x[:0]
	}
	if len(l.gaps) == 0 || at < l.gaps[0].From {
		return
	}
	if l.x = append(l.x, v); len(l.x) == len(l.window) {
		l.look(at)
		l.x = l.x[:0]
	}
}

// look measures one window.
func (l *humListener) look(end dsp.Frames) {
	w := humWindow{at: end}
	rate := float64(l.p.RateHz) / float64(l.step)
	f0 := mainsAt(l.p, end)
	for k := range w.line {
		hz := float64(k+1) * f0
		w.line[k] = l.power(hz, rate)
		w.noise[k] = (l.power(hz-f0/2, rate) + l.power(hz+f0/2, rate)) / 2
	}
	l.found = append(l.found, w)
}

// power is that of the windowed x at a frequency: a sine's own mean square.
func (l *humListener) power(hz, rate float64) float64 {
	turn := 2 * math.Pi * hz / rate
	c := 2 * kernel.Cos(turn)
	var s1, s2, sum float64
	for i, v := range l.x { // Goertzel 1958
		s1, s2 = float64(v*l.window[i])+float64(c*s1)-s2, s1
		sum += l.window[i]
	}
	return 2 * (float64(s1*s1) + float64(s2*s2) - float64(float64(c*s1)*s2)) / (sum * sum)
}

// mainsAt is the mains' frequency at a place.
func mainsAt(p Part, at dsp.Frames) float64 {
	m := p.Marks.Mains
	i := 0
	for i+1 < len(m) && (m[i+1].At+m[i].At)/2 < at {
		i++
	}
	return m[i].Hz
}

func (l *humListener) Heard() (out []Stretch) {
	block := dsp.FramesIn(humBlockS, l.p.RateHz)
	var now []humWindow
	var from dsp.Frames
	most := math.Inf(-1) // over the noise, of the stretch at hand
	flush := func(to dsp.Frames) {
		if s, over, ok := l.judge(now, from, to); ok {
			if n := len(out); n > 0 && out[n-1].To == s.From { // it goes on
				s.From = out[n-1].From
				if most > over {
					s.Measured, over = out[n-1].Measured, most
				}
				out = out[:n-1]
			}
			out, most = append(out, s), over
		}
		now, from = now[:0], to
	}
	for _, w := range l.found {
		if w.at >= from+block && len(now) >= humWindows {
			flush(w.at)
		}
		now = append(now, w)
	}
	if n := len(out); len(now) < humWindows && n > 0 && out[n-1].To == from {
		out[n-1].To = l.p.Frames // too little to tell: as before
	} else {
		flush(l.p.Frames)
	}
	return fewPlaces(out, "stretches with hum")
}

// judge is what a block's windows say together.
func (l *humListener) judge(w []humWindow, from, to dsp.Frames) (s Stretch, overDB float64, ok bool) {
	if len(w) < humWindows {
		return s, 0, false
	}
	overMost, hzMost, all := math.Inf(-1), 0.0, 0.0
	f0 := mainsAt(l.p, (from+to)/2)
	for k := range humOrders {
		line := median(column(w, func(w humWindow) float64 { return w.line[k] }))
		noise := median(column(w, func(w humWindow) float64 { return w.noise[k] })) / medianOfNoise
		line = max(0, line-noise)
		hz := float64(k+1) * f0
		around := noise / humENBW * humWindowS * humThird * hz // bins are 1/humWindowS wide
		if over := 10 * math.Log10(line/around); over > overMost {
			overMost, hzMost = over, hz
		}
		weighting, _ := kernel.Response(l.weighting, hz, float64(l.p.RateHz))
		all += line * kernel.FromPowerDB(weighting)
	}
	under := float64(l.p.Speech) - 10*math.Log10(all)
	if overMost < humOverDB || under > humUnderSpeech {
		return s, 0, false
	}
	return Stretch{From: from, To: to, Weight: pipeline.Listen,
		Measured: fmt.Sprintf("%.0f Hz is %.0f dB over the room's noise, the hum %.0f dB(A) under the voice", hzMost, overMost, under),
		Limit:    fmt.Sprintf("%g dB over and %g dB(A) under", humOverDB, humUnderSpeech), Value: dsp.Round2(overMost), LimitValue: humOverDB, Unit: "dB",
		Do: "listen to the pauses; put a hum stage into the chain, and look for what makes it before more is recorded"}, overMost, true
}

func column(w []humWindow, of func(humWindow) float64) (v []float64) {
	for _, one := range w {
		v = append(v, of(one))
	}
	return v
}
