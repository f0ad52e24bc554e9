package speech

import (
	"strings"

	"chapterhouse/testdata/voices/exact"
)

// A segment is a stretch with one target for everything the synthesizer moves.
type segment struct {
	phone    string // "" in a pause
	first    bool   // the phone begins here
	word     int
	samples  int
	formants [3]float64 // Hz in a tract of 17.5 cm
	nasal    bool
	abrupt   bool // a burst: amplitudes jump instead of gliding
	pitchST  float64
	levelDB  float64 // of the word
	voicing  float64 // amplitudes, linear
	breath   float64
	hiss     float64
	spectrum byte // of the hiss
}

// planner turns sentences into segments.
type planner struct {
	voice   Voice
	rateHz  float64
	speller *speller
	random  *exact.Random
}

func (p *planner) plan(s Sentence) []segment {
	var out []segment
	pace := p.voice.Pace * (1 + s.PacePct/100)
	if s.Style == Shout {
		pace *= 0.92
	}
	half := 1.12 * p.voice.RangeST / 2
	phraseStart, phraseWords := 0, 0
	for i, w := range s.Words {
		if i == 0 || s.Words[i-1].Comma {
			phraseStart, phraseWords = i, 0
			for j := i; j < len(s.Words); j++ {
				phraseWords++
				if s.Words[j].Comma {
					break
				}
			}
		}
		last := i == len(s.Words)-1
		// Declination: through the sentence, with half a reset at each comma.
		through := float64(i) / float64(max(len(s.Words)-1, 1))
		inPhrase := float64(i-phraseStart) / float64(max(phraseWords-1, 1))
		base := float64(half*(0.31-float64(0.75*through)-float64(0.35*inPhrase))) + s.PitchST
		strong := !weak[strings.ToLower(w.Text)]
		accent := 0.0
		level := float64(0.8 * p.voice.WordSDDB * clamp(p.random.Normal(), -1.8, 0.9))
		if strong {
			accent = float64(half * (0.75 + float64(0.3*p.random.Normal())))
			level += float64(0.25 * p.voice.WordSDDB)
		} else {
			level -= float64(0.7 * p.voice.WordSDDB)
		}
		out = append(out, p.word(i, w, wordPlan{base: base, accent: accent, level: level, strong: strong, pace: pace,
			final: last || w.Comma, fall: last && !w.Question, rise: last && w.Question, half: half, ess: exact.Amplitude(s.EssDB)})...)
		if w.Comma && !last {
			out = append(out, segment{word: -1, samples: p.samples(1000 * clamp(p.random.LogNormal(0.35, 0.3), 0.15, 0.8)),
				formants: phones["ax"].formants, pitchST: base})
		}
	}
	return out
}

func clamp(x, lo, hi float64) float64 { return max(lo, min(x, hi)) }

type wordPlan struct {
	base, accent, level, pace, half float64
	ess                             float64 // factor on the frication of esses
	strong, final, fall, rise       bool
}

func (p *planner) word(index int, w Word, plan wordPlan) []segment {
	names := w.Phones
	if names == nil {
		names = p.speller.phones(strings.ReplaceAll(strings.ToLower(w.Text), "'", ""))
	}
	stressed := stressedVowel(names)
	lastVowel := -1
	for i, n := range names {
		if isVowel(n) {
			lastVowel = i
		}
	}
	var out []segment
	for i, name := range names {
		ph := phones[name]
		ms := ph.ms
		pitch := plan.base
		quiet := 0.0
		if ph.class == vowel {
			switch {
			case i == stressed && plan.strong:
				pitch += plan.accent
			case i == stressed:
				ms *= 0.8
			default:
				ms *= 0.68
				quiet = -2
			}
			if plan.final && i == lastVowel {
				ms *= 1.35
				if plan.fall {
					pitch -= float64(0.5 * plan.half)
				}
				if plan.rise {
					pitch += float64(1.1 * plan.half)
				}
			}
		}
		ms *= float64((1 + float64(0.08*p.random.Normal())) / plan.pace)
		next := ""
		if i+1 < len(names) {
			next = names[i+1]
		}
		for k, s := range p.sounds(name, next, max(ms, 25)) {
			s.word, s.phone, s.first, s.pitchST, s.levelDB = index, name, k == 0, pitch, plan.level+quiet
			if plan.ess != 1 && Ess(name) {
				s.hiss *= plan.ess
			}
			out = append(out, s)
		}
	}
	return out
}

// stressedVowel is the index of the vowel that carries the word: the first,
// or the second after a short prefix.
func stressedVowel(names []string) int {
	var vowels []int
	for i, n := range names {
		if isVowel(n) {
			vowels = append(vowels, i)
		}
	}
	switch {
	case len(vowels) == 0:
		return -1
	case len(vowels) > 1 && names[vowels[0]] == "ax":
		return vowels[1]
	}
	return vowels[0]
}

// sounds are the stretches that a phone is made of.
func (p *planner) sounds(name, next string, ms float64) []segment {
	ph := phones[name]
	n := p.samples
	base := segment{formants: ph.formants, nasal: ph.class == nasal, spectrum: ph.fricative,
		voicing: linear(ph.voicing), breath: linear(ph.breath), hiss: linear(ph.hiss)}
	switch ph.class {
	case vowel:
		first, second := base, base
		if ph.glide != f3(0, 0, 0) {
			second.formants = ph.glide
		}
		first.samples = n(0.45 * ms)
		second.samples = n(0.55 * ms)
		return []segment{first, second}
	case stop:
		voiced := ph.voicing > -60
		burstMS, aspirateMS := 8.0, 0.0
		if !voiced {
			burstMS = 12
			if next != "" && phones[next].class <= glide {
				aspirateMS = 30
			}
		}
		closed, burst := base, base
		closed.samples, closed.hiss = n(max(ms-burstMS, 20)), 0
		burst.samples, burst.abrupt = n(burstMS), true
		out := []segment{closed, burst}
		if aspirateMS > 0 {
			open := base
			open.samples, open.hiss, open.breath, open.voicing = n(aspirateMS), 0, linear(-14), 0
			open.formants = phones[next].formants
			out = append(out, open)
		}
		return out
	case affricate:
		closed, rub := base, base
		closed.samples, closed.hiss = n(0.4*ms), 0
		rub.samples, rub.abrupt = n(0.6*ms), true
		return []segment{closed, rub}
	}
	base.samples = n(ms)
	if name == "hh" && next != "" {
		base.formants = phones[next].formants
	}
	return []segment{base}
}

// samples is a time in whole steps of the tract, so that marks are exact.
func (p *planner) samples(ms float64) int {
	return max(1, int(float64(ms*p.rateHz/1000)/step)) * step
}

func linear(db float64) float64 {
	if db <= -60 {
		return 0
	}
	return exact.Amplitude(db)
}
