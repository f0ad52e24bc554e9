package plant

import (
	"math"

	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/narration"
)

// What is local to a click: 40 ms on either side. Its level is that of its
// first 2 ms.
const (
	clickReachMS = 40
	clickLevelMS = 2
)

// click is a mouth's damped resonance of 0.5 to 2 ms or a converter's spike, in
// a pause or while somebody speaks: plain RMS from 2 to 10 kHz so many dB over
// what is local.
func click(l *Layer, db float64) ([]Span, bool) {
	where := "sentence"
	if l.random.Intn(2) == 0 {
		where = "room-tone"
	}
	at, ok := l.somewhere(where, l.ms(clickLevelMS), l.ms(60), nil)
	if !ok {
		return nil, false
	}
	l.click(at.From, db)
	return []Span{at}, true
}

// click adds one at a frame.
func (l *Layer) click(at int, db float64) {
	x := []float64{sign(l.random)}
	if l.random.Intn(3) > 0 {
		hz, decay := l.random.Between(2000, 6000), l.random.Between(0.0005, 0.002)
		x = make([]float64, int(float64(3*decay*float64(l.rateHz))))
		for i := range x {
			s := float64(i) / float64(l.rateHz)
			x[i] = exact.Exp(-s/decay*2.3) * exact.Sin(float64(2*math.Pi)*hz*s)
		}
	}
	reach, rate := l.ms(clickReachMS), float64(l.rateHz)
	from, to := max(0, at-reach), min(len(l.voice), at+reach)
	around := make([]float64, to-max(0, from-l.ms(1000*settleS)))
	first := to - len(around)
	for i := range around {
		around[i] = l.voice[first+i] + l.noise[first+i]
	}
	local := rms(between(around, from-first, len(around), 2000, 10000, rate))
	alone := append(append([]float64(nil), x...), make([]float64, l.ms(clickLevelMS))...)
	own := rms(between(alone, 0, len(alone), 2000, 10000, rate)[:l.ms(clickLevelMS)])
	gain := local * exact.Amplitude(db) / own
	for i, v := range x {
		if at+i < len(l.added) {
			l.added[at+i] += float64(gain * v)
		}
	}
}

// plosive is breath that strikes the diaphragm at a /p/ or /b/, of voices
// without phones anywhere in a sentence: its plain RMS below 120 Hz so many dB
// over the 95th percentile of the reading's, over 30 ms, while somebody speaks.
func plosive(l *Layer, db float64) ([]Span, bool) {
	x := narration.Pop(l.random, float64(l.rateHz))
	var at Span
	ok := false
	if phones := l.lips(); len(phones) > 0 {
		for range 60 {
			p := phones[l.random.Intn(len(phones))]
			from := p.From + (p.To-p.From)*6/10 // where the lips part
			if at = (Span{from, from + len(x)}); l.free(at) {
				l.taken = append(l.taken, at)
				ok = true
				break
			}
		}
	} else {
		at, ok = l.somewhere("sentence", len(x), l.ms(50), nil)
	}
	if !ok {
		return nil, false
	}
	gain := l.popLevel * exact.Amplitude(db) / rms(below(x, 120, float64(l.rateHz)))
	for i, v := range x {
		l.added[at.From+i] += float64(gain * v)
	}
	return []Span{at}, true
}

// lips are the places of phones that they close for.
func (l *Layer) lips() []Span {
	var all []Span
	for _, m := range l.marks {
		if m.Kind == "phone" && (m.Text == "p" || m.Text == "b") {
			all = append(all, Span{int(m.From), int(m.To)})
		}
	}
	return all
}

// dropout is so many milliseconds of a word lost: nothing in their place, the
// last value held, or what came before once more.
func dropout(l *Layer, ms float64) ([]Span, bool) {
	n := l.ms(ms)
	var levels []float64
	for _, s := range l.of("sentence") {
		for at := s.From; at+n <= s.To; at += max(n, l.ms(50)) {
			levels = append(levels, rms(l.voice[at:at+n]))
		}
	}
	median := percentile(levels, 50)
	how := l.random.Intn(3)
	at, ok := l.somewhere("sentence", n, l.ms(50), func(s Span) bool {
		return rms(l.voice[s.From-n:s.From]) > median/2 && rms(l.voice[s.From:s.To]) > median/2
	})
	if !ok {
		return nil, false
	}
	l.late = append(l.late, func(x []float64) {
		held := x[at.From-1]
		for i := at.From; i < at.To; i++ {
			switch how {
			case 0:
				x[i] = 0
			case 1:
				x[i] = held
			default:
				x[i] = x[i-n]
			}
		}
	})
	return []Span{at}, true
}

// digitalSilence is so many seconds of a pause without any room.
func digitalSilence(l *Layer, seconds float64) ([]Span, bool) {
	at, ok := l.somewhere("room-tone", l.ms(1000*seconds), l.ms(20), nil)
	if !ok {
		return nil, false
	}
	l.late = append(l.late, func(x []float64) { clear(x[at.From:at.To]) })
	return []Span{at}, true
}

// clip is a raised word of 0.3 s that runs into the converter's end: the longest
// of its flat tops has so many samples.
func clip(l *Layer, samples float64) ([]Span, bool) {
	n := l.ms(300)
	at, ok := l.somewhere("sentence", n, l.ms(50), func(s Span) bool { return rms(l.voice[s.From:s.To]) > rms(l.voice)/2 })
	if !ok {
		return nil, false
	}
	raised := make([]float64, n)
	longest := func(db float64) (run int) {
		now, last := 0, 0.0
		for i := range raised {
			hann := 0.5 - float64(0.5*exact.Cos(float64(2*math.Pi)*float64(i)/float64(n)))
			v := (l.voice[at.From+i] + l.noise[at.From+i]) * exact.Amplitude(float64(db*hann))
			raised[i] = v
			if v >= 1 || v <= -1 {
				if v*last > 0 {
					now++
				} else {
					now = 1
				}
				last = v
			} else {
				now, last = 0, 0
			}
			run = max(run, now)
		}
		return run
	}
	low, high := 0.0, 60.0
	for range 30 {
		if mid := (low + high) / 2; longest(mid) >= int(samples) {
			high = mid
		} else {
			low = mid
		}
	}
	if longest(high) > int(samples)+4 {
		return nil, false // a top that grows by jumps
	}
	for i, v := range raised {
		l.added[at.From+i] += v - l.voice[at.From+i] - l.noise[at.From+i]
	}
	return []Span{at}, true
}
