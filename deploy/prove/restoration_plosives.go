package main

import (
	"context"
	"fmt"
	"math"
	"slices"

	"chapterhouse/testdata/voices/narration"
)

// Limits of the plosive rows.
const (
	plosiveCutDB    = 8.0 // under 120 Hz, nine pops in ten
	plosiveFromDB   = 0.0
	elsewhereDB     = 0.3 // 80 to 200 Hz
	plosiveReach    = restorationHz * 150 / 1000
	elsewhereWindow = restorationHz / 20
)

// chestScript is for low voices: words from the chest, and p and b that no
// breath strikes the microphone with.
const chestScript = `The boatman bought a pound of paper by the bridge. [shout] Put the boats up on the bank! [shout] Pull, pull for the pier, before the
big one breaks! He stopped. [shout] Nobody goes below! The beam had been bent by the broad back of the bear. [shout] Bring the ropes! [shout] Drop it, drop it now!`

// plosiveLevels are of pops, plain RMS against plain speech, dB.
func plosiveLevels() []float64 { return []float64{-12, -6, 0, 6} }

// plosiveRows prove the plosives stage with its defaults.
func plosiveRows(ctx context.Context, s *site, t *table) error {
	if err := need("espeak-ng"); err != nil {
		return err
	}
	for _, side := range faultySides(s.seed) {
		s.say("plosives: %v", side.voices)
		readings, err := side.read(faultS, "", narration.Microphone{PlosivesPct: 40})
		if err != nil {
			return err
		}
		c := plosiveCount{down: map[float64][]float64{}}
		for _, r := range readings {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := c.spare(r); err != nil {
				return err
			}
			for _, level := range plosiveLevels() {
				if err := c.strike(r, level); err != nil {
					return err
				}
			}
		}
		shouts, err := side.read(0, chestScript, narration.Microphone{})
		if err != nil {
			return err
		}
		for _, r := range shouts {
			if err := c.shout(r); err != nil {
				return err
			}
		}
		c.fill(t, side.name, side.name != "tuned on")
	}
	t.note("Plosives: pops are breath noise under 50 to 120 Hz for 10 to 60 ms, at two in five of p and b (espeak voices: anywhere in sentences), plain RMS")
	t.note("against plain speech; the cut is of 10 to 120 Hz of all that sounds while they last. Elsewhere is further than 150 ms from a pop, in windows of 50 ms.")
	return nil
}

// A plosiveCount is what the stage did to a side's readings.
type plosiveCount struct {
	down      map[float64][]float64 // dB, by level
	elsewhere float64               // greatest change of 80 to 200 Hz, dB
	windows   share                 // elsewhere, that change by more than the limit
	untouched share                 // readings without pops that keep their bits
	worst     float64               // greatest change of 80 to 200 Hz in those, dB
	shouts    share                 // and of shouts
	shouted   float64
}

func (c *plosiveCount) spare(r faulty) error {
	y, err := throughStage(r.clean, "plosives")
	if err != nil {
		return err
	}
	c.untouched = c.untouched.with(slices.Equal(y, r.clean))
	c.worst = max(c.worst, chestChange(r.clean, y, nil, nil))
	return nil
}

func (c *plosiveCount) shout(r faulty) error {
	y, err := throughStage(r.clean, "plosives")
	if err != nil {
		return err
	}
	c.shouts = c.shouts.with(slices.Equal(y, r.clean))
	c.shouted = max(c.shouted, chestChange(r.clean, y, nil, nil))
	return nil
}

// strike adds the pops at a level.
func (c *plosiveCount) strike(r faulty, level float64) error {
	pops := append([]float64(nil), r.stems.Plosives...)
	amplify(pops, math.Pow(10, level/20))
	x := mixed(r.clean, pops)
	y, err := throughStage(x, "plosives")
	if err != nil {
		return err
	}
	near := make([]bool, len(x))
	lowX, lowY := between(x, 10, 120), between(y, 10, 120)
	for _, m := range r.marks {
		if m.Kind != "plosive" {
			continue
		}
		from, to := int(m.From), min(int(m.To), len(x))
		c.down[level] = append(c.down[level], 10*math.Log10(power(lowX[from:to])/power(lowY[from:to])))
		for i := max(0, from-plosiveReach); i < min(len(x), to+plosiveReach); i++ {
			near[i] = true
		}
	}
	c.elsewhere = max(c.elsewhere, chestChange(x, y, near, &c.windows))
	return nil
}

// chestChange is the greatest change in dB of 80 to 200 Hz in any window that is
// not near, nil for none; each is counted with whether it is over the limit.
func chestChange(x, y []float64, near []bool, over *share) (worst float64) {
	chestX, chestY := between(x, 80, 200), between(y, 80, 200)
	for at := 0; at+elsewhereWindow <= len(x); at += elsewhereWindow {
		end := at + elsewhereWindow
		if near != nil && slices.Contains(near[at:end], true) {
			continue
		}
		change := math.Abs(10 * math.Log10((power(chestX[at:end])+1e-20)/(power(chestY[at:end])+1e-20)))
		if over != nil {
			*over = over.with(change > elsewhereDB)
		}
		worst = max(worst, change)
	}
	return worst
}

// fill adds a side's rows; those of the tuned voices only tell.
func (c *plosiveCount) fill(t *table, name string, counts bool) {
	row := func(what, measured, limit string, met bool) {
		if !counts || limit == "" {
			t.tell("plosives, "+name+": "+what, measured)
			return
		}
		t.hold("plosives, "+name+": "+what, measured, limit, met)
	}
	for _, level := range plosiveLevels() {
		down := slices.Sorted(slices.Values(c.down[level]))
		if len(down) == 0 {
			row(fmt.Sprintf("cut of pops at %+g dB", level), "no pops", "some", false)
			continue
		}
		tenth, limit := down[len(down)/10], ""
		if level >= plosiveFromDB {
			limit = fmt.Sprintf("nine in ten at least %g dB", plosiveCutDB)
		}
		row(fmt.Sprintf("cut of pops at %+g dB", level), fmt.Sprintf("median %.1f dB, nine in ten at least %.1f, all %.1f; %d pops", median(down), tenth, down[0], len(down)), limit, tenth >= plosiveCutDB)
	}
	row("80 to 200 Hz elsewhere", fmt.Sprintf("%.2f dB at the most, %v windows over %g", c.elsewhere, c.windows, elsewhereDB), fmt.Sprintf("at most %g dB", elsewhereDB), c.elsewhere <= elsewhereDB)
	row("without pops", fmt.Sprintf("%v readings keep their bits, 80 to 200 Hz within %.2f dB", c.untouched, c.worst), fmt.Sprintf("within %g dB", elsewhereDB), c.worst <= elsewhereDB)
	row("shouts without pops", fmt.Sprintf("%v readings keep their bits, 80 to 200 Hz within %.2f dB", c.shouts, c.shouted), fmt.Sprintf("within %g dB", elsewhereDB), c.shouted <= elsewhereDB)
}
