package main

import (
	"context"
	"fmt"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/testdata/voices/narration"
	"chapterhouse/testdata/voices/speech"
)

// Limits of the rows on esses.
const (
	essSpreadDB  = 2.0 // between manners of speaking
	essOutsideDB = 0.3
)

const essText = `The rope slipped across the stones, and the last of the sacks slid into the sea.
The house was silent again. So was the sister of the smith. She saw six ships pass. The seller closed his books and sat down.
It was seven, and then it was some time past seven. Less was said each year. The master of the house passed the salt.`

// An essCount is what a de-esser took in one manner of speaking, dB, as mean.
type essCount struct{ inside, outside, sh mean }

// A mean is a sum and of how many.
type mean struct{ sum, n float64 }

func (m *mean) add(v float64) { m.sum, m.n = m.sum+v, m.n+1 }
func (m mean) value() float64 { return m.sum / m.n }

func essManners() []string { return []string{"spoken", "shouted", "whispered"} }

// essScript is the text in every manner, one sentence at a time.
func essScript() string {
	var b strings.Builder
	for _, mark := range []string{"", "[shout] ", "[whisper] "} {
		for _, s := range strings.SplitAfter(strings.ReplaceAll(essText, "\n", " "), ".") {
			if s = strings.TrimSpace(s); s != "" {
				b.WriteString(mark + s + " ")
			}
		}
	}
	return b.String()
}

// essRows prove the de-esser: one text spoken, shouted and whispered.
func essRows(ctx context.Context, s *site, t *table) error {
	voices := []string{"marlow", "wren", "tansy", "birch"}
	for i, voice := range voices {
		if err := ctx.Err(); err != nil {
			return err
		}
		s.say("esses: %s", voice)
		r := narration.Reading{Voice: voice, Text: essScript(), Seed: 300 + s.seed + uint64(i), RateHz: 44100, Booth: printSide(0).booth,
			Noise: "pink:-78,hiss:-84", SpeechDBFS: -30, Manner: narration.Manner{HeadS: 1, TailS: 1, PauseS: 0.7, PauseMinS: 0.4, BreathPct: -1, ClicksMin: -1}}
		var x []float64
		labels, err := r.Record(func(block []float64) error {
			x = append(x, block...)
			return nil
		})
		if err != nil {
			return err
		}
		f, err := fit(x, r.RateHz, chainYAML("  - de-esser: {from_hz: 5000, to_hz: 10000, threshold_over_speech_db: -16, max_cut_db: 6}\n"))
		if err != nil {
			return err
		}
		step := dsp.ControlStep(44100)
		cuts := make([]float64, len(x)/step+1)
		f.process(f.amplified(x), func(at dsp.Frames, _ int, gainsDB []float64) {
			for i, g := range gainsDB {
				if k := int(at)/step + i; at >= 0 && k < len(cuts) {
					cuts[k] = -g
				}
			}
		})
		holdEsses(t, "de-esser, "+voice+": ", countEsses(labels.Marks, cuts, step, 44100))
	}
	t.note("Esses are the generator's labels of s and z, without 10 ms at both ends; outside lies more than 100 ms behind the end of any")
	t.note("s, z, sh, zh, ch and j, and 10 ms before it. A whisper lies 22 dB under speech, a shout 15 over it, and its spectrum is flatter.")
	return nil
}

// countEsses takes the means, by manner.
func countEsses(marks []speech.Mark, cuts []float64, step, rate int) map[string]*essCount {
	found := map[string]*essCount{}
	for _, m := range essManners() {
		found[m] = &essCount{}
	}
	manner, near := make([]string, len(cuts)), make([]bool, len(cuts))
	each := func(from, to int64, do func(k int)) {
		for k := max(0, int(from)/step); k < min(len(cuts), int(to)/step); k++ {
			do(k)
		}
	}
	edge, after := int64(rate/100), int64(rate/10)
	for _, name := range []struct{ kind, manner string }{{"sentence", "spoken"}, {"shout", "shouted"}, {"whisper", "whispered"}} {
		for _, m := range marks {
			if m.Kind == name.kind {
				each(m.From, m.To, func(k int) { manner[k] = name.manner })
			}
		}
	}
	for _, m := range marks {
		if m.Kind != "ess" {
			continue
		}
		each(m.From-edge, m.To+after, func(k int) { near[k] = true })
		each(m.From+edge, m.To-edge, func(k int) {
			c := found[manner[k]]
			switch {
			case c == nil:
			case m.Text == "s" || m.Text == "z":
				c.inside.add(cuts[k])
			case m.Text == "sh":
				c.sh.add(cuts[k])
			}
		})
	}
	for k, v := range cuts {
		if c := found[manner[k]]; c != nil && !near[k] {
			c.outside.add(v)
		}
	}
	return found
}

// holdEsses adds a voice's rows.
func holdEsses(t *table, name string, found map[string]*essCount) {
	low, high, outside := 1e9, -1e9, 0.0
	var inside, sh []string
	for _, m := range essManners() {
		c := found[m]
		low, high, outside = min(low, c.inside.value()), max(high, c.inside.value()), max(outside, c.outside.value())
		inside, sh = append(inside, fmt.Sprintf("%s %.1f", m, c.inside.value())), append(sh, fmt.Sprintf("%s %.1f", m, c.sh.value()))
	}
	t.atMost(name+"spread of the mean reduction in esses", high-low, essSpreadDB, "%.1f dB", strings.Join(inside, ", "))
	t.hold(name+"esses are reduced", fmt.Sprintf("%.1f dB at least", low), "more than 0 dB", low > 0)
	t.atMost(name+"mean reduction outside esses", outside, essOutsideDB, "%.2f dB", "")
	t.tell(name+"mean reduction in sh", strings.Join(sh, ", ")+" dB")
}
