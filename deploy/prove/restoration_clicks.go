package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/narration"
	"chapterhouse/testdata/voices/speech"
)

// Limits of the click rows.
const (
	clickFoundShare   = 0.90
	clickFoundDB      = 15.0 // over the local level, from which on clicks are to be found
	repairsPer100     = 1.0  // stops
	consonantChangeDB = -50.0
)

const (
	faultS        = 60.0                       // of each reading for single faults
	clickSpan     = restorationHz / 20         // a click with what the booth makes of it
	clickReach    = restorationHz * 40 / 1000  // what is local, on either side
	clickLevel    = restorationHz * 2 / 1000   // that its level is the RMS of
	jumpFades     = restorationHz * 140 / 1000 // by 60 dB
	clicksAMinute = 90.0
)

// A faulty is one voice's reading whose faults lie in stems of their own.
type faulty struct {
	voice string
	clean []float64
	stems narration.Stems
	marks []speech.Mark
}

// faultySide reads voices for clicks and plosives.
type faultySide struct {
	name   string
	voices []string
	noise  string
	booth  string
	seed   uint64
}

// faultySides are the printed voices of both engines, and those that settings
// were fixed on.
func faultySides(seed uint64) []faultySide {
	return []faultySide{
		{"tuned on", []string{"alder", "quill", "espeak-m1", "espeak-m7"}, "brown:-72,pink:-75,hiss:-84", "1.35x1.1x2.1,low=0.15,high=0.6", seed},
		{"formula voices", []string{"marlow", "wren", "tansy", "birch"}, "traffic:-72,pink:-74,hiss:-80", "1.3x1.7x2.05,low=0.26,high=0.66", 2000 + seed},
		{"espeak voices", []string{"espeak-m3", "espeak-f2", "espeak-f5", "espeak-klatt4"}, "fan:-72@87,pink:-74,hiss:-80", "1.55x1.15x2.3,low=0.28,high=0.6", 3000 + seed},
	}
}

func (f faultySide) read(seconds float64, text string, microphone narration.Microphone) ([]faulty, error) {
	var all []faulty
	for i, voice := range f.voices {
		r := narration.Reading{Voice: voice, Text: text, Seed: f.seed + uint64(i), RateHz: restorationHz, Booth: f.booth, Noise: f.noise, Spread: 1, SpeechDBFS: restorationDBFS,
			Manner: narration.Manner{HeadS: 1, TailS: 1.5, PauseS: 0.9, PauseMinS: 0.5, BreathPct: 40, ClicksMin: clicksAMinute, StopAtS: seconds - 5, Microphone: microphone}}
		if text != "" {
			r.Manner.StopAtS = 0
		}
		stems, labels, err := r.Stems()
		if err != nil {
			return nil, err
		}
		all = append(all, faulty{voice, mixed(stems.Voice, stems.Breaths, stems.Noise), stems, labels.Marks})
	}
	return all, nil
}

// throughStage is a recording as a chain of one stage with its defaults leaves it, at
// the recording's own level.
func throughStage(x []float64, stage string) ([]float64, error) {
	f, err := fit(x, restorationHz, chainYAML("  - "+stage+": {}\n"))
	if err != nil {
		return nil, err
	}
	y := f.process(f.amplified(x), nil)
	for i, v := range f.amplified(x) {
		if y[i] == v {
			y[i] = x[i] // unchanged, to the bit
		} else {
			y[i] /= f.gain
		}
	}
	return y, nil
}

// clickRows prove the clicks stage with its defaults.
func clickRows(ctx context.Context, s *site, t *table) error {
	if err := need("espeak-ng"); err != nil {
		return err
	}
	for _, side := range faultySides(s.seed) {
		s.say("clicks: %v", side.voices)
		readings, err := side.read(faultS, "", narration.Microphone{})
		if err != nil {
			return err
		}
		c := clickCount{mouth: map[float64]share{}, ticks: map[float64]share{}, jumps: map[float64]share{}}
		for _, r := range readings {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := c.spare(r); err != nil {
				return err
			}
			for _, over := range clickLevels() {
				if err := c.plant(r, over, side.seed); err != nil {
					return err
				}
			}
		}
		c.fill(t, side.name, side.name != "tuned on")
	}
	t.note("Clicks: the level is plain RMS over %.0f ms from 2 to 10 kHz, counted from that within %.0f ms on either side; a spike of one sample is", 1000*float64(clickLevel)/restorationHz, 1000*float64(clickReach)/restorationHz)
	t.note("some 24 dB higher than that. Mouth clicks ring for 0.5 to 2 ms (20 dB), in pauses, and pass the booth; spikes and jumps stand in sentences.")
	t.note("Found is what stands half as many dB over it, or is half as high, or less. Stops are p t k b d g as labelled, which the formula voices are.")
	return nil
}

// clickLevels are dB over what is local.
func clickLevels() []float64 { return []float64{9, 12, 15, 20} }

// share is so many of so many.
type share struct{ of, all int }

func (s share) String() string { return fmt.Sprintf("%d of %d", s.of, s.all) }
func (s share) part() float64  { return float64(s.of) / float64(s.all) }
func (s share) with(hit bool) share {
	s.all++
	if hit {
		s.of++
	}
	return s
}

// A clickCount is what the stage did to a side's readings.
type clickCount struct {
	mouth, ticks, jumps map[float64]share // by level

	stops                     share // touched
	repairs                   int   // in recordings without clicks
	seconds                   float64
	consonants, change        float64 // energies
	same                      bool    // a recording of noise kept its bits
	noiseSeen, consonantsSeen bool
}

// spare sends a recording without clicks through the stage.
func (c *clickCount) spare(r faulty) error {
	y, err := throughStage(r.clean, "clicks")
	if err != nil {
		return err
	}
	touched := repairs(r.clean, y)
	c.repairs += len(touched)
	c.seconds += float64(len(y)) / restorationHz
	for _, m := range r.marks {
		if m.Kind != "phone" || vowel(m.Text) {
			continue
		}
		c.consonantsSeen = true
		for i := m.From; i < m.To; i++ {
			c.consonants += r.clean[i] * r.clean[i]
			c.change += (y[i] - r.clean[i]) * (y[i] - r.clean[i])
		}
		if stop(m.Text) {
			c.stops = c.stops.with(slices.ContainsFunc(touched, func(p [2]int) bool { return p[0] < int(m.To) && p[1] > int(m.From) }))
		}
	}
	noise := mixed(r.stems.Noise)
	if y, err = throughStage(noise, "clicks"); err != nil {
		return err
	}
	c.same = (c.same || !c.noiseSeen) && slices.Equal(y, noise)
	c.noiseSeen = true
	return nil
}

// stop and vowel tell what a phone is.
func stop(phone string) bool { return slices.Contains(strings.Fields("p t k b d g"), phone) }
func vowel(phone string) bool {
	return slices.Contains(strings.Fields("iy ih eh ae aa ao ah uh uw er ax ey ay oy aw ow"), phone)
}

// repairs are the stretches in which y is not x; those less than 2 ms apart are
// one.
func repairs(x, y []float64) (list [][2]int) {
	const apart = restorationHz / 500
	for i := range x {
		if x[i] == y[i] {
			continue
		}
		if n := len(list); n > 0 && i-list[n-1][1] < apart {
			list[n-1][1] = i + 1
		} else {
			list = append(list, [2]int{i, i + 1})
		}
	}
	return list
}

// plant puts mouth clicks into the pauses of a recording and ticks into its
// sentences, all so many dB over what is local, and counts what is found.
func (c *clickCount) plant(r faulty, over float64, seed uint64) error {
	local, ringing := mouthBand(r.clean), mouthBand(r.stems.Clicks)
	x := append([]float64(nil), r.clean...)
	random := exact.NewRandom(seed, "planted ticks")
	var planted []plantedClick
	add := func(p plantedClick) {
		for i, v := range p.samples {
			x[p.at+i] += v
		}
		planted = append(planted, p)
	}
	level := func(at int) float64 { return around(local, at) * math.Pow(10, over/20) }
	for _, m := range r.marks {
		at, end := int(m.From), int(m.To)
		switch m.Kind {
		case "click":
			samples := append([]float64(nil), r.stems.Clicks[at:min(at+clickSpan, len(x))]...)
			amplify(samples, level(at)/math.Sqrt(power(ringing[at:at+clickLevel])))
			add(plantedClick{c.mouth, at, samples})
		case "sentence":
			for k := at + 4000; k < end-8000; k += int(random.Between(0.2, 0.4) * restorationHz) {
				p := plantedClick{c.ticks, k, []float64{1}}
				if random.Intn(2) == 0 {
					p = plantedClick{c.jumps, k, make([]float64, jumpFades)}
					for i := range p.samples {
						p.samples[i] = math.Exp(-float64(i) / (0.02 * restorationHz))
					}
				}
				alone := mouthBand(append(p.samples[:len(p.samples):len(p.samples)], make([]float64, clickLevel)...))
				amplify(p.samples, float64(1-2*random.Intn(2))*level(k)/math.Sqrt(power(alone[:clickLevel])))
				add(p)
			}
		}
	}
	y, err := throughStage(x, "clicks")
	if err != nil {
		return err
	}
	left := mouthBand(y)
	for _, p := range planted {
		p.in[over] = p.in[over].with(p.found(x, y, r.clean, left, around(local, p.at)*math.Pow(10, over/40)))
	}
	return nil
}

// A plantedClick is a click at a frame, counted in one of the maps.
type plantedClick struct {
	in      map[float64]share
	at      int
	samples []float64
}

// found tells whether the click is gone: of a mouth click half of what it stood
// over what is local, in dB, by left, from 2 to 10 kHz; of a spike and of the
// edge of a jump half of the height.
func (p plantedClick) found(x, y, clean, left []float64, half float64) bool {
	switch n := len(p.samples); {
	case n == 1:
		return math.Abs(y[p.at]-clean[p.at]) <= math.Abs(p.samples[0])/2
	case n > clickSpan:
		edge := func(z []float64) float64 { return math.Abs((z[p.at] - clean[p.at]) - (z[p.at-1] - clean[p.at-1])) }
		return edge(y) <= edge(x)/2
	}
	return math.Sqrt(power(left[p.at:p.at+clickLevel])) <= half
}

// mouthBand is a signal from 2 to 10 kHz.
func mouthBand(x []float64) []float64 { return between(x, 2000, 10000) }

// between is a signal between two frequencies.
func between(x []float64, lowHz, highHz float64) []float64 {
	high, err := filter.Highpass(lowHz, 24, restorationHz)
	if err != nil {
		panic(err) // constant frequencies
	}
	low, err := filter.Lowpass(highHz, 48, restorationHz)
	if err != nil {
		panic(err)
	}
	y := append([]float64(nil), x...)
	y = append(y, make([]float64, 1024-len(y)%1024)...)
	c := kernel.NewCascade(append(high, low...))
	for at := 0; at < len(y); at += 1024 {
		c.Process(y[at : at+1024])
	}
	return y[:len(x)]
}

// around is the plain RMS of what is local at a frame.
func around(x []float64, at int) float64 {
	return math.Sqrt(power(x[max(0, at-clickReach):min(len(x), at+clickReach)]))
}

// fill adds a side's rows; those of the tuned voices only tell.
func (c *clickCount) fill(t *table, name string, counts bool) {
	row := func(what, measured, limit string, met bool) {
		if !counts || limit == "" {
			t.tell("clicks, "+name+": "+what, measured)
			return
		}
		t.hold("clicks, "+name+": "+what, measured, limit, met)
	}
	atLeast := fmt.Sprintf("at least %.0f %%", 100*clickFoundShare)
	for _, kind := range []struct {
		what  string
		found map[float64]share
	}{{"mouth clicks", c.mouth}, {"spikes in speech", c.ticks}, {"jumps in speech", c.jumps}} {
		for _, over := range clickLevels() {
			limit, n := "", kind.found[over]
			if over >= clickFoundDB {
				limit = atLeast
			}
			row(fmt.Sprintf("%s at %g dB, found", kind.what, over), fmt.Sprintf("%.0f %%, %v", 100*n.part(), n), limit, n.part() >= clickFoundShare)
		}
	}
	if c.stops.all > 0 {
		per100 := 100 * c.stops.part()
		row("stops touched, no click there", fmt.Sprintf("%.2f in 100, %v", per100, c.stops), fmt.Sprintf("at most %g in 100", repairsPer100), per100 <= repairsPer100)
	}
	if c.consonantsSeen {
		db := 10 * math.Log10(c.change/c.consonants)
		measured := "none"
		if c.change > 0 {
			measured = fmt.Sprintf("%.0f dB", db)
		}
		row("change within consonants", measured, fmt.Sprintf("at most %g dB", consonantChangeDB), db <= consonantChangeDB)
	}
	row("repairs of recordings without clicks", fmt.Sprintf("%d in %.1f minutes", c.repairs, c.seconds/60), "", true)
	row("noise alone", map[bool]string{true: "keeps its bits", false: "changes"}[c.same], "keeps its bits", c.same)
}
