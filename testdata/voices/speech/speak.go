// Package speech is a narrator made of formulas: an LF glottal pulse with
// jitter, shimmer and aspiration, a cascade of formants and parallel frication
// after Klatt (1980), and a prosody of its own. What it says is known to the
// sample, so its recordings come with exact labels.
package speech

import (
	"math"

	"chapterhouse/testdata/voices/exact"
)

// A Mark names a stretch of samples [From, To).
type Mark struct {
	Kind string `json:"kind"` // sentence, word, phone, ess, whisper, shout, breath, click, plosive, tick
	Text string `json:"text,omitempty"`
	From int64  `json:"from"`
	To   int64  `json:"to"`
}

// A Take is a stretch of sound with what is in it.
type Take struct {
	Samples []float64
	Marks   []Mark
}

// A Speaker is the synthesizer at work with one voice. Plain speech has a
// mean level of 1 (0 dB) over the time that something is said; sentences lie
// about it by the voice's manner.
type Speaker struct {
	voice  Voice
	rateHz float64
	plan   planner
	tract  *tract
	noise  *exact.Random
	gains  map[Style]float64 // to unit level, from the calibration text
}

// New makes a speaker. The same voice, rate and seed give the same samples.
func New(v Voice, rateHz float64, seed uint64) *Speaker {
	return &Speaker{
		voice: v, rateHz: rateHz,
		plan:  planner{voice: v, rateHz: rateHz, speller: newSpeller(), random: exact.NewRandom(seed, "prosody")},
		tract: newTract(v, rateHz, newPulses(rateHz), exact.NewRandom(seed, "tract")),
		noise: exact.NewRandom(seed, "breath"),
		gains: map[Style]float64{},
	}
}

// Calibration is what every voice reads to have its level set: no commas, so
// that all of it is speech.
func Calibration() []Sentence {
	list, err := ParseScript(`The keeper of the lower lock had seven keys and used only one of them. Every boat paid in salt
or in news and the news was seldom worth the rope. She wrote it down in a green book all the same. In summer the children swam where the gates leaked
and in winter nobody came at all. Her brother wanted to know what the seventh key was for. It opened the first lock
on the upper river and that had been under water since before they were born.`)
	if err != nil {
		panic(err) // a constant text
	}
	return list
}

// gain brings a style of this voice to unit level, whatever the seed.
func (s *Speaker) gain(style Style) float64 {
	if g, ok := s.gains[style]; ok {
		return g
	}
	reader := New(s.voice, s.rateHz, 1)
	reader.tract.pulses = s.tract.pulses
	reader.gains[style] = 1
	sum, n := 0.0, 0
	for _, sentence := range Calibration() {
		sentence.Style, sentence.Even = style, true
		take := reader.say(sentence)
		for _, x := range take.Samples[:take.Marks[0].To] {
			sum += float64(x * x)
		}
		n += int(take.Marks[0].To)
	}
	g := 1 / math.Sqrt(sum/float64(n))
	s.gains[style] = g
	return g
}

// Speak says a sentence at its level. It never fails.
func (s *Speaker) Speak(sentence Sentence) (Take, error) { return s.say(sentence), nil }

func (s *Speaker) say(sentence Sentence) Take {
	segments := s.plan.plan(sentence)
	total := 0
	for _, g := range segments {
		total += g.samples
	}
	ring := int(0.05 * s.rateHz) // for the last sound to die
	take := Take{Samples: make([]float64, (total+ring+step-1)/step*step)}
	t := s.tract
	t.style = sentence.Style
	t.voicing.jump(0)
	t.breath.jump(0)
	t.hiss.jump(0)
	t.pitch.jump(segments[0].pitchST)
	t.level.jump(exact.Amplitude(segments[0].levelDB))

	next, end := 0, 0 // the segment to come, the end of the present one
	for at := 0; at < len(take.Samples); at += step {
		for next < len(segments) && at >= end {
			t.aim(segments[next])
			end += segments[next].samples
			next++
		}
		if at >= total {
			t.aim(segment{})
		}
		t.run(take.Samples[at : at+step])
	}
	s.mark(&take, sentence, segments)
	g := s.gain(sentence.Style) * exact.Amplitude(sentence.LevelDB)
	if !sentence.Even {
		g *= exact.Amplitude(s.voice.SentenceSDDB * clamp(s.plan.random.Normal(), -1.6, 1.6))
	}
	for i := range take.Samples {
		take.Samples[i] *= g
	}
	return take
}

// mark writes down what was said where.
func (s *Speaker) mark(take *Take, sentence Sentence, segments []segment) {
	add := func(kind, text string, from, to int) {
		take.Marks = append(take.Marks, Mark{Kind: kind, Text: text, From: int64(from), To: int64(to)})
	}
	total := 0
	for _, g := range segments {
		total += g.samples
	}
	add("sentence", sentence.Text, 0, total)
	if sentence.Style != Plain {
		add(string(sentence.Style), "", 0, total)
	}
	at := 0
	for i := 0; i < len(segments); {
		// A word, with the phones in it.
		word, from := segments[i].word, at
		var inner []Mark
		for i < len(segments) && segments[i].word == word {
			name, begin := segments[i].phone, at
			at += segments[i].samples
			for i++; i < len(segments) && segments[i].word == word && !segments[i].first; i++ {
				at += segments[i].samples
			}
			if word < 0 {
				continue
			}
			inner = append(inner, Mark{Kind: "phone", Text: name, From: int64(begin), To: int64(at)})
			if Ess(name) {
				inner = append(inner, Mark{Kind: "ess", Text: name, From: int64(begin), To: int64(at)})
			}
		}
		if word >= 0 {
			add("word", sentence.Words[word].Text, from, at)
			take.Marks = append(take.Marks, inner...)
		}
	}
}

// Breath draws breath for so long, at a level in dB against plain speech.
func (s *Speaker) Breath(seconds, levelDB float64) Take {
	n := int(float64(seconds * s.rateHz))
	out := make([]float64, n)
	var low, mid, high bandpass
	low.tune(900*s.voice.Tract, 900, s.rateHz)
	mid.tune(2100*s.voice.Tract, 1500, s.rateHz)
	high.tune(4200*s.voice.Tract, 3500, s.rateHz)
	noise := make([]float64, n)
	for i := range noise {
		// Swells for three fifths, then stops within one.
		at := float64(i) / float64(n)
		shape := min(at/0.6, 1, (1-at)/0.25)
		noise[i] = float64(shape*shape) * s.noise.White()
	}
	low.add(out, noise, 1)
	mid.add(out, noise, 0.9)
	high.add(out, noise, 0.5)
	take := Take{Samples: out, Marks: []Mark{{Kind: "breath", From: 0, To: int64(n)}}}
	scaleTo(out, levelDB)
	return take
}

// Click is a mouth click: a damped resonance of half a millisecond to two,
// 2 to 6 kHz, its peak at levelDB against plain speech.
func (s *Speaker) Click(levelDB float64) Take {
	r := s.noise
	hz, decay := r.Between(2000, 6000), r.Between(0.0005, 0.002)
	n := int(float64(3 * decay * s.rateHz))
	out := make([]float64, n)
	for i := range out {
		at := float64(i) / s.rateHz
		out[i] = float64(exact.Amplitude(levelDB)*exact.Exp(-at/decay*2.3)) * exact.Sin(float64(2*math.Pi)*hz*at)
	}
	return Take{Samples: out, Marks: []Mark{{Kind: "click", From: 0, To: int64(n)}}}
}

func scaleTo(x []float64, levelDB float64) {
	var sum float64
	for _, v := range x {
		sum += float64(v * v)
	}
	g := exact.Amplitude(levelDB) / math.Sqrt(sum/float64(len(x)))
	for i := range x {
		x[i] *= g
	}
}
