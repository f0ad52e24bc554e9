package main

import (
	"context"
	"fmt"
	"math"

	"chapterhouse/pipeline/render"
	"chapterhouse/testdata/voices/narration"
	"chapterhouse/testdata/voices/speech"
)

// Limits of the rows on breaths.
const (
	breathRateLimit = 0.9 // precision, and recall
	breathCutDB     = 6
	breathLeastDB   = 3 // of it: more than the cut can't be
)

// A breathCount is what was found of the breaths that were drawn, and what the
// stage made of them.
type breathCount struct {
	drawn, hit, found int
	before, after     float64 // energy of the breaths that were hit, in the middle half of each
	touched           int     // samples of sentences whose bits changed
}

func (c breathCount) recall() float64    { return float64(c.hit) / float64(c.drawn) }
func (c breathCount) precision() float64 { return float64(c.hit) / float64(c.found) }
func (c breathCount) loweredDB() float64 { return 10 * math.Log10(c.before/c.after) }

// breathRows prove the finder of breaths and the stage with its defaults. What
// was fixed was fixed on voices of both engines that are not these.
func breathRows(ctx context.Context, s *site, t *table) error {
	voices := printSide(0).voices
	voices = append(voices, "marlow", "wren", "tansy", "birch")
	for _, booth := range []struct {
		name, noise string
	}{
		{"good booth", "traffic:-72,hiss:-80"},
		{"poor booth, floor -50", "brown:-50.5,fan:-62@87,hiss:-72"},
	} {
		var sum breathCount
		for i, voice := range voices {
			if err := ctx.Err(); err != nil {
				return err
			}
			s.say("breaths: %s, %s", voice, booth.name)
			r := narration.Reading{Voice: voice, Seed: 2000 + s.seed + uint64(i), RateHz: restorationHz, Spread: 1, Booth: printSide(0).booth,
				Noise: booth.noise, SpeechDBFS: restorationDBFS,
				Manner: narration.Manner{HeadS: 1, TailS: 1.5, PauseS: 0.9, PauseMinS: 0.5, BreathPct: 70, ClicksMin: 6, StopAtS: 55}}
			if err := sum.add(r); err != nil {
				return fmt.Errorf("breaths, %s: %w", voice, err)
			}
		}
		sum.hold(t, "breaths, "+booth.name+": ")
	}
	t.note("Breaths: 45 to 35 dB under speech, in %v, whispers and shouts among the", voices)
	t.note("sentences. Found is what covers half of the label, or lies in it by half. Sentences are the generator's labels.")
	return nil
}

// hold adds the rows of a booth.
func (c breathCount) hold(t *table, name string) {
	limit := fmt.Sprintf("at least %.0f %%", 100*breathRateLimit)
	t.hold(name+"recall", fmt.Sprintf("%.1f %%, %d drawn, %d found, %d of them right", 100*c.recall(), c.drawn, c.found, c.hit), limit, c.recall() >= breathRateLimit)
	t.hold(name+"precision", fmt.Sprintf("%.1f %%", 100*c.precision()), limit, c.precision() >= breathRateLimit)
	t.hold(name+"lowered by the stage", fmt.Sprintf("%.1f dB of %d, room tone included", c.loweredDB(), breathCutDB), fmt.Sprintf("at least %d dB", breathLeastDB), c.loweredDB() >= breathLeastDB)
	t.atMost(name+"changed inside sentences", float64(c.touched)/restorationHz, 0, "%.2f s", "")
}

// add reads and counts one recording.
func (c *breathCount) add(r narration.Reading) error {
	var x []float64
	labels, err := r.Record(func(block []float64) error {
		x = append(x, block...)
		return nil
	})
	if err != nil {
		return err
	}
	l := render.NewListener(r.RateHz)
	l.Write(x)
	_, marks, _ := l.Result()
	f, err := fit(x, r.RateHz, chainYAML(fmt.Sprintf("  - breaths: {cut_db: %d}\n", breathCutDB)))
	if err != nil {
		return err
	}
	raw := f.amplified(x)
	y := f.process(raw, nil)
	var spans [][2]int64
	for _, w := range marks.Breaths {
		spans = append(spans, [2]int64{int64(w.From), int64(w.To)})
	}
	c.count(labels.Marks, spans, raw, y)
	return nil
}

// count holds what was found against the labels; a found stretch is right once.
func (c *breathCount) count(labels []speech.Mark, found [][2]int64, raw, y []float64) {
	c.found += len(found)
	taken := make([]bool, len(found))
	for _, m := range labels {
		switch m.Kind {
		case "breath":
			c.drawn++
			for i, w := range found {
				if !taken[i] && 2*(min(w[1], m.To)-max(w[0], m.From)) >= min(w[1]-w[0], m.To-m.From) {
					c.hit++
					taken[i] = true
					quarter := (m.To - m.From) / 4
					for i := m.From + quarter; i < m.To-quarter; i++ {
						c.before += raw[i] * raw[i]
						c.after += y[i] * y[i]
					}
					break
				}
			}
		case "sentence":
			for i := m.From; i < m.To; i++ {
				if raw[i] != y[i] {
					c.touched++
				}
			}
		}
	}
}
