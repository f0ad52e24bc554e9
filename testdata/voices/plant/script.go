package plant

import (
	"fmt"

	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/narration"
)

// reading is what was read of a text.
type reading struct {
	rateHz          int
	sentences, esss []Span
}

// tellS lies between two faults of a script, so that a retake's thirty seconds
// hold one only.
const tellS = 24.0

// scriptS is how long a script is at least: habits show in some dozens of pauses.
const scriptS = 150.0

// Read reads a script with what is wanted in it. Faults that came out shorter
// than they were wanted are left in, and not counted.
func Read(r narration.Reading, wanted []Wanted, seed uint64) (Scene, error) {
	t := newText(seed, false)
	t.begin()
	for _, w := range wanted {
		t.tell(tellS)
		t.wanted = w
		w.Kind.read(t, w.Kind.Sizes[w.Level])
	}
	t.tell(max(tellS/2, scriptS-t.seconds))
	x, heard, natural, err := t.read(r)
	if err != nil {
		return Scene{}, err
	}
	s := Scene{RateHz: r.RateHz, Natural: natural}
	for i := range t.plants {
		p := &t.plants[i]
		places, ok := p.place(heard)
		if !ok {
			p.paste = -1
			continue
		}
		p.Places = places
	}
	for i := len(t.plants) - 1; i >= 0; i-- { // the last first, so that places before it stand
		if p := t.plants[i]; p.paste >= 0 {
			x = t.pasted(x, heard, i)
		}
	}
	for _, p := range t.plants {
		if len(p.Places) > 0 {
			s.Plants = append(s.Plants, p.Plant)
		}
	}
	convert(x)
	s.Mono = x
	return s, nil
}

// read reads the text and finds its sentences.
func (t *text) read(r narration.Reading) (x []float64, heard reading, natural []Plant, err error) {
	r.Text = t.out.String()
	labels, err := r.Record(func(block []float64) error {
		x = append(x, block...)
		return nil
	})
	if err != nil {
		return nil, heard, nil, err
	}
	heard.rateHz = r.RateHz
	for _, m := range labels.Marks {
		at := Span{int(m.From), int(m.To)}
		switch m.Kind {
		case "sentence":
			heard.sentences = append(heard.sentences, at)
		case "ess":
			heard.esss = append(heard.esss, at)
		case "click":
			natural = append(natural, Plant{Kind: "click", Places: []Span{at}})
		}
	}
	if len(heard.sentences) != t.sentences {
		return nil, heard, nil, fmt.Errorf("a script of %d sentences was read as %d", t.sentences, len(heard.sentences))
	}
	return x, heard, natural, nil
}

// pasted lays a copy of a sentence behind it, as an edit would that forgot to
// cut, and moves what is planted behind.
func (t *text) pasted(x []float64, heard reading, plant int) []float64 {
	p := &t.plants[plant]
	ms := heard.rateHz / 1000
	s := heard.sentences[p.paste]
	from, to := s.From-50*ms, s.To+100*ms
	at := s.To + 250*ms
	if p.paste+1 < len(heard.sentences) {
		at = min(at, (s.To+heard.sentences[p.paste+1].From)/2)
	}
	copied := append([]float64(nil), x[from:to]...)
	fade := 5 * ms
	for i := range fade {
		w := float64(i) / float64(fade)
		copied[i] += float64((1 - w) * (x[at+i] - copied[i]))
		k := len(copied) - fade + i
		copied[k] += float64(w * (x[at-fade+i] - copied[k]))
	}
	x = append(x[:at:at], append(copied, x[at:]...)...)
	for i := plant + 1; i < len(t.plants); i++ {
		for k := range t.plants[i].Places {
			t.plants[i].Places[k].From += len(copied)
			t.plants[i].Places[k].To += len(copied)
		}
	}
	p.Places = []Span{s, {at + s.From - from, at + s.To - from}}
	return x
}

// plan notes a fault that the text holds from here on.
func (t *text) plan(paste int, place func(reading) ([]Span, bool)) {
	t.plants = append(t.plants, pending{t.wanted.plant(nil), place, paste})
}

// takes are two sentences that follow each other, of which the first lasts so
// long at least.
func takes(first int, seconds float64) func(reading) ([]Span, bool) {
	return func(heard reading) ([]Span, bool) {
		a, b := heard.sentences[first], heard.sentences[first+1]
		return []Span{a, b}, float64(a.To-a.From) >= seconds*float64(heard.rateHz)
	}
}

// another is how a narrator reads the same words again: up to 8 % faster or
// slower, up to a semitone higher or lower, after another pause.
func another(r *exact.Random) string {
	return fmt.Sprintf("[pace %.2f] [pitch %.2f] ", r.Between(-8, 8), r.Between(-1, 1))
}

// repeatedTake is a line of so many seconds, and the same line again.
func repeatedTake(t *text, seconds float64) {
	line := t.words(seconds) + "."
	t.plan(-1, takes(t.sentences, seconds))
	t.say(line)
	t.pause(t.random.Between(0.5, 2.5))
	t.say(another(t.random) + line)
}

// pastedTake is a line of so many seconds whose very samples come twice.
func pastedTake(t *text, seconds float64) {
	n := t.sentences
	t.plan(n, func(heard reading) ([]Span, bool) {
		s := heard.sentences[n]
		return []Span{s}, float64(s.To-s.From) >= seconds*float64(heard.rateHz)
	})
	t.say(t.words(seconds) + ".")
}

// falseStart is the first seconds of a line, and the line from its start.
func falseStart(t *text, seconds float64) {
	for {
		line := t.words(seconds * 2.2)
		words := 0
		for letters := 0; words < len(line); words++ {
			if letters++; line[words] == ' ' && float64(letters) >= seconds*lettersS*fastest {
				break
			}
		}
		if words == len(line) {
			continue
		}
		t.plan(-1, takes(t.sentences, seconds))
		t.say(line[:words] + ".")
		t.pause(t.random.Between(0.3, 1.2))
		t.say(another(t.random) + line + ".")
		return
	}
}

// longPause is so many seconds over the median pause between two sentences.
func longPause(t *text, seconds float64) {
	n := t.sentences
	t.plan(-1, func(heard reading) ([]Span, bool) {
		return []Span{{heard.sentences[n].To, heard.sentences[n+1].From}}, true
	})
	t.say(t.words(1) + ".")
	t.pause(PauseS + seconds)
	t.say(t.words(1) + ".")
}

// PauseS is the median pause between sentences of readings for the board.
const PauseS = 0.9

// sharpEsses is a line whose esses have so many dB more of frication.
func sharpEsses(t *text, db float64) {
	n := t.sentences
	t.plan(-1, func(heard reading) (places []Span, ok bool) {
		line := heard.sentences[n]
		for _, s := range heard.esss {
			if s.From >= line.From && s.To <= line.To {
				places = append(places, s)
			}
		}
		return places, len(places) >= 3
	})
	t.say(fmt.Sprintf("[ess %g] ", db) + []string{
		"Six silver saddles lay beside the stove.", "She swept the dusty stairs, and said nothing.", "His sister sold the last of the soft salt.",
		"The mist sank across the south side of the square.", "Stones, sails and stale bread, so said the surveyor's son.",
	}[t.random.Intn(5)])
}

// Clean reads narration that nothing is wrong with.
func Clean(r narration.Reading, seconds float64) (Scene, error) {
	r.Text = CleanText(r.Seed, seconds)
	s := Scene{RateHz: r.RateHz}
	labels, err := r.Record(func(block []float64) error {
		s.Mono = append(s.Mono, block...)
		return nil
	})
	if err != nil {
		return s, err
	}
	for _, m := range labels.Marks {
		if m.Kind == "click" {
			s.Natural = append(s.Natural, Plant{Kind: "click", Places: []Span{{int(m.From), int(m.To)}}})
		}
	}
	if !r.Wide() {
		s.Natural = append(s.Natural, Plant{Kind: "narrow-band", Places: []Span{{0, len(s.Mono)}}})
	}
	for _, cut := range convert(s.Mono) {
		s.Natural = append(s.Natural, Plant{Kind: "clip", Places: []Span{cut}})
	}
	return s, nil
}
