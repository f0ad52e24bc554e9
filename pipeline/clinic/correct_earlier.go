package clinic

import (
	"fmt"
	"math"

	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
)

const (
	earlierBands    = 12
	earlierEnoughDB = 0.6 // left in a third octave: other words differ by as much
	mostEarlierDB   = 8.0 // of one band
	mostFilledDB    = 2.0 // of a hole, by all bands that are as narrow as one
	narrowQ         = 2.0
	earlierUnderDB  = 40.0 // third octaves softer than this against the loudest don't count
)

// toEarlier are bands that bring the read's third octaves to those of the earlier
// recording, one after the other, the largest difference first, broad before
// narrow; what others already take is reckoned in. Narrow holes stay: what was
// cancelled in the air can't be lifted out of it.
func (d *drafter) toEarlier(before []fields) (items []fields) {
	bands, rate := spectrum.ThirdOctaves(), float64(d.r.RateHz)
	want := make([]float64, len(bands))
	loudest := math.Inf(-1)
	for _, v := range d.third {
		loudest = max(loudest, v)
	}
	for i, b := range bands {
		e := float64(d.o.Earlier.Likeness.Spectrum[i])
		want[i] = math.NaN()
		if b.Mid > 75 && b.Mid < min(16000, 0.42*rate) && d.third[i] > loudest-earlierUnderDB && !math.IsInf(e, 0) && !math.IsNaN(e) {
			want[i] = e - float64(d.r.Likeness.Spectrum[i])
		}
	}
	take := func(sections []kernel.Biquad) {
		for i, b := range bands {
			db, _ := kernel.Response(sections, b.Mid, rate)
			want[i] -= db
		}
	}
	for _, f := range before {
		if s, err := filter.Bell(f.number("centre_hz"), f.number("gain_db"), f.number("q"), rate); err == nil {
			take(s)
		}
	}
	level(want)
	filled := make([]float64, len(bands)) // by narrow bands, in each third octave
	for range earlierBands {
		at, q, gain := largest(bands, want, filled)
		if math.Abs(gain) < earlierEnoughDB {
			break
		}
		gain = math.Trunc(2*gain) / 2 // towards 0: bounds stay bounds
		if gain == 0 {
			break
		}
		centre := math.Round(bands[at].Mid)
		s, err := filter.Bell(centre, gain, q, rate)
		if err != nil {
			break
		}
		take(s)
		level(want)
		if gain > 0 && q >= narrowQ {
			for i, b := range bands {
				db, _ := kernel.Response(s, b.Mid, rate)
				filled[i] += db
			}
		}
		items = append(items, fields{{"shape", "bell"}, {"centre_hz", centre}, {"gain_db", gain}, {"q", q},
			{"why", fmt.Sprintf("the approved recording has %+.1f dB here", gain)}})
	}
	return items
}

// level takes the mean off what is wanted: level is no tone.
func level(db []float64) {
	sum, n := 0.0, 0.0
	for _, v := range db {
		if !math.IsNaN(v) {
			sum += v
			n++
		}
	}
	for i := range db {
		db[i] -= sum / n
	}
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
				mean = min(mean, max(0, mostFilledDB-filled[i]))
			}
			if gained := mean * mean * n; gained > best {
				best, at, q, gain = gained, i, w.q, mean
			}
		}
	}
	return at, q, gain
}

// number is a figure among fields, 0 where there is none.
func (fs fields) number(key string) float64 {
	for _, f := range fs {
		if v, ok := f.value.(float64); ok && f.key == key {
			return v
		}
	}
	return 0
}
