package speech

import (
	"math"

	"chapterhouse/testdata/voices/exact"
)

// step is the number of samples between two settings of the tract.
const step = 32

// A resonator is Klatt's two-pole section with unit gain at 0 Hz (Klatt 1980);
// zero makes it the section's inverse, a pair of zeros.
type resonator struct {
	a, b, c float64
	y1, y2  float64
}

func (r *resonator) tune(hz, widthHz, rateHz float64) {
	e := exact.Exp(-math.Pi * widthHz / rateHz)
	r.c = -float64(e * e)
	r.b = float64(2 * e * exact.Cos(float64(2*math.Pi)*hz/rateHz))
	r.a = 1 - r.b - r.c
}

func (r *resonator) run(x []float64) {
	a, b, c, y1, y2 := r.a, r.b, r.c, r.y1, r.y2
	for i, v := range x {
		y := float64(b*y1) + (float64(a*v) + float64(c*y2))
		y2, y1 = y1, y
		x[i] = y
	}
	r.y1, r.y2 = y1, y2
}

// runZero applies the inverse of the section; the state holds past inputs.
func (r *resonator) runZero(x []float64) {
	g := 1 / r.a
	for i, v := range x {
		x[i] = float64(g * (v - float64(r.b*r.y1) - float64(r.c*r.y2)))
		r.y2, r.y1 = r.y1, v
	}
}

// A bandpass is a two-pole resonance with zeros at 0 Hz and half the rate and
// unit gain at its centre.
type bandpass struct {
	g, b, c        float64
	x1, x2, y1, y2 float64
}

func (p *bandpass) tune(hz, widthHz, rateHz float64) {
	w := float64(2*math.Pi) * min(hz, 0.45*rateHz) / rateHz
	alpha := float64(exact.Sin(w)*widthHz) / (2 * hz)
	p.g = alpha / (1 + alpha)
	p.b = float64(2*exact.Cos(w)) / (1 + alpha)
	p.c = -(1 - alpha) / (1 + alpha)
}

// add adds gain times the filtered noise to out.
func (p *bandpass) add(out, noise []float64, gain float64) {
	for i, v := range noise {
		y := float64(p.b*p.y1) + (float64(p.g*(v-p.x2)) + float64(p.c*p.y2))
		p.x2, p.x1 = p.x1, v
		p.y2, p.y1 = p.y1, y
		out[i] += float64(gain * y)
	}
}

// A glider follows its target as a critically damped second-order system.
type glider struct{ target, mid, now float64 }

func (g *glider) move(k float64) {
	g.mid += float64(k * (g.target - g.mid))
	g.now += float64(k * (g.mid - g.now))
}

func (g *glider) jump(to float64) { g.target, g.mid, g.now = to, to, to }

// higher are the formants that don't move, in a tract of 17.5 cm.
var higher = [][2]float64{{3500, 250}, {4500, 300}, {5600, 400}, {6700, 500}, {7800, 600}, {9000, 800}, {10300, 1000}, {12000, 1400}}

// tract is glottis, throat, nose and mouth of one voice.
type tract struct {
	voice  Voice
	style  Style
	rateHz float64
	pulses *pulses
	random *exact.Random

	formant [3]glider
	nasal   glider // 0 closed, 1 open: moves the nose's zero off its pole
	pitch   glider // semitones
	level   glider // linear
	voicing glider
	breath  glider
	hiss    glider

	spectrum  byte
	fricative [2]bandpass
	section   [3]resonator
	noseZero  resonator
	nosePole  resonator
	upper     []resonator

	phase, period float64 // of the pulse; samples in it
	shape         []float64
	open          float64
	strength      float64

	source, noise [step]float64
}

// What one unit of each source comes to at the lips beside a plain vowel, so
// that 0 dB of each is about as strong.
const (
	breathGain = 0.11
	hissGain   = 0.45
)

func newTract(v Voice, rateHz float64, p *pulses, random *exact.Random) *tract {
	t := &tract{voice: v, rateHz: rateHz, pulses: p, random: random}
	for i, f := range phones["ax"].formants {
		t.formant[i].jump(f)
	}
	for _, h := range higher {
		if hz := h[0] * v.Tract; hz < 0.42*rateHz {
			var r resonator
			r.tune(hz, h[1], rateHz)
			t.upper = append(t.upper, r)
		}
	}
	t.nosePole.tune(270, 100, rateHz)
	t.level.jump(1)
	t.beginPulse()
	return t
}

// aim sets the targets for a segment.
func (t *tract) aim(s segment) {
	for i, f := range s.formants {
		if f > 0 {
			t.formant[i].target = f
		}
	}
	t.nasal.target = 0
	if s.nasal {
		t.nasal.target = 1
	}
	t.pitch.target = s.pitchST
	t.level.target = exact.Amplitude(s.levelDB)
	t.voicing.target, t.breath.target, t.hiss.target = s.voicing, s.breath, s.hiss
	if s.phone != "" && s.breath > 0 {
		t.breath.target = float64(s.breath * exact.Amplitude(t.voice.BreathyDB))
	}
	if t.style == Whisper {
		// The folds don't close: noise stands where the voice was.
		t.breath.target = max(t.breath.target, float64(0.8*s.voicing))
		t.voicing.target = 0
	}
	if s.abrupt {
		t.hiss.jump(t.hiss.target)
	}
	if s.hiss > 0 && s.spectrum != t.spectrum {
		t.spectrum = s.spectrum
		for i, b := range frications[s.spectrum] {
			t.fricative[i].tune(t.fricationHz(b.hz), b.width, t.rateHz)
		}
	}
}

// fricationHz moves the esses to the voice's own place, and the rest with the
// tract.
func (t *tract) fricationHz(hz float64) float64 {
	if t.spectrum == 's' {
		return hz * t.voice.EssHz / 6200
	}
	return hz * t.voice.Tract
}

// beginPulse draws the next period.
func (t *tract) beginPulse() {
	st := t.pitch.now
	rd := t.voice.Rd
	if t.style == Shout {
		st += 6
		rd = 0.5
	}
	// Low in the range the folds close less sharply.
	rd *= 1 - float64(0.02*t.pitch.now)
	f0 := float64(t.voice.F0Hz * exact.Semitones(st))
	t.period = float64(t.rateHz/f0) * (1 + float64(t.voice.JitterPct/100*t.random.Normal()))
	t.strength = 1 + float64(t.voice.ShimmerPct/100*t.random.Normal())
	t.shape, t.open = t.pulses.at(rd, f0)
}

// run makes the next step samples.
func (t *tract) run(out []float64) {
	glide, quick, slow := t.coefficient(0.016), t.coefficient(0.005), t.coefficient(0.035)
	for i := range t.formant {
		t.formant[i].move(glide)
	}
	t.nasal.move(glide)
	t.pitch.move(slow)
	t.level.move(slow)
	before := [3]float64{t.voicing.now, t.breath.now, t.hiss.now}
	t.voicing.move(quick)
	t.breath.move(quick)
	t.hiss.move(quick)

	t.excite(before[0], before[1])
	x := t.source[:]
	t.noseZero.tune(270+float64(180*t.nasal.now), 100, t.rateHz)
	t.noseZero.runZero(x)
	t.nosePole.run(x)
	widths := [3]float64{55 + float64(0.25*t.voice.F0Hz), 100, 160}
	raise := 1.0
	switch t.style {
	case Shout:
		raise = 1.22
	case Whisper:
		raise = 1.15
		widths = [3]float64{180, 140, 200}
	}
	for i := range t.section {
		hz := t.formant[i].now * t.voice.Tract
		if i == 0 {
			hz *= raise
		}
		w := widths[i] * (1 + float64(0.6*t.nasal.now))
		t.section[i].tune(hz, w, t.rateHz)
		t.section[i].run(x)
	}
	for i := range t.upper {
		t.upper[i].run(x)
	}
	if max(before[2], t.hiss.now) > 1e-5 {
		t.rub(before[2], x)
	}
	level := t.level.now
	for i, v := range x {
		out[i] = float64(level * v)
	}
}

// excite fills source with the glottal pulse and the aspiration noise that it
// modulates.
func (t *tract) excite(voicing, breath float64) {
	dv := (t.voicing.now - voicing) / step
	db := (t.breath.now - breath) / step
	for i := range t.source {
		if t.phase >= 1 {
			t.phase -= 1
			t.beginPulse()
		}
		at := float64(t.phase * pulseLen)
		k := int(at)
		frac := at - float64(k)
		g := t.shape[k] + float64(frac*(t.shape[k+1]-t.shape[k]))
		flow := 0.35 // air through the closed part and the chink
		if t.phase < t.open {
			flow = 1
		}
		if voicing < 0.01 {
			flow = 0.8
		}
		voicing += dv
		breath += db
		t.source[i] = float64(float64(voicing*t.strength)*g) + float64(float64(breath*flow*breathGain)*t.random.White())
		t.phase += 1 / t.period
	}
}

// rub adds frication noise, which no throat shapes, to x.
func (t *tract) rub(from float64, x []float64) {
	d := (t.hiss.now - from) / step
	scale := float64(hissGain * exact.Amplitude(t.voice.EssDB))
	for i := range t.noise {
		from += d
		pulse := 1.0
		if t.voicing.now > 0.05 && t.phase > t.open {
			pulse = 0.6
		}
		t.noise[i] = float64(float64(from*pulse*scale) * t.random.White())
		x[i] += float64(0.03 * t.noise[i])
	}
	for i, b := range frications[t.spectrum] {
		t.fricative[i].add(x, t.noise[:], exact.Amplitude(b.db))
	}
}

// coefficient is a glider's for a time constant, at one move a step.
func (t *tract) coefficient(seconds float64) float64 {
	return 1 - exact.Exp(-step/(seconds*t.rateHz))
}
