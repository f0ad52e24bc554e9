package check

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// Limits chosen on the tuning voices.
const (
	clickFromHz, clickToHz = 2000.0, 10000.0
	clickLeastHz           = 16000 // the lowest rate at which enough of that is left

	clickAroundMS  = 40.0 // what a click is held against, on either side
	clickLevelMS   = 2.0  // that its level is the mean of
	clickEdgeMS    = 1.0  // that belongs neither to it nor to what is around
	clickLongestMS = 4.0  // with what a booth makes of 2 ms
	clickEnds      = 0.05 // -13 dB: where it ends
	clickGap       = 4    // control steps that it may drop below that
	clickOthers    = 2.5  // +4 dB over any other moment around
	clickLeastDB   = 9.0  // what is taken note of
	// clickQuietest keeps muted pauses from making a click of the last bit.
	clickQuietest = 1e-10
)

// A clickPlace is a moment that stands out from 2 to 10 kHz.
type clickPlace struct {
	at      dsp.Frames
	over    float64 // dB over what is around, on the louder side
	levelDB float64 // plain RMS of 2 ms
}

// clickFinder finds moments of up to 2 ms that stand out from 2 to 10 kHz on
// both sides. A stop's burst is longer or has a vowel beside it, the beat of the
// vocal folds has others like it.
//
// The stage that mends clicks models the sound first, so that it can fill the
// gap. Here it is asked what a listener hears, so the sound itself is held
// against what is around.
type clickFinder struct {
	rateHz, step, reach int // samples a control step; control steps that are held before and after
	band                *kernel.Cascade
	block               []float64  // up to a quantum
	powers              []float64  // one a control step: reach, a quantum's, reach
	sums                []float64  // of powers before each
	at                  dsp.Frames // of powers[0]
	places              []clickPlace
	ended               bool
}

func newClickFinder(rateHz int) *clickFinder {
	f := &clickFinder{rateHz: rateHz}
	if rateHz < clickLeastHz {
		return f
	}
	rate := float64(rateHz)
	high, err := filter.Highpass(clickFromHz, 24, rate)
	if err != nil {
		panic(err) // the corners lie within any rate that is heard
	}
	low, err := filter.Lowpass(min(clickToHz, 0.4*rate), 24, rate)
	if err != nil {
		panic(err)
	}
	f.band = kernel.NewCascade(append(high, low...))
	f.step = dsp.ControlStep(rate)
	f.reach = f.steps(clickAroundMS+2*clickLongestMS) + 1
	f.block = make([]float64, 0, dsp.Quantum)
	f.powers = make([]float64, 2*f.reach+dsp.Quantum/f.step)
	f.sums = make([]float64, len(f.powers)+1)
	f.at = -dsp.Frames(len(f.powers) * f.step)
	return f
}

func (f *clickFinder) steps(ms float64) int { return dsp.Controls(ms, float64(f.rateHz)) }

func (f *clickFinder) hear(x []float64) {
	if f.band == nil {
		return
	}
	for len(x) > 0 {
		n := min(dsp.Quantum-len(f.block), len(x))
		f.block = append(f.block, x[:n]...)
		if x = x[n:]; len(f.block) == dsp.Quantum {
			f.quantum()
		}
	}
}

// end gives what was found in all.
func (f *clickFinder) end() []clickPlace {
	if f.band != nil && !f.ended {
		f.ended = true
		n := f.at + dsp.Frames(len(f.powers)*f.step+len(f.block))
		for f.at+dsp.Frames(f.reach*f.step) < n {
			f.hear(make([]float64, dsp.Quantum-len(f.block)))
		}
	}
	return f.places
}

func (f *clickFinder) quantum() {
	f.band.Process(f.block)
	n := dsp.Quantum / f.step
	copy(f.powers, f.powers[n:])
	kernel.Powers(f.powers[len(f.powers)-n:], f.block, f.step)
	f.block = f.block[:0]
	f.at += dsp.Quantum
	sum := 0.0
	for i, p := range f.powers {
		sum += p
		f.sums[i+1] = sum
	}
	// A peak that is no more than this over all that is around is no click.
	const worthwhile = 5
	around := f.steps(clickAroundMS)
	for i := f.reach; i < f.reach+n; i++ {
		if p := f.powers[i]; p > f.powers[i-1] && p >= f.powers[i+1] && p*float64(2*around) > worthwhile*(f.sums[i+around]-f.sums[i-around]) {
			f.judge(i)
		}
	}
}

// judge takes note of a click whose peak is control step i.
func (f *clickFinder) judge(i int) {
	p, longest := f.powers[i], f.steps(clickLongestMS)
	if slices.Max(f.powers[i-longest:i+longest+1]) > p {
		return
	}
	from, to := f.extent(i, longest)
	if to-from > longest {
		return
	}
	edge, around := f.steps(clickEdgeMS), f.steps(clickAroundMS)
	before, after := f.mean(i-around, from-edge), f.mean(to+edge, i+around)
	level := f.mean(from, from+f.steps(clickLevelMS))
	local := max(before, after, clickQuietest)
	if level < local*kernel.FromPowerDB(clickLeastDB) {
		return
	}
	if most := max(slices.Max(f.powers[i-around:from-edge]), slices.Max(f.powers[to+edge:i+around])); p < clickOthers*most {
		return
	}
	f.places = append(f.places, clickPlace{f.at + dsp.Frames(from*f.step), 10 * math.Log10(level/local), 10 * math.Log10(level)})
}

// mean is that of powers[from:to].
func (f *clickFinder) mean(from, to int) float64 {
	return max(0, f.sums[to]-f.sums[from]) / float64(to-from)
}

// extent is from where to where what is around a peak lies over its end.
func (f *clickFinder) extent(i, longest int) (from, to int) {
	ends := clickEnds * f.powers[i]
	from, to = i, i+1
	for k, below := i-1, 0; k > i-longest && below < clickGap; k-- {
		if below++; f.powers[k] > ends {
			from, below = k, 0
		}
	}
	for k, below := i+1, 0; k < i+longest+clickGap && below < clickGap; k++ {
		if below++; f.powers[k] > ends {
			to, below = k+1, 0
		}
	}
	return from, to
}
