package room

import (
	"math"
	"slices"

	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
)

const (
	harmonicTopHz = 1000.0
	harmonicLowHz = 50.0 // of those that tell of a room
	harmonicEndHz = 560.0
	harmonics     = 16
	glideMost     = 0.05 // of the pitch in a hop; more is another sound
	vowelHolds    = 0.9  // of a harmonic's level, from hop to hop: what is not the room's
	stillRidge    = 0.05
	stillSmooth   = 100.0
	stillRounds   = 4
	stillDoubtDB  = 2.0 // beyond which a step counts less
	stillBand     = 12  // points that one equation spans, at most
)

// A Voice is a narration as a room answers it. Two things tell resonances from the
// voice: they stay at one frequency while the pitch moves through it (Still), and
// they go on when the voice has stopped (Tails, Ring). Formants move with vowels,
// and end at once.
//
// It keeps the sound below 1 kHz at about 2.8 kHz: 1.3 MB a minute.
type Voice struct {
	x      []float64
	rate   float64
	tone   []span // in samples of x
	frames []voiced
}

// A span is of samples at the low rate.
type span struct{ from, to int }

// voiced is a hop with a pitch.
type voiced struct {
	levels [harmonics]float64 // dB against their own mean
	pitch  float64
	n      int
	fresh  bool // what is before it does not belong to it
}

// NewVoice hears x, phrases of it and stretches in which nobody speaks, both in
// order. Rates from 8 kHz up work.
func NewVoice(x []float64, rateHz int, phrases, tone []meter.Window) *Voice {
	v := &Voice{}
	v.x, v.rate = lowered(x, rateHz)
	at := func(w meter.Window) span {
		share := v.rate / float64(rateHz)
		return span{int(float64(w.From) * share), min(len(v.x), int(float64(w.To)*share))}
	}
	for _, w := range tone {
		v.tone = append(v.tone, at(w))
	}
	for _, w := range phrases {
		v.follow(at(w))
	}
	return v
}

// follow hears a phrase.
func (v *Voice) follow(s span) {
	last := 0.0
	hop := pitchHopS * v.rate
	for i := 0; ; i++ {
		at := s.from + int(math.Round(float64(i)*hop))
		if at >= s.to {
			return
		}
		pitch := pitchAt(v.x, at, v.rate)
		if pitch == 0 {
			last = 0
			continue
		}
		f := voiced{pitch: pitch, fresh: last == 0 || math.Abs(pitch/last-1) > glideMost}
		last = pitch
		mean := 0.0
		for f.n < harmonics && float64(f.n+1)*pitch < harmonicTopHz {
			f.levels[f.n] = v.levelAt(at, float64(f.n+1)*pitch, max(0.0125, 1.5/pitch))
			mean += f.levels[f.n]
			f.n++
		}
		mean /= float64(f.n)
		for k := range f.n {
			f.levels[k] -= mean
		}
		v.frames = append(v.frames, f)
	}
}

// levelAt is the level at a frequency under a Hann window, which reaches halfS
// seconds to either side.
func (v *Voice) levelAt(at int, hz, halfS float64) float64 {
	half := int(halfS * v.rate)
	if at < half || at+half >= len(v.x) {
		return minLevel
	}
	var re, im, sum float64
	turn, open := newPhasor(2*math.Pi*hz/v.rate, half), newPhasor(math.Pi/float64(half+1), half)
	for _, s := range v.x[at-half : at+half+1] {
		w := 0.5 + float64(0.5*open.re)
		re += float64(w * s * turn.re)
		im += float64(w * s * turn.im)
		sum += w
		turn.next()
		open.next()
	}
	return max(minLevel, kernel.PowerDB((float64(re*re)+float64(im*im))/float64(sum*sum)))
}

const minLevel = -200.0 // dB

// A phasor turns by the same angle each step.
type phasor struct{ re, im, c, s float64 }

// newPhasor begins so many steps before angle 0.
func newPhasor(step float64, before int) phasor {
	at := float64(step * float64(before))
	return phasor{kernel.Cos(at), -kernel.Sin(at), kernel.Cos(step), kernel.Sin(step)}
}

func (p *phasor) next() {
	p.re, p.im = float64(p.re*p.c)-float64(p.im*p.s), float64(p.re*p.s)+float64(p.im*p.c)
}

// Pitches are the pitches that a twentieth and all but a twentieth of the voiced
// time lie under; 0: none was heard.
func (v *Voice) Pitches() (low, high float64) {
	all := make([]float64, 0, len(v.frames))
	for _, f := range v.frames {
		all = append(all, f.pitch)
	}
	if len(all) == 0 {
		return 0, 0
	}
	slices.Sort(all)
	return all[len(all)/20], all[len(all)-1-len(all)/20]
}

// Still is what stays at its frequency while the pitch moves: the course R of
//
//	L(k,t) = m(k) + R(k·f0(t)) + e(k,t)
//
// L being the level in dB of harmonic k against the mean of all up to 1 kHz, m its
// own mean over the reading, and e what vowels do, of which a share of 0.9 goes on
// from one 10 ms to the next. R is found by least squares over the differences
// that take that share out (D. Cochrane and G. H. Orcutt, JASA 44, 1949), those
// that jump weighed down by Cauchy's function (P. W. Holland and R. E. Welsch,
// Comm. Stat. A6, 1977), and kept smooth by its second difference. Steps in
// pitch are what tells: a formant does not move along with them. It is nil
// without voiced sound.
func (v *Voice) Still() Course {
	if len(v.frames) == 0 {
		return nil
	}
	var own [harmonics]float64 // m
	v.own(&own, nil)
	var r Course
	for range stillRounds {
		eq := newEquations(courseSize)
		for i := range v.frames {
			f := &v.frames[i]
			for k := range f.n {
				hz := float64(k+1) * f.pitch
				if hz < harmonicLowHz || hz > harmonicEndHz {
					continue
				}
				now := newKnot(hz)
				if f.fresh || k >= v.frames[i-1].n {
					eq.add(1-vowelHolds*vowelHolds, f.levels[k]-own[k], now, knot{})
					continue
				}
				p := &v.frames[i-1]
				was := float64(k+1) * p.pitch
				if was < harmonicLowHz || was > harmonicEndHz {
					continue
				}
				before := newKnot(was)
				before.low, before.high = -vowelHolds*before.low, -vowelHolds*before.high
				step := f.levels[k] - own[k] - float64(vowelHolds*(p.levels[k]-own[k]))
				e := (step - now.of(r) - before.of(r)) / stillDoubtDB
				eq.add(1/(1+float64(e*e)), step, now, before)
			}
		}
		r = eq.solve()
		v.own(&own, r)
	}
	return r
}

// own sets each harmonic's mean level less the course's part of it.
func (v *Voice) own(mean *[harmonics]float64, r Course) {
	var count [harmonics]float64
	clear(mean[:])
	for i := range v.frames {
		f := &v.frames[i]
		for k := range f.n {
			hz := float64(k+1) * f.pitch
			if hz < harmonicLowHz || hz > harmonicEndHz {
				continue
			}
			mean[k] += f.levels[k] - newKnot(hz).of(r)
			count[k]++
		}
	}
	for k := range mean {
		mean[k] /= max(1, count[k])
	}
}
