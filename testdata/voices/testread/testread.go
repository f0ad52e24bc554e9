// Package testread makes test reads as a narrator sends them in: room tone, a
// quiet line, a page and a loud line, clean or spoiled in one way, made from what
// causes it. Nothing here knows how anybody finds it.
package testread

import (
	"fmt"
	"strings"

	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/narration"
	"chapterhouse/testdata/voices/speech"
)

// A Read is what a narrator was asked for, and how it came out.
type Read struct {
	Voice      string
	Seed       uint64
	RateHz     int
	Booth      string  // see booth.Parse
	Noise      string  // see booth.ParseNoises; laid on by the zero Fault, and by others that have none of their own
	SpeechDBFS float64 // plain RMS of plain speech
	Spread     float64 // factor on how much words and sentences differ in level
	ToneS      float64 // room tone before the first word
	PageS      float64 // about
	QuietDB    float64 // of the quiet line against plain speech; 0: there is none
	LoudDB     float64 // of the loud line, shouted; 0: there is none
	EssDB      float64 // on the frication of esses (voices of formulas)
	ClicksMin  float64 // of the mouth, in a minute; 0: the voice's own
	Microphone narration.Microphone
}

// A Spoil does something to a recording, in place.
type Spoil func(x []float64, rateHz float64)

// Page is from the page's first sentence to the end of its last, frames.
func (r Read) Page(l narration.Labels) (from, to int) {
	_, n := r.Script()
	at := 0
	for _, m := range l.Marks {
		if m.Kind != "sentence" {
			continue
		}
		if at == n.Quiet {
			from = int(m.From)
		}
		if at++; at <= n.Quiet+n.Page {
			to = int(m.To)
		}
	}
	return from, to
}

// Clean is a read that nothing is wrong with.
func Clean(voice string, seed uint64) Read {
	return Read{
		Voice: voice, Seed: seed, RateHz: 44100, Booth: "none", Noise: "pink:-88,hiss:-93", SpeechDBFS: -39, Spread: 0.7,
		ToneS: 11.5, PageS: 52, QuietDB: -10, LoudDB: 8,
	}
}

// lettersS is how many letters a second holds, about.
const lettersS = 14.0

// Lines is how many sentences the quiet line, the page and the loud line have.
type Lines struct{ Quiet, Page, Loud int }

// Script is what is read.
func (r Read) Script() (text string, n Lines) {
	var b strings.Builder
	prose := speech.Prose{Random: exact.NewRandom(r.Seed, "prose")}
	say := func(manner string, seconds float64) (n int) {
		for ; seconds > 0; n++ {
			s, _ := prose.Next()
			line := strings.TrimRight(s.Text, ".!?") + "."
			if r.EssDB != 0 {
				line = fmt.Sprintf("[ess %g] ", r.EssDB) + line
			}
			fmt.Fprintln(&b, manner+line)
			seconds -= float64(len(s.Text))/lettersS + 0.8
		}
		return n
	}
	if r.QuietDB != 0 {
		n.Quiet = say(fmt.Sprintf("[plain %g] ", r.QuietDB), 5)
		fmt.Fprintln(&b, "[pause 1.2]")
	}
	n.Page = say("", r.PageS)
	if r.LoudDB != 0 {
		fmt.Fprintln(&b, "[pause 1.2]")
		n.Loud = say(fmt.Sprintf("[shout %g] ", r.LoudDB), 4)
	}
	return b.String(), n
}

// Record reads it, full scale ±1 and not yet clipped, without the room's noise:
// what is done to it lays that on.
func (r Read) Record() (x []float64, labels narration.Labels, err error) {
	text, _ := r.Script()
	reading := narration.Reading{
		Voice: r.Voice, Text: text, Seed: r.Seed, RateHz: r.RateHz, Booth: r.Booth, Noise: "none", SpeechDBFS: r.SpeechDBFS, Spread: r.Spread,
		Manner: narration.Manner{HeadS: r.ToneS, TailS: 1.5, PauseS: 0.8, PauseMinS: 0.45, ClicksMin: r.ClicksMin, Microphone: r.Microphone},
	}
	labels, err = reading.Record(func(block []float64) error {
		x = append(x, block...)
		return nil
	})
	return x, labels, err
}

// Make is a recording with something done to it, as a converter of 24 bits gives
// it; x is left as it is.
func Make(x []float64, rateHz int, spoils ...Spoil) []float64 {
	out := append([]float64(nil), x...)
	for _, spoil := range spoils {
		spoil(out, float64(rateHz))
	}
	convert(out)
	return out
}

// convert rounds to 24 bits, and cuts flat what is over full scale.
func convert(x []float64) {
	const full = 1 << 23
	for i, v := range x {
		v = max(-1, min(v, 1-1.0/full)) * full
		if v < 0 {
			x[i] = -float64(int64(0.5-v)) / full
		} else {
			x[i] = float64(int64(v+0.5)) / full
		}
	}
}
