package clinic

import (
	"cmp"
	"math"
	"slices"

	"chapterhouse/dsp"
)

// A steadyLine is a steady tone in the room: a machine's, or the mains'.
type steadyLine struct {
	Hz    float64
	power float64 // mean square
	mains bool
}

const (
	linesS      = 0.74 // of a frame: lines are then 3 Hz wide
	linesToHz   = 3000.0
	linesLeast  = 6    // frames
	linesOver   = 6.3  // 8 dB over the noise around
	linesSteady = 0.5  // spread of a line's power, of its mean: a tone's is 0, that of noise and of what a booth makes of noise is 1
	linesMains  = 0.01 // of a multiple of the mains' frequency, and
	linesMainHz = 1.0
)

// linesOf finds the lines of a room tone, the strongest first. What a booth makes of
// noise can be as narrow, but flares up and dies away as noise does.
func linesOf(r *Read) (out []steadyLine) {
	n := sizeOf(linesS, r.RateHz)
	f, err := newFrames(n)
	if err != nil {
		return nil
	}
	bins := min(int(linesToHz*float64(n)/float64(r.RateHz)), n/2-1)
	sum, squares, count := make([]float64, bins+2), make([]float64, bins+2), 0.0
	for _, s := range r.pieces() {
		for at := s.From; at+dsp.Frames(n) <= s.To; at += dsp.Frames(n / 2) {
			p := f.of(r.x[at : at+dsp.Frames(n)])
			for k := 1; k <= bins; k++ {
				v := p[k-1] + p[k] + p[k+1]
				sum[k] += v
				squares[k] += v * v
			}
			count++
		}
	}
	if count < linesLeast {
		return nil
	}
	width := float64(r.RateHz) / float64(n)
	for k := 4; k < bins; k++ {
		if sum[k] < sum[k-1] || sum[k] <= sum[k+1] || sum[k] < max(sum[k-2], sum[k+2]) {
			continue
		}
		mean := sum[k] / count
		spread := math.Sqrt(max(0, squares[k]/count-mean*mean)) / mean
		around := neighbours(sum, k, bins) / count
		if mean < linesOver*around || spread > linesSteady {
			continue
		}
		// Three bins hold all of a tone under a Hann window.
		out = append(out, steadyLine{Hz: float64(k) * width, power: mean - around})
	}
	for i := range out {
		for _, m := range r.Marks.Mains {
			order := math.Round(out[i].Hz / m.Hz)
			if order >= 1 && math.Abs(out[i].Hz-order*m.Hz) <= max(linesMainHz, linesMains*m.Hz) {
				out[i].mains = true
			}
		}
	}
	slices.SortStableFunc(out, func(a, b steadyLine) int { return cmp.Compare(b.power, a.power) })
	return out
}

// neighbours is the middle one of the bins within a third of an octave about one,
// without those beside it.
func neighbours(sum []float64, k, bins int) float64 {
	var all []float64
	reach := max(10, int(0.12*float64(k)))
	for i := max(1, k-reach); i <= min(bins, k+reach); i++ {
		if i < k-3 || i > k+3 {
			all = append(all, sum[i])
		}
	}
	return share(all, 0.5)
}
