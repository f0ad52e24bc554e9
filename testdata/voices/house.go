package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"chapterhouse/testdata/voices/narration"
)

// A take is one file of the demo house.
type take struct {
	path string // within the house
	order
}

// The demo house's rooms and days. On another day the gain stands elsewhere,
// so voice and room move together and the converter's hiss stays.
var (
	marlow = order{bits: 24, resolve: 17, channels: 1, Reading: narration.Reading{Voice: "marlow", RateHz: 44100, Spread: 0.75, Booth: "1.3x1.7x2.05,low=0.26,high=0.66",
		Manner: narration.Manner{HeadS: 1, TailS: 2.6, PauseS: 0.92, PauseMinS: 0.78, BreathPct: 35, ClicksMin: 2}}}
	wren = order{bits: 24, resolve: 17, channels: 1, Reading: narration.Reading{Voice: "wren", RateHz: 44100, Spread: 0.75, Booth: "1.55x1.15x2.3,low=0.28,high=0.6",
		Manner: narration.Manner{HeadS: 1, TailS: 2.6, PauseS: 0.95, PauseMinS: 0.8, BreathPct: 30, ClicksMin: 2}}}

	monday   = day{speech: -22.5, noise: "brown:-73,pink:-73.5,hiss:-84"}
	thursday = day{speech: -28.5, noise: "brown:-79,pink:-79.5,hiss:-84"}
	march    = day{speech: -22.5, noise: "brown:-74,pink:-74,traffic:-84,hiss:-84"}
	april    = day{speech: -23, noise: "brown:-74,pink:-74,hiss:-84"}
	fanOn    = day{speech: -22, noise: "brown:-62,pink:-57.5,fan:-58.5@118,hiss:-80"}
)

type day struct {
	speech float64
	noise  string
}

func (o order) on(d day, seed uint64, text string) order {
	o.SpeechDBFS, o.Noise, o.Seed, o.Text = d.speech, d.noise, seed, text
	return o
}

// houseTakes are the files of testdata/house, all by the synthesizer, so that
// they need no program and a seed names them to the bit.
func houseTakes() []take {
	wide := wren.on(march, 208, lowerGate)
	wide.channels = 2
	studio := marlow.on(thursday, 704, twoLanterns)
	studio.RateHz = 48000
	studio.SpeechDBFS -= 0.8 // she leans back in this one
	return []take{
		{"titles/eleven-tide-gates/01-low-water.flac", marlow.on(monday, 201, lowWater)},
		{"titles/eleven-tide-gates/02-the-weigh-house.flac", marlow.on(monday, 202, weighHouse)},
		{"titles/eleven-tide-gates/03-a-letter-north.flac", wren.on(march, 203, letterNorth)},
		{"titles/eleven-tide-gates/04-two-lanterns.wav", studio},
		{"titles/eleven-tide-gates/05-the-crossing-ines.flac", marlow.on(thursday, 205, crossingInes)},
		{"titles/eleven-tide-gates/05-the-crossing-tobias.flac", wren.on(march, 215, crossingTobias)},
		{"titles/eleven-tide-gates/06-the-mill-race.flac", marlow.on(monday, 206, millRace)},
		{"titles/eleven-tide-gates/07-frost.flac", marlow.on(thursday, 207, frost)},
		{"titles/eleven-tide-gates/08-the-lower-gate.flac", wide},
		{"titles/an-orchard-under-panes/01-the-first-pane.flac", wren.on(april, 301, firstPane)},
		{"titles/an-orchard-under-panes/02-the-fan.flac", wren.on(fanOn, 302, theFan)},
	}
}

// makeHouse makes every file of the demo house in a folder. Where the flac
// program is missing it leaves WAV files and says so.
func makeHouse(dir string) error {
	_, missing := exec.LookPath("flac")
	for _, t := range houseTakes() {
		path := filepath.Join(dir, filepath.FromSlash(t.path))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return err
		}
		if missing != nil && strings.HasSuffix(path, ".flac") {
			path = strings.TrimSuffix(path, ".flac") + ".wav"
			fmt.Fprintf(os.Stderr, "the flac program is not installed: writing %s; title.yaml names a .flac\n", path)
		}
		if err := t.order.write(path, ""); err != nil {
			return err
		}
		fmt.Println(path)
	}
	return nil
}
