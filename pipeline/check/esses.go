package check

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// Limits chosen on the tuning voices.
const (
	essFromHz, essToHz     = 5000.0, 11000.0
	vowelFromHz, vowelToHz = 150.0, 4000.0

	essFrames  = 3   // spectra, 10 ms each, in which there is more of the ess band than of the vowels'
	essAround  = 100 // spectra on either side in which its vowels are looked for
	essLine    = 300 // spectra within which two esses are of one line
	vowelShare = 0.9 // of the spectra around are softer than its vowels
	// A whisper has no vowels: no less than this under the part's own counts.
	vowelUnderDB = 8.0
	essDeepDB    = 30.0 // under the vowels: breath, not an ess
	essesLeast   = 12   // before it is known what is usual

	// How far over what is usual, and against its vowels, an ess is taken note of;
	// is for an ear if the line has a second one; and is by itself.
	sharpNotedDB, sharpNotedOver = 7.0, -5.0
	sharpTwiceDB, sharpTwiceOver = 9.0, -2.0
	sharpSecondDB                = 8.0
	sharpAloneDB, sharpAloneOver = 11.0, 1.5
	// essUsualDB is where all of a part's esses are called sharp.
	essUsualDB = -3.0
)

func esses() Check {
	return Check{
		Name: "esses",
		Doc: "Sharp esses: from 5,000 to 11,000 Hz one is 7 dB or more over what is usual for this recording's esses, held against the vowels around it, and comes near their level. " +
			"Two such in one line, or one that is louder than the vowels, are for an ear. " +
			"The de-esser stage turns them down. A microphone a little to the side of the mouth has fewer.",
		Listen: func(p Part) Listener { return newEssListener(p) },
	}
}

// essListener keeps two levels of every spectrum: some 3 MB an hour.
type essListener struct {
	hop            int
	ess, vowel     [2]int // bins
	essDB, vowelDB []float32
}

func newEssListener(p Part) *essListener {
	bins := float64(SpectrumSize(p.RateHz)) / float64(p.RateHz)
	band := func(fromHz, toHz float64) [2]int {
		return [2]int{int(math.Ceil(fromHz * bins)), int(min(toHz, 0.45*float64(p.RateHz)) * bins)}
	}
	return &essListener{hop: (p.RateHz + 50) / 100, ess: band(essFromHz, essToHz), vowel: band(vowelFromHz, vowelToHz)}
}

func (l *essListener) Hear([]float64) {}

func (l *essListener) HearSpectrum(power []float64) {
	level := func(bins [2]int) float32 {
		sum := 0.0
		for k := bins[0]; k < bins[1]; k++ {
			sum += power[k]
		}
		return float32(decibels(sum))
	}
	l.essDB = append(l.essDB, level(l.ess))
	l.vowelDB = append(l.vowelDB, level(l.vowel))
}

// An ess is one that was heard.
type ess struct {
	from, to int     // spectra
	over     float64 // dB, its loudest spectrum against the vowels around
	sharp    float64 // dB over what is usual
}

// esses are all of the part, and how much over its vowels one usually is.
func (l *essListener) esses() (all []ess, usual float64) {
	if len(l.vowelDB) == 0 {
		return nil, 0
	}
	var around []float32
	vowels := func(from, to int, share float64) float64 {
		around = append(around[:0], l.vowelDB[max(0, from):min(len(l.vowelDB), to)]...)
		slices.Sort(around)
		return float64(around[int(share*float64(len(around)-1))])
	}
	part := vowels(0, len(l.vowelDB), 0.8)
	for i := 0; i < len(l.essDB); i++ {
		from := i
		for i < len(l.essDB) && l.essDB[i] >= l.vowelDB[i] {
			i++
		}
		if i-from < essFrames {
			continue
		}
		over := float64(slices.Max(l.essDB[from:i])) - max(part-vowelUnderDB, vowels(from-essAround, i+essAround, vowelShare))
		if over > -essDeepDB {
			all = append(all, ess{from: from, to: i, over: over})
		}
	}
	var over []float64
	for _, e := range all {
		over = append(over, e.over)
	}
	if len(all) > 0 {
		usual = median(over)
	}
	for i := range all {
		all[i].sharp = all[i].over - usual
	}
	return all, usual
}

func (e ess) is(sharpDB, overDB float64) bool { return e.sharp >= sharpDB && e.over >= overDB }

// lines are the sharpest ess of every line that has one, and whether it is for
// an ear.
func lines(all []ess) (worst []ess, heard []bool) {
	for i := 0; i < len(all); {
		top, twice, from := all[i], 0, all[i].from
		for ; i < len(all) && all[i].from-from < essLine; i++ {
			if all[i].sharp > top.sharp {
				top = all[i]
			}
			if all[i].is(sharpSecondDB, sharpTwiceOver) {
				twice++
			}
		}
		if top.is(sharpNotedDB, sharpNotedOver) {
			worst = append(worst, top)
			heard = append(heard, top.is(sharpAloneDB, sharpAloneOver) || twice > 1 && top.is(sharpTwiceDB, sharpTwiceOver))
		}
	}
	return worst, heard
}

func (l *essListener) Heard() (out []Stretch) {
	all, usual := l.esses()
	if len(all) < essesLeast {
		return nil
	}
	if usual >= essUsualDB {
		out = append(out, Stretch{Weight: pipeline.Ready,
			Measured: fmt.Sprintf("the esses are at %+.0f dB against the vowels throughout", usual), Limit: fmt.Sprintf("%.0f dB", essUsualDB),
			Do: "listen to a line or two: a de-esser, or the microphone a little to the side of the mouth, makes it milder"})
	}
	sharp, heard := lines(all)
	var places []sized
	for i, e := range sharp {
		weight, do := pipeline.Ready, "the de-esser stage turns it down; add it to the chain if it is heard"
		if heard[i] {
			weight, do = pipeline.Listen, "listen to the line: let the de-esser stage take more, or ask for it again with the microphone to the side"
		}
		places = append(places, sized{e.sharp, Stretch{From: l.frames(e.from), To: l.frames(e.to), Weight: weight,
			Measured: fmt.Sprintf("an ess %.0f dB over what is usual here, %+.0f dB against the vowels", e.sharp, e.over),
			Limit:    fmt.Sprintf("%.0f dB over what is usual", sharpNotedDB), Do: do, Value: dsp.Round2(e.sharp), LimitValue: sharpNotedDB, Unit: "dB"}})
	}
	return append(out, worst(places, "lines with sharp esses")...)
}

func (l *essListener) frames(spectrum int) dsp.Frames { return dsp.Frames(spectrum * l.hop) }
