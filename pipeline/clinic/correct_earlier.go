package clinic

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
)

const (
	earlierBands    = 18   // at most
	earlierEnoughDB = 0.6  // left in a third octave: other words differ by as much
	mostEarlierDB   = 8.0  // of one band
	mostFilledDB    = 2.0  // of a hole, by all bands that are as narrow as one
	narrowQ         = 1.0  // and over: what spans less than three octaves may be a hole
	earlierUnderDB  = 40.0 // third octaves softer than this against the loudest don't count
	earlierLowHz    = 75.0
	earlierHighHz   = 16000.0
)

// likeEarlier adds an eq that brings what steps make of the read to the earlier
// recording; a de-esser behind them is reckoned in, for sharp esses are its work.
func (d *drafter) likeEarlier(steps []step, deeper float64) ([]step, error) {
	if d.earlier == nil {
		return steps, nil
	}
	with, err := d.softened(steps, deeper)
	if err != nil {
		return nil, err
	}
	y, _, err := d.sounded(with)
	if err != nil {
		return nil, err
	}
	rateHz := d.o.Earlier.RateHz
	to := bandsDB(d.earlier, rateHz, spectrum.ThirdOctaves())
	for i, b := range spectrum.ThirdOctaves() {
		if b.Mid <= earlierLowHz || b.Mid > min(earlierHighHz, 0.42*float64(min(d.r.RateHz, rateHz))) {
			to[i] = math.NaN()
		}
	}
	items := toEarlier(powerSpeaking(y, d.r.Marks.Phrases), d.r.RateHz, to)
	if len(items) == 0 {
		return steps, nil
	}
	return append(slices.Clone(steps), step{stage: "eq", items: items, corrective: true}), nil
}

// toEarlier are bands that bring a power spectrum to third octaves at one speech
// level, dB, NaN where they don't count: one after the other, the largest
// difference first, broad before narrow; what others already take is reckoned in.
// Narrow holes stay: what was cancelled in the air can't be lifted out of it.
func toEarlier(power []float64, rateHz int, to []float64) (items []fields) {
	bands, rate := spectrum.ThirdOctaves(), float64(rateHz)
	now := slices.Clone(power)
	want := wanted(bandsDB(now, rateHz, bands), to)
	filled := make([]float64, len(bands)) // by narrow bands, in each third octave
	for range earlierBands {
		at, q, gain := largest(bands, want, filled)
		if gain == 0 {
			break
		}
		gain = math.Trunc(2*gain) / 2 // towards 0: bounds stay bounds
		centre := math.Round(bands[at].Mid)
		s, err := filter.Bell(centre, gain, q, rate)
		if err != nil {
			break
		}
		for k := range now {
			db, _ := kernel.Response(s, float64(k)*rate/float64(2*(len(now)-1)), rate)
			now[k] *= math.Pow(10, db/10)
		}
		want = wanted(bandsDB(now, rateHz, bands), to)
		if gain > 0 && q >= narrowQ {
			for i, b := range bands {
				db, _ := kernel.Response(s, b.Mid, rate)
				filled[i] += db
			}
		}
		items = append(items, fields{{"shape", "bell"}, {"centre_hz", centre}, {"gain_db", gain}, {"q", q},
			{"why", fmt.Sprintf("%+.1f dB here, after the bands before, bring it to the approved recording", gain)}})
	}
	return items
}

// wanted is how far each third octave stands under where it is to be once both
// have the same level in all that count; NaN where they don't, or it has next to
// nothing.
func wanted(now, to []float64) []float64 {
	want := make([]float64, len(to))
	least := slices.Max(now) - earlierUnderDB
	var has, goal float64 // the power of all
	for i := range want {
		if want[i] = to[i] - now[i]; now[i] < least || math.IsInf(want[i], 0) {
			want[i] = math.NaN()
		}
		if !math.IsNaN(want[i]) {
			has, goal = has+math.Pow(10, now[i]/10), goal+math.Pow(10, to[i]/10)
		}
	}
	for i := range want {
		want[i] += 10 * math.Log10(has/goal)
	}
	return want
}

// largest is the band of one of four widths that takes most of what is wanted;
// filled is what narrow ones lift already.
func largest(bands []spectrum.Band, want, filled []float64) (at int, q, gain float64) {
	best := 0.0
	for _, w := range []struct {
		reach int
		q     float64
	}{{4, 0.5}, {2, 1}, {1, 2}, {0, 4.3}} {
		for i := range bands {
			sum, n := 0.0, 0.0
			for k := max(0, i-w.reach); k <= min(len(bands)-1, i+w.reach); k++ {
				if !math.IsNaN(want[k]) {
					sum += want[k]
					n++
				}
			}
			if n < float64(w.reach+1) || math.IsNaN(want[i]) {
				continue
			}
			mean := bounded(sum/n, -mostEarlierDB, mostEarlierDB)
			if w.q >= narrowQ {
				// It lifts its neighbours too, by no more.
				already := slices.Max(filled[max(0, i-w.reach-1):min(len(bands), i+w.reach+2)])
				mean = min(mean, max(0, mostFilledDB-already))
			}
			if gained := mean * mean * n; gained > best && math.Abs(mean) >= earlierEnoughDB {
				best, at, q, gain = gained, i, w.q, mean
			}
		}
	}
	return at, q, gain
}
