package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// Limits chosen on the tuning voices; TestGated prints how they do on others.
const (
	gateBlockS = 0.075 // 4096 at 44.1 kHz: long enough to part rumble from the lowest voice
	// gateDB is how far the room may be quieter in pauses than beneath the words.
	// A room that is left alone comes to 0, an expander of 6 dB to 6.
	gateDB     = 8.0
	gateQuiet  = 4   // dB over the quietest twentieth, that count as pauses
	gateLoud   = 20  // dB under the loudest quarter, that count as words
	gateApart  = 15  // dB that must lie between the two
	gateBlocks = 20  // of each that must be heard
	gateEmpty  = 120 // dB under full scale where a pause holds nothing
	levels     = 161 // 0 to -160 dBFS
)

// gateBands are where the room is heard beneath a voice: below it, and above
// what most of its sounds reach, Hz. A gate moves them all; a voice that
// reaches one leaves the others.
type gateBands [6][2]float64

func roomBands() gateBands {
	return gateBands{{20, 50}, {6000, 8000}, {8000, 10000}, {10000, 12500}, {12500, 15500}, {15500, 19000}}
}

func gated() Check {
	return Check{
		Name: "gated",
		Doc: "Between words the room falls far under what is heard of it beneath them, in every band at once: a gate or an expander " +
			"was at work, or pauses were muted. The room then comes and goes with the voice, and there is no room tone for head and " +
			"tail. It can't be undone: ask for the recording as the microphone gave it.",
		Listen: func(p Part) Listener { return newGateListener(p.RateHz) },
	}
}

// gateListener counts, for each band, how its level goes with the level of the
// voice's range, so that at the end the room in pauses can be held against the
// room beneath words, in memory that does not grow.
type gateListener struct {
	rateHz int
	f      *frames
	at     dsp.Frames
	bands  gateBands
	whole  [levels]int
	joint  [len(gateBands{})][levels][levels]int32 // band, level of the whole, level of the band
	n      int
	loud   int         // the loudest level of the whole so far
	paused [levels]int // the first block at each level of the whole that is gateApart under an earlier one, from 1; 0: none
}

func newGateListener(rateHz int) *gateListener {
	size := 512
	for float64(size)/float64(rateHz) < gateBlockS {
		size *= 2
	}
	return &gateListener{rateHz: rateHz, f: newFrames(size, size/2), bands: roomBands(), loud: levels - 1}
}

func (l *gateListener) Hear(x []float64) {
	l.at += dsp.Frames(len(x))
	l.f.hear(x, func(power []float64) {
		whole := l.level(power, 150, 5000)
		l.whole[whole]++
		for b, hz := range l.bands {
			l.joint[b][whole][l.level(power, hz[0], hz[1])]++
		}
		l.n++
		if l.loud = min(l.loud, whole); whole-l.loud >= gateApart && l.paused[whole] == 0 {
			l.paused[whole] = l.n
		}
	})
}

// level is a band's, in whole decibels under full scale; a band that the rate
// does not reach holds nothing.
func (l *gateListener) level(power []float64, fromHz, toHz float64) int {
	bins := float64(len(l.f.block)) / float64(l.rateHz)
	from, to := int(math.Ceil(fromHz*bins)), min(int(toHz*bins)+1, len(power))
	sum := 0.0
	for k := from; k < to; k++ {
		sum += power[k]
	}
	return int(math.Round(-min(0, decibels(sum))))
}

// share is the level that a share of the blocks, counted from the quietest, lie
// at or under.
func share(count *[levels]int, of float64) int {
	total, n := 0, 0
	for _, c := range count {
		total += c
	}
	for k := levels - 1; k > 0; k-- {
		if n += count[k]; float64(n) >= of*float64(total) {
			return k
		}
	}
	return 0
}

// among is how often each level of a band was met while the whole was at
// levels loud to quiet.
func (l *gateListener) among(band, loud, quiet int) (count [levels]int, n int) {
	for w := max(0, loud); w <= min(quiet, levels-1); w++ {
		for k, c := range l.joint[band][w] {
			count[k] += int(c)
			n += int(c)
		}
	}
	return count, n
}

func (l *gateListener) Heard() []Stretch {
	if l.at.Seconds(l.rateHz) < leastS || l.n == 0 {
		return nil
	}
	quiet, loud := share(&l.whole, 0.05), share(&l.whole, 0.75)
	if quiet-loud < gateApart {
		return nil // it never pauses
	}
	least, floor := math.Inf(1), 0
	for b, hz := range l.bands {
		if hz[1] > float64(l.rateHz)/2 {
			continue
		}
		pause, n := l.among(b, quiet-gateQuiet, levels-1)
		word, m := l.among(b, 0, loud+gateLoud)
		if n < gateBlocks || m < gateBlocks {
			return nil
		}
		in, beneath := share(&pause, 0.5), share(&word, 0.1)
		if beneath >= gateEmpty {
			continue // nothing was ever there
		}
		if d := float64(in - beneath); d < least {
			least, floor = d, in
		}
	}
	if least < gateDB || math.IsInf(least, 1) {
		return nil
	}
	measured := fmt.Sprintf("the room is %.0f dB quieter between words than beneath them", least)
	if floor >= gateEmpty {
		measured = fmt.Sprintf("the room falls to nothing between words, by %.0f dB and more", least)
	}
	from := l.pause(quiet - gateQuiet)
	return []Stretch{{
		From: from, To: from + dsp.Frames(len(l.f.block)), Weight: pipeline.Listen, Measured: measured, Limit: fmt.Sprintf("%.0f dB", gateDB),
		Value: least, LimitValue: gateDB, Unit: "dB",
		Do: "listen here, and to other pauses, for a room that comes and goes; ask for the recording without gate or expander, for what they took can't be brought back",
	}}
}

// pause is where the first pause behind words begins, of blocks at a level or
// under it.
func (l *gateListener) pause(level int) dsp.Frames {
	first := 0
	for _, n := range l.paused[max(0, level):] {
		if n > 0 && (first == 0 || n < first) {
			first = n
		}
	}
	return dsp.Frames(max(0, first-1) * l.f.hop)
}
