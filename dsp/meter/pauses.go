package meter

import (
	"math"
	"slices"

	"chapterhouse/dsp"
)

const (
	pauseFrameS = 0.01
	minPauseS   = 0.3
	// spikeFrames is how long a sound in a pause may be that does not end it: a
	// click of the mouth.
	spikeFrames = 3
	// pauseShare is how far over the floor, of the way from there to speech, a
	// frame may lie and be a pause still (own definition).
	pauseShare = 0.35
)

// Pauses finds where nobody speaks in a long narration: stretches of 0.3 s and
// more whose 10 ms levels lie nearer to the floor than to speech. Floor and
// speech are the tenth and the ninetieth percentile of all levels, so a recording
// that is all speech, or all room, has none. It keeps one level for each 10 ms.
type Pauses struct {
	frame  int // samples
	levels []int16
	n      int
	energy float64
}

// NewPauses listens at a rate.
func NewPauses(rateHz int) *Pauses {
	return &Pauses{frame: max(1, int(math.Round(pauseFrameS*float64(rateHz))))}
}

// Write takes the next samples of one channel.
func (p *Pauses) Write(x []float64) {
	for _, v := range x {
		p.energy += float64(v * v)
		if p.n++; p.n == p.frame {
			p.levels = append(p.levels, int16(max(-20000, math.Round(100*powerDB(p.energy/float64(p.n))))))
			p.n, p.energy = 0, 0
		}
	}
}

// leastRangeDB is between floor and speech: what has less is not told apart.
const leastRangeDB = 12

// Result is the pauses so far, in order.
func (p *Pauses) Result() []Window {
	if len(p.levels) == 0 {
		return nil
	}
	sorted := slices.Sorted(slices.Values(p.levels))
	low, high := float64(sorted[len(sorted)/10]), float64(sorted[len(sorted)*9/10])
	if high-low < 100*leastRangeDB {
		return nil
	}
	quiet := int16(low + float64(pauseShare*(high-low)))
	var out []Window
	from, last, spike := -1, 0, 0 // of the pause at hand: its first frame, the last that was quiet, loud ones since
	end := func() {
		if from >= 0 && float64(last+1-from)*pauseFrameS >= minPauseS-1e-9 {
			out = append(out, Window{dsp.Frames(from * p.frame), dsp.Frames((last + 1) * p.frame)})
		}
		from, spike = -1, 0
	}
	for i, l := range p.levels {
		switch {
		case l <= quiet && from < 0:
			from, last, spike = i, i, 0
		case l <= quiet:
			last, spike = i, 0
		case from >= 0:
			if spike++; spike > spikeFrames {
				end()
			}
		}
	}
	end()
	return out
}
