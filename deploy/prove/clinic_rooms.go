package main

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	acoustics "chapterhouse/dsp/room"
	"chapterhouse/testdata/voices/booth"
)

// What a booth's own resonance is: a peak of its transfer function from one place
// to the microphone.
const (
	trueLeastDB = 6.0 // over the octave's median
	trueSomeDB  = 3.0 // from which on there is something that can be told
	trueBroadQ  = 5.0
	trueNarrowQ = 30.0
	trueAxialPC = 3.0 // off a frequency of one side alone
	trueLowHz   = 60.0
	trueHighHz  = 400.0
	trueGrid    = 120 // points an octave
	samePC      = 6.0 // within which two sides, or whole multiples, can't be told apart
)

// A trueRoom is a booth and what its sides do.
type trueRoom struct {
	text  string
	booth booth.Booth
	sides map[string]float64
}

// randomRoom is a booth with sides from 1 to 2.2 m, bare below and padded above
// by chance.
func randomRoom(random *rand.Rand) (trueRoom, error) {
	side := func() float64 { return math.Round(100*(1+1.2*random.Float64())) / 100 }
	text := fmt.Sprintf("%gx%gx%g,low=%.2f,high=%.2f", side(), side(), side(), 0.05+0.2*random.Float64(), 0.4+0.4*random.Float64())
	b, err := booth.Parse(text)
	return trueRoom{text, b, map[string]float64{"width": b.WidthM, "depth": b.DepthM, "height": b.HeightM}}, err
}

// A truePeak is an axial resonance.
type truePeak struct {
	hz, q, overDB float64
	sides         []string // that may be blamed: the nearest first, then those that can't be told from it
}

// axial are the axial resonances that reach the microphone from a place.
func (r trueRoom) axial(from [3]float64) (all []truePeak) {
	for _, p := range r.peaks(from) {
		if p.overDB < trueLeastDB || p.q < trueBroadQ || p.q > trueNarrowQ {
			continue
		}
		if p.sides = r.blamed(p.hz); len(p.sides) > 0 {
			all = append(all, p)
		}
	}
	return all
}

// peaks are those of the way from a place to the microphone.
func (r trueRoom) peaks(from [3]float64) (all []truePeak) {
	const rate, n = 44100.0, 16384
	h := r.booth.Response(from, rate, n)
	points := int(trueGrid * math.Log2(2*trueHighHz/(trueLowHz/2)))
	hz := func(at float64) float64 { return trueLowHz / 2 * math.Exp2(at/trueGrid) }
	db := make([]float64, points)
	for i := range db {
		turn := 2 * math.Pi * hz(float64(i)) / rate
		var re, im float64
		for k, v := range h {
			sin, cos := math.Sincos(turn * float64(k))
			re += v * cos
			im += v * sin
		}
		db[i] = 10 * math.Log10(re*re+im*im)
	}
	for i := trueGrid / 2; i < points-trueGrid/2; i++ {
		if db[i] <= db[i-1] || db[i] < db[i+1] || hz(float64(i)) < trueLowHz || hz(float64(i)) > trueHighHz {
			continue
		}
		octave := slices.Sorted(slices.Values(db[i-trueGrid/2 : i+trueGrid/2+1]))
		all = append(all, truePeak{hz: hz(float64(i)), overDB: db[i] - octave[len(octave)/2], q: qualityAt(db, i)})
	}
	return all
}

// qualityAt is the centre over the width 3 dB down; a side that does not fall so
// far counts as the other.
func qualityAt(db []float64, i int) float64 {
	side := func(step int) float64 {
		j, under := i, db[i]-3
		for j > 0 && j < len(db)-1 && db[j] > under {
			if j += step; db[j] > db[i] {
				return math.Inf(1)
			}
		}
		return math.Abs(float64(j-i)) - (under-db[j])/(db[j-step]-db[j])
	}
	low, high := side(-1), side(1)
	low, high = min(low, 2*high), min(high, 2*low)
	return 1 / (math.Exp2(high/trueGrid) - math.Exp2(-low/trueGrid))
}

// blamed are the sides with a standing wave at a frequency, the nearest first,
// and those that are as long as one of them, or a whole multiple.
func (r trueRoom) blamed(hz float64) (names []string) {
	c := acoustics.SpeedOfSound(20)
	type near struct {
		side string
		off  float64
	}
	var all []near
	for name, m := range r.sides {
		first := c / 2 / m
		n := max(1, math.Round(hz/first))
		if off := 100 * math.Abs(hz/(n*first)-1); off <= trueAxialPC {
			all = append(all, near{name, off})
		}
	}
	slices.SortFunc(all, func(a, b near) int { return cmp.Or(cmp.Compare(a.off, b.off), cmp.Compare(a.side, b.side)) })
	for _, a := range all {
		names = append(names, a.side)
	}
	for _, a := range all {
		for name, m := range r.sides {
			if !slices.Contains(names, name) && untold(m, r.sides[a.side]) {
				names = append(names, name)
			}
		}
	}
	return names
}

// untold tells whether two sides are as long as each other or as a multiple.
func untold(a, b float64) bool {
	ratio := max(a, b) / min(a, b)
	n := math.Round(ratio)
	return 100*math.Abs(ratio/n-1) <= samePC
}
