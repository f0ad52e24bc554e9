package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// Limits chosen on the tuning voices; TestLossy prints how they do on others.
const (
	lossyBlockS = 0.020 // a block about as long as an encoder's: 1024 at 44.1 kHz
	lossyFromHz = 7000.0
	lossyToHz   = 24500.0 // of converters at higher rates
	lossyTo     = 0.925   // of half the rate: converters fall off beyond
	lossyNilDB  = -140.0  // what is less is nothing: no converter's noise is, of a bin
	lossySideHz = 450.0   // that a step is judged by, on either side
	// edgeDB is how far the mean level may fall from one side of a frequency to
	// the other. Filters of 48 dB per octave come to 6 or 7, voices and rooms to 2.
	edgeDB = 8.0
	// plainEdgeHz is from where an edge may be a converter's own filter, and so is
	// only a notice; holes are looked for below it.
	plainEdgeHz = 19500.0
	// A hole is a step this deep in one block: noise and voices make some in a thousand.
	holeDB     = 20.0
	holesShare = 0.02
	// blackDB is the power of a block that holds nothing to judge.
	blackDB = -120.0
)

func onceLossy() Check {
	return Check{
		Name: "once-lossy",
		Doc: "The spectrum ends like a cliff, or has holes that come and go: the file was once lossy, or was " +
			"converted from a lower rate. Encoding what is encoded once more makes esses swirl. An edge at the very top may be a " +
			"converter's own and are a notice. Some encoders leave no trace at high rates: nothing found is no proof.",
		Listen: func(p Part) Listener { return newLossyListener(p.RateHz) },
	}
}

// lossyListener looks for steps in the spectrum of each block and in the mean
// of all of them. What it keeps does not grow.
type lossyListener struct {
	rateHz   int
	f        *frames
	at       dsp.Frames
	from, to int       // bins that a step may be at
	holeTo   int       // and a hole
	side     int       // bins on either side of it
	db       []float64 // of this block
	sum      []float64 // of each bin's level, over all blocks that hold something
	n, holes int
	holeHz   float64 // sum of where they are
}

// lossyGap is how many bins lie between a step and either side: a tone's width
// under a Hann window.
const lossyGap = 2

func newLossyListener(rateHz int) *lossyListener {
	size := 256
	for float64(size)/float64(rateHz) < lossyBlockS {
		size *= 2
	}
	l := &lossyListener{rateHz: rateHz, f: newFrames(size, size), db: make([]float64, size/2+1), sum: make([]float64, size/2+1)}
	bin := func(hz float64) int { return int(hz*float64(size)/float64(rateHz) + 0.5) }
	l.side = bin(lossySideHz)
	l.from = bin(lossyFromHz)
	l.to = min(bin(min(lossyToHz, lossyTo*float64(rateHz)/2)), size/2-lossyGap-l.side)
	l.holeTo = min(l.to, bin(plainEdgeHz-lossySideHz))
	return l
}

func (l *lossyListener) Hear(x []float64) {
	l.at += dsp.Frames(len(x))
	if l.rateHz < lowestHz {
		return // there is nothing above to be judged
	}
	l.f.hear(x, func(power []float64) {
		total := 0.0
		for k, p := range power {
			total += p
			l.db[k] = max(lossyNilDB, decibels(p))
		}
		if decibels(total) < blackDB {
			return
		}
		for k, v := range l.db {
			l.sum[k] += v
		}
		l.n++
		if at, step := l.step(l.db, l.holeTo); step > holeDB {
			l.holes++
			l.holeHz += l.hz(at)
		}
	})
}

// step is the deepest fall from the bins below one to those above it, before
// the bin to.
func (l *lossyListener) step(level []float64, to int) (at int, deepest float64) {
	below, above := 0.0, 0.0
	for i := range l.side {
		below += level[l.from-lossyGap-1-i]
		above += level[l.from+lossyGap+1+i]
	}
	for k := l.from; k < to; k++ {
		if d := (below - above) / float64(l.side); d > deepest {
			at, deepest = k, d
		}
		below += level[k-lossyGap] - level[k-lossyGap-l.side]
		above += level[k+lossyGap+1+l.side] - level[k+lossyGap+1]
	}
	return at, deepest
}

func (l *lossyListener) hz(bin int) float64 {
	return float64(bin) * float64(l.rateHz) / float64(len(l.f.block))
}

func (l *lossyListener) Heard() []Stretch {
	if l.rateHz < lowestHz || l.at.Seconds(l.rateHz) < leastS || l.n == 0 {
		return nil
	}
	level := make([]float64, len(l.sum))
	for k, v := range l.sum {
		level[k] = v / float64(l.n)
	}
	at, edge := l.step(level, l.to)
	share := float64(l.holes) / float64(l.n)
	switch {
	case edge >= edgeDB && l.hz(at) < plainEdgeHz:
		return []Stretch{{
			Weight:   pipeline.Listen,
			Measured: fmt.Sprintf("the spectrum ends at %.1f kHz, with a fall of %.0f dB", l.hz(at)/1000, edge),
			Limit:    fmt.Sprintf("%.0f dB within 1 kHz", edgeDB),
			Do:       "listen to the esses; ask whether it was ever an MP3 or at a lower rate, and for the recording itself",
		}}
	case share >= holesShare:
		return []Stretch{{
			Weight:   pipeline.Listen,
			Measured: fmt.Sprintf("holes in the spectrum above %.0f kHz or so, %.0f %% of the time", math.Floor(l.holeHz/float64(l.holes)/1000), 100*share),
			Limit:    fmt.Sprintf("%.0f %%", 100*holesShare),
			Do:       "listen for esses that swirl; ask whether it was ever an MP3 or the like, and for the recording itself",
		}}
	case edge >= edgeDB:
		return []Stretch{{
			Weight:   pipeline.Ready,
			Measured: fmt.Sprintf("the spectrum ends at %.1f kHz, with a fall of %.0f dB", l.hz(at)/1000, edge),
			Limit:    fmt.Sprintf("%.0f dB within 1 kHz", edgeDB),
			Do:       "ask whether it was ever an MP3 at a high bit rate; a converter may do this too",
		}}
	}
	return nil
}
