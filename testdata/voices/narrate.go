package main

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

// A manner is how a narrator spaces a text.
type manner struct {
	headS, tailS float64 // room tone before and after
	pauseS       float64 // median between sentences
	pauseMinS    float64
	breathPct    float64 // 0: the voice's own; below 0: none
	clicksMin    float64 // as breathPct
	even         bool    // built-in prose without whispers and shouts
	stopAtS      float64 // no sentence begins after this; 0: the whole script
}

// labels is what the label file holds. Places are in frames.
type labels struct {
	Voice  string        `json:"voice"`
	Engine string        `json:"engine"`
	Seed   uint64        `json:"seed"`
	RateHz int           `json:"rate_hz"`
	Frames int64         `json:"frames"`
	Marks  []speech.Mark `json:"marks"`
}

func (l labels) save(path string) error {
	text, err := json.MarshalIndent(l, "", " ")
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(text, '\n'), 0o644)
}

// narrator reads a script into a recorder and writes down where what is.
type narrator struct {
	engine engine
	manner manner
	rateHz float64
	random *exact.Random
	rec    *booth.Recorder
	at     int64
	marks  []speech.Mark
}

// read narrates the whole script; the recorder is flushed.
func (n *narrator) read(s script) error {
	if err := n.silence(n.manner.headS); err != nil {
		return err
	}
	first := true
	for {
		if n.manner.stopAtS > 0 && float64(n.at)/n.rateHz >= n.manner.stopAtS {
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
		if err := n.play(take); err != nil {
			return err
		}
	}
	if err := n.silence(n.manner.tailS); err != nil {
		return err
	}
	return n.rec.Flush(n.at)
}

// pause lies between two sentences: room tone, often a breath before the next.
func (n *narrator) pause() error {
	seconds := max(n.manner.pauseMinS, min(n.random.LogNormal(n.manner.pauseS, 0.3), 2.5))
	if n.random.Between(0, 100) >= n.manner.breathPct || seconds < 0.7 {
		return n.silence(seconds)
	}
	breath := n.random.Between(0.22, 0.42)
	if err := n.silence(seconds - breath - 0.06); err != nil {
		return err
	}
	if err := n.play(n.engine.Breath(breath, n.random.Between(-45, -35))); err != nil {
		return err
	}
	return n.play(speech.Take{Samples: make([]float64, int(float64(0.06*n.rateHz)))})
}

// silence is time with nobody speaking, and now and then a mouth click.
func (n *narrator) silence(seconds float64) error {
	frames := int(float64(seconds * n.rateHz))
	// Clicks belong to speaking, so those of the whole minute fall into its
	// pauses, a fifth of the time.
	if n.random.Uniform() < n.manner.clicksMin*seconds/60*5 && seconds > 0.3 {
		click := n.engine.Click(n.random.Between(-34, -22))
		before := int(float64(n.random.Between(0.3, 0.9) * float64(frames-len(click.Samples))))
		if err := n.tone(before); err != nil {
			return err
		}
		if err := n.play(click); err != nil {
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
	return n.play(speech.Take{Samples: make([]float64, frames)})
}

func (n *narrator) play(t speech.Take) error {
	for _, m := range t.Marks {
		m.From += n.at
		m.To += n.at
		n.marks = append(n.marks, m)
	}
	n.at += int64(len(t.Samples))
	return n.rec.Record(t.Samples)
}
