package meter

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// Loudness measures the loudness of ITU-R BS.1770-5 and EBU Tech 3341, and the
// loudness range of EBU Tech 3342.
//
// Momentary (400 ms) and short-term (3 s) windows slide by 10 ms (at a few rates
// a little less), because a maximum found every 100 ms reads up to 0.5 LU low
// (Tech 3341 case 13). Integrated loudness takes 400 ms blocks every 100 ms.
//
// The same narration as a mono file reads 3.01 LU below its two equal channels:
// channels add as energy.
type Loudness struct {
	weights  []float64
	filters  []*kernel.Cascade
	scratch  []float64
	hop      int         // frames between two windows
	perTenth int         // hops in 100 ms
	hops     int64       // so far
	energy   []float64   // of the last perTenth hops, a ring
	tenths   []float64   // sums of the perTenth hops up to each of the last 30·perTenth hops, a ring
	blocks   []float64   // the sums that do not overlap: 100 ms each, from the start
	pending  [][]float64 // of Write: the frames that do not fill a hop yet
	held     int         // frames in pending
	block    [][]float64 // of Write: the hop being measured

	momentary, shortTerm       float64 // energy sums of the current windows, NaN before the first
	maxMomentary, maxShortTerm float64
}

// offset of BS.1770: 997 Hz at 0 dBFS in one front channel reads −3.01 LKFS.
const loudnessOffset = -0.691

// NewLoudness measures len(weights) channels; BS.1770 weights a front channel
// (and mono) 1, a surround channel 1.41, and leaves the LFE channel out (0).
// ChannelWeights has them for the usual layouts.
func NewLoudness(rateHz int, weights ...float64) *Loudness {
	hop, perTenth := loudnessGrid(rateHz)
	l := &Loudness{
		weights: slices.Clone(weights), hop: hop, perTenth: perTenth,
		scratch: make([]float64, hop),
		energy:  make([]float64, perTenth), tenths: make([]float64, 30*perTenth),
		momentary: math.NaN(), shortTerm: math.NaN(), maxMomentary: math.NaN(), maxShortTerm: math.NaN(),
	}
	for range weights {
		l.filters = append(l.filters, kernel.NewCascade(KWeighting(float64(rateHz))))
	}
	return l
}

// loudnessGrid is the number of frames in a hop and of hops in 100 ms: 10, or
// as few more as make a hop a whole number of frames.
func loudnessGrid(rateHz int) (hop, perTenth int) {
	for perTenth = 10; perTenth < 20; perTenth++ {
		if rateHz%(10*perTenth) == 0 {
			return rateHz / (10 * perTenth), perTenth
		}
	}
	return (rateHz + 50) / 100, 10
}

// ChannelWeights are the weights of BS.1770 for 1 to 6 channels in the order
// L R C LFE Ls Rs: mono; L R; L R C; L R Ls Rs; L R C Ls Rs; L R C LFE Ls Rs.
// More channels weigh 1 each, which no standard says.
func ChannelWeights(channels int) []float64 {
	layouts := [][]float64{{1}, {1, 1}, {1, 1, 1}, {1, 1, 1.41, 1.41}, {1, 1, 1, 1.41, 1.41}, {1, 1, 1, 0, 1.41, 1.41}}
	if channels <= len(layouts) {
		return layouts[channels-1]
	}
	return slices.Repeat([]float64{1}, channels)
}

// Write takes the next samples, one slice of the same length for each channel. A
// hop that is not full counts for nothing.
func (l *Loudness) Write(ch ...[]float64) {
	if l.pending == nil {
		l.block = make([][]float64, len(ch))
		for range ch {
			l.pending = append(l.pending, make([]float64, l.hop))
		}
	}
	for from, n := 0, len(ch[0]); from < n; {
		taken := min(l.hop-l.held, n-from)
		if taken == l.hop {
			for c := range ch {
				l.block[c] = ch[c][from : from+taken]
			}
			l.add(l.block)
			from += taken
			continue
		}
		for c := range ch {
			copy(l.pending[c][l.held:], ch[c][from:from+taken])
		}
		l.held, from = l.held+taken, from+taken
		if l.held == l.hop {
			l.add(l.pending)
			l.held = 0
		}
	}
}

// add takes one hop of every channel.
func (l *Loudness) add(ch [][]float64) {
	var e float64
	for i, x := range ch {
		if l.weights[i] == 0 {
			continue
		}
		copy(l.scratch, x)
		l.filters[i].Process(l.scratch)
		e += float64(l.weights[i] * squares(l.scratch))
	}
	per := int64(l.perTenth)
	l.energy[l.hops%per] = e
	var tenth float64
	for i := range per { // oldest first; before the start the ring holds zeros
		tenth += l.energy[(l.hops+1+i)%per]
	}
	size := int64(len(l.tenths))
	at := l.hops % size
	l.tenths[at] = tenth
	l.hops++
	if l.hops%per == 0 {
		l.blocks = append(l.blocks, tenth)
	}
	if l.hops >= 4*per {
		l.momentary = l.window(at, 4)
		if !(l.maxMomentary >= l.momentary) {
			l.maxMomentary = l.momentary
		}
	}
	if l.hops >= 30*per {
		l.shortTerm = l.window(at, 30)
		if !(l.maxShortTerm >= l.shortTerm) {
			l.maxShortTerm = l.shortTerm
		}
	}
}

// window is the energy of n times 100 ms up to ring position at.
func (l *Loudness) window(at int64, n int) float64 {
	var sum float64
	for range n {
		sum += l.tenths[at]
		if at -= int64(l.perTenth); at < 0 {
			at += int64(len(l.tenths))
		}
	}
	return sum
}

// level is the loudness of an energy sum over n times 100 ms.
func (l *Loudness) level(energy float64, n int) float64 {
	return loudnessOffset + powerDB(energy/float64(n*l.perTenth*l.hop))
}

// energyAt is the energy sum over n times 100 ms that has a loudness.
func (l *Loudness) energyAt(lufs float64, n int) float64 {
	return kernel.FromPowerDB(lufs-loudnessOffset) * float64(n*l.perTenth*l.hop)
}

// Momentary is the loudness of the last 400 ms, not gated; NaN before the first.
func (l *Loudness) Momentary() dsp.LUFS { return dsp.LUFS(l.level(l.momentary, 4)) }

// ShortTerm is the loudness of the last 3 s, not gated; NaN before the first.
func (l *Loudness) ShortTerm() dsp.LUFS { return dsp.LUFS(l.level(l.shortTerm, 30)) }

// MaxMomentary is the largest Momentary; NaN for less than 400 ms.
func (l *Loudness) MaxMomentary() dsp.LUFS { return dsp.LUFS(l.level(l.maxMomentary, 4)) }

// MaxShortTerm is the largest ShortTerm; NaN for less than 3 s.
func (l *Loudness) MaxShortTerm() dsp.LUFS { return dsp.LUFS(l.level(l.maxShortTerm, 30)) }

// Integrated is the gated loudness of everything so far, and the number of
// 400 ms blocks that passed both gates: −70 LUFS, and 10 LU below the loudness
// of what passed the first. It is −Inf where nothing passes, NaN for less than
// 400 ms.
func (l *Loudness) Integrated() (dsp.LUFS, int) {
	if len(l.blocks) < 4 {
		return dsp.LUFS(dsp.Unmeasured), 0
	}
	gated := func(gate float64) (mean float64, n int) {
		var sum float64
		for i := range len(l.blocks) - 3 {
			b := l.blocks[i : i+4]
			if e := ((b[0] + b[1]) + b[2]) + b[3]; e > gate {
				sum += e
				n++
			}
		}
		return sum / float64(n), n
	}
	absolute := l.energyAt(-70, 4)
	mean, n := gated(absolute)
	if n == 0 {
		return dsp.LUFS(dsp.Silence), 0
	}
	mean, n = gated(max(absolute, mean/10))
	return dsp.LUFS(l.level(mean, 4)), n
}

// Range is the loudness range: the distance from the 10th to the 95th percentile
// of the short-term loudness every 100 ms, without what is below −70 LUFS or
// 20 LU below the mean of the rest. It is NaN where nothing is left, and not
// steady in the first minute.
func (l *Loudness) Range() dsp.DB {
	var kept []float64
	absolute := l.energyAt(-70, 30)
	var sum float64
	for i := 0; i+30 <= len(l.blocks); i++ {
		var e float64
		for _, b := range l.blocks[i : i+30] {
			e += b
		}
		if e > absolute {
			kept = append(kept, e)
			sum += e
		}
	}
	gate := sum / float64(len(kept)) / 100
	kept = slices.DeleteFunc(kept, func(e float64) bool { return e <= gate })
	if len(kept) == 0 {
		return dsp.DB(dsp.Unmeasured)
	}
	slices.Sort(kept)
	at := func(p float64) float64 { return kept[int(math.Round(float64(len(kept)-1)*p))] }
	return dsp.DB(powerDB(at(0.95) / at(0.10)))
}
