// Package narration reads scripts in the voices of both families, in a booth,
// and labels what lies where: one recording, or its stems.
package narration

import (
	"encoding/json"
	"fmt"
	"os"

	"chapterhouse/testdata/voices/booth"
	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/speech"
)

// An engine says sentences, draws breath and clicks. Levels are against plain
// speech, whose mean while speaking is 1.
type engine interface {
	Speak(speech.Sentence) (speech.Take, error)
	mouth
}

// mouth is the part of an engine that does not speak.
type mouth interface {
	Breath(seconds, levelDB float64) speech.Take
	Click(levelDB float64) speech.Take
}

// A script hands out sentences until it has no more.
type script interface {
	Next() (speech.Sentence, bool)
}

type list struct{ sentences []speech.Sentence }

func (l *list) Next() (speech.Sentence, bool) {
	if len(l.sentences) == 0 {
		return speech.Sentence{}, false
	}
	s := l.sentences[0]
	l.sentences = l.sentences[1:]
	return s, true
}

// A Manner is how a narrator spaces a text.
type Manner struct {
	HeadS, TailS float64 // room tone before and after
	PauseS       float64 // median between sentences
	PauseMinS    float64
	BreathPct    float64 // share of pauses with a breath; 0: the voice's own; below 0: none
	ClicksMin    float64 // mouth clicks in a minute, as BreathPct
	Even         bool    // built-in prose without whispers and shouts
	StopAtS      float64 // no sentence begins after this; 0: the whole script
	Microphone   Microphone
}

// Labels are what lies where in a recording. Places are in frames.
type Labels struct {
	Voice  string        `json:"voice"`
	Engine string        `json:"engine"`
	Seed   uint64        `json:"seed"`
	RateHz int           `json:"rate_hz"`
	Frames int64         `json:"frames"`
	Marks  []speech.Mark `json:"marks"`
}

// Save writes the labels as JSON.
func (l Labels) Save(path string) error {
	text, err := json.MarshalIndent(l, "", " ")
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(text, '\n'), 0o644)
}

// A stem is a part of a recording that can be had by itself.
type stem uint8

const (
	voiceStem stem = 1 << iota // with the silence between sentences
	breathStem
	clickStem
	noiseStem
	popStem
	tickStem
	allStems = voiceStem | breathStem | clickStem | noiseStem | popStem | tickStem
)

// A deck records some stems and hears silence while others sound.
type deck struct {
	of          stem
	rec         *booth.Recorder
	pops, ticks *track
}

// narrator reads a script into decks and writes down where what is.
type narrator struct {
	engine engine
	manner Manner
	rateHz float64
	random *exact.Random
	decks  []deck
	at     int64
	marks  []speech.Mark

	poppings, ticking *exact.Random
	nextTick          int64
}

// read narrates the whole script; the recorder is flushed.
func (n *narrator) read(s script) error {
	if err := n.silence(n.manner.HeadS); err != nil {
		return err
	}
	first := true
	for {
		if n.manner.StopAtS > 0 && float64(n.at)/n.rateHz >= n.manner.StopAtS {
			break
		}
		sentence, ok := s.Next()
		if !ok {
			break
		}
		if sentence.PauseS > 0 {
			if err := n.silence(sentence.PauseS); err != nil {
				return err
			}
			first = true // the pause is as given: no other beside it
			continue
		}
		if !first {
			if err := n.pause(); err != nil {
				return err
			}
		}
		first = false
		take, err := n.engine.Speak(sentence)
		if err != nil {
			return fmt.Errorf("sentence %q: %w", sentence.Text, err)
		}
		if err := n.play(voiceStem, take); err != nil {
			return err
		}
	}
	if err := n.silence(n.manner.TailS); err != nil {
		return err
	}
	for _, d := range n.decks {
		if err := d.rec.Flush(n.at); err != nil {
			return err
		}
	}
	return nil
}

// pause lies between two sentences: room tone, often a breath before the next.
func (n *narrator) pause() error {
	seconds := max(n.manner.PauseMinS, min(n.random.LogNormal(n.manner.PauseS, 0.3), 2.5))
	if n.random.Between(0, 100) >= n.manner.BreathPct || seconds < 0.7 {
		return n.silence(seconds)
	}
	breath := n.random.Between(0.22, 0.42)
	if err := n.silence(seconds - breath - 0.06); err != nil {
		return err
	}
	if err := n.play(breathStem, n.engine.Breath(breath, n.random.Between(-45, -35))); err != nil {
		return err
	}
	return n.play(voiceStem, speech.Take{Samples: make([]float64, int(float64(0.06*n.rateHz)))})
}

// silence is time with nobody speaking, and now and then a mouth click.
func (n *narrator) silence(seconds float64) error {
	frames := int(float64(seconds * n.rateHz))
	// Clicks belong to speaking, so those of the whole minute fall into its
	// pauses, a fifth of the time.
	if n.random.Uniform() < n.manner.ClicksMin*seconds/60*5 && seconds > 0.3 {
		click := n.engine.Click(n.random.Between(-34, -22))
		before := int(float64(n.random.Between(0.3, 0.9) * float64(frames-len(click.Samples))))
		if err := n.tone(before); err != nil {
			return err
		}
		if err := n.play(clickStem, click); err != nil {
			return err
		}
		frames -= before + len(click.Samples)
	}
	return n.tone(frames)
}

// settle is how long after speech the booth still rings.
const settleS = 0.25

func (n *narrator) tone(frames int) error {
	from := n.at
	if len(n.marks) > 0 {
		from += int64(float64(settleS * n.rateHz))
	}
	if to := n.at + int64(frames); to-from >= int64(0.3*n.rateHz) {
		n.marks = append(n.marks, speech.Mark{Kind: "room-tone", From: from, To: to})
	}
	return n.play(voiceStem, speech.Take{Samples: make([]float64, frames)})
}

func (n *narrator) play(of stem, t speech.Take) error {
	for _, m := range t.Marks {
		m.From += n.at
		m.To += n.at
		n.marks = append(n.marks, m)
	}
	pops, ticks := n.pops(t), n.ticks(int64(len(t.Samples)))
	for _, e := range pops {
		n.marks = append(n.marks, e.mark("plosive"))
	}
	for _, e := range ticks {
		n.marks = append(n.marks, e.mark("tick"))
	}
	n.at += int64(len(t.Samples))
	for _, d := range n.decks {
		if d.of&popStem != 0 {
			d.pops.events = append(d.pops.events, pops...)
		}
		if d.of&tickStem != 0 {
			d.ticks.events = append(d.ticks.events, ticks...)
		}
		x := t.Samples
		if d.of&of == 0 {
			x = make([]float64, len(x))
		}
		if err := d.rec.Record(x); err != nil {
			return err
		}
	}
	return nil
}
