package main

import (
	"context"
	"fmt"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/clinic"
	"chapterhouse/testdata/voices/narration"
	"chapterhouse/testdata/voices/speech"
)

// A draftSide is a body of test reads that drafts are made for. Settings were
// fixed on the first; what the second shows is printed.
type draftSide struct {
	voices []string
	booths []string // two of them for each voice, in turn
	noise  string
	seed   uint64
}

func draftTuning(seed uint64) draftSide {
	return draftSide{voices: []string{"alder", "heron", "quill", "sorrel"}, booths: []string{"1.4x1.2x2.2,low=0.25", "1.3x1.1x2.1,low=0.12", "2.0x1.6x2.2,low=0.1,high=0.3", "1.0x0.9x2.0,low=0.08,high=0.4"},
		noise: "brown:-72,hiss:-80", seed: 40 + seed}
}

func draftPrinting(seed uint64) draftSide {
	return draftSide{voices: []string{"marlow", "wren", "tansy", "birch", "espeak-m3", "espeak-f2"}, booths: []string{"1.3x1.7x2.05,low=0.2", "1.15x1.0x2.0,low=0.13,high=0.55", "1.85x1.5x2.3,low=0.15,high=0.45", "1.05x1.15x1.95,low=0.09,high=0.4"},
		noise: "pink:-70,hiss:-82", seed: 1700 + seed}
}

const (
	draftHz       = 44100
	draftDBFS     = -26.0
	draftToneS    = 12.0
	draftSharpEss = 6.0 // dB, of voices whose esses can be had sharper
	draftQuiet    = "brown:-96,hiss:-98"
)

// draftText is what a test read holds: a quiet line, a page, a loud line.
const draftText = `Nobody had told the ferryman that the river would be closed. He stood by the rail and listened to the ice.
The storehouse was a long low building with seven windows, and the sisters had lived in it since the spring. They sold rope, salt and lamp oil,
and once a season a trader came across the hills with silk and small glass beads. On most evenings the older sister sat beside the stove and read aloud.
She liked the stories in which somebody was lost and then found again. Her voice was low and even, and the dog slept at her feet.
When the wind rose the shutters moved a little, and the flame leaned over. Outside, the masts of the boats rubbed against each other and made a thin dry noise.
It was the younger one who heard the first bell. She put down the basket, opened the door by a hand's width and looked along the quay.
Six men were pulling a sledge across the snow. Behind them walked a boy with a lantern, and the light swung from side to side.
They carried a chest with iron bands, and no one spoke until they had reached the last of the steps.`

// A draftRead is a test read, the clean voice that it was made from, and what is
// drafted for it.
type draftRead struct {
	name   string
	walls  string // none: the clean voice with some noise
	voice  string
	sharp  bool // its esses were made sharper
	raw    *clinic.Read
	clean  *clinic.Read // no booth, hardly any noise, esses as the voice has them
	marks  []speech.Mark
	drafts []clinic.Draft
}

// draftReading is a reading of the text by a voice.
func draftReading(voice, walls, noise string, seed uint64, essDB float64) (*clinic.Read, []speech.Mark, error) {
	var b strings.Builder
	sentences := strings.SplitAfter(strings.ReplaceAll(draftText, "\n", " "), ".")
	for i, s := range sentences {
		if s = strings.TrimSpace(s); s == "" {
			continue
		}
		if i == len(sentences)-4 {
			b.WriteString("[shout 7] ")
		}
		if essDB != 0 {
			fmt.Fprintf(&b, "[ess %g] ", essDB)
		}
		b.WriteString(s + " ")
	}
	r := narration.Reading{Voice: voice, Text: b.String(), Seed: seed, RateHz: draftHz, Booth: walls, Noise: noise, SpeechDBFS: draftDBFS, Spread: 1,
		Manner: narration.Manner{HeadS: draftToneS, TailS: 2, PauseS: 0.8, PauseMinS: 0.5, Even: true}}
	var x []float64
	labels, err := r.Record(func(block []float64) error { x = append(x, block...); return nil })
	if err != nil {
		return nil, nil, err
	}
	return clinic.Hear(x, draftHz, clinic.Form{Narrator: "reader", Setup: "booth", TemperatureC: 20, As: pipeline.Setup{}}), labels.Marks, nil
}

// reads hands every test read of a side on, each voice's clean one first.
func (s draftSide) reads(ctx context.Context, say func(string, ...any), each func(draftRead) error) error {
	for i, voice := range s.voices {
		seed := s.seed + uint64(i)
		clean, marks, err := draftReading(voice, "none", draftQuiet, seed, 0)
		if err != nil {
			return err
		}
		for k, walls := range []string{"none", s.booths[i%len(s.booths)], s.booths[(i+1)%len(s.booths)]} {
			if err := ctx.Err(); err != nil {
				return err
			}
			say("clinic: drafts for %s, booth %s", voice, walls)
			one := draftRead{name: voice + " in " + walls, voice: voice, walls: walls, clean: clean, marks: marks}
			sharpDB := 0.0
			if k > 0 && !strings.HasPrefix(voice, "espeak-") {
				one.sharp, sharpDB = true, draftSharpEss
			}
			if one.raw, _, err = draftReading(voice, walls, s.noise, seed, sharpDB); err != nil {
				return err
			}
			if one.drafts, err = clinic.Drafts(one.raw, clinic.Order{}); err != nil {
				return err
			}
			if err := each(one); err != nil {
				return err
			}
		}
	}
	return nil
}

// clinicDrafts holds drafts to what the reads were made from: how much of a booth
// they take back, and that they make nothing worse.
func clinicDrafts(ctx context.Context, s *site, t *table) error {
	if err := need("espeak-ng"); err != nil {
		return err
	}
	return draftRows(ctx, draftPrinting(s.seed), s.say, t)
}

func draftRows(ctx context.Context, side draftSide, say func(string, ...any), t *table) error {
	var inverted inversion
	var harm harms
	err := side.reads(ctx, say, func(r draftRead) error {
		if err := inverted.add(r); err != nil {
			return err
		}
		return harm.add(r)
	})
	if err != nil {
		return err
	}
	inverted.fill(t)
	harm.fill(t)
	t.note("Drafts for test reads of a minute, with %.0f s of room tone, by voices %v in booths %v; settings were fixed on %v in %v.", draftToneS,
		side.voices, side.booths, draftTuning(0).voices, draftTuning(0).booths)
	return nil
}
