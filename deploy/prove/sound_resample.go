package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"

	"chapterhouse/dsp"
	"chapterhouse/dsp/resample"
)

const (
	passLimitDB   = 0.01
	stopLimitDB   = -100
	thdnLimitDB   = -120
	alias23Limit  = -100
	resampleMaxDB = -1
)

// resampleRows measures conversion between the rates of deliveries, 48 to
// 44.1 kHz first.
func resampleRows(ctx context.Context, s *site, t *table) error {
	random := rand.New(rand.NewPCG(s.seed, 8))
	for _, pair := range [][2]int{{48000, 44100}, {96000, 44100}, {44100, 48000}} {
		if err := ctx.Err(); err != nil {
			return err
		}
		from, to := pair[0], pair[1]
		r, err := resample.New(from, to)
		if err != nil {
			return err
		}
		convert := func(x []float64) []float64 {
			var y []float64
			emit := func(part []float64) { y = append(y, part...) }
			for len(x) > 0 {
				n := min(len(x), 1+random.IntN(5000))
				r.Write(x[:n], emit)
				x = x[n:]
			}
			r.Close(emit)
			return y
		}
		name := fmt.Sprintf("resampling %g to %g kHz, ", float64(from)/1000, float64(to)/1000)
		// middle is the second of three, in which tones hold whole periods.
		middle := func(y []float64) []float64 { return append([]float64{}, y[to:2*to]...) }
		pass, thdn := 0.0, math.Inf(-1)
		for _, hz := range []float64{20, 997, 5000, 10000, 15000, 18000, 19500, 20000} {
			y := middle(convert(sineWave(hz, resampleMaxDB, float64(from), 3*from)))
			a := takeSine(y, hz, float64(to))
			pass = max(pass, math.Abs(inDB(a)-resampleMaxDB))
			if hz == 997 {
				thdn = rmsDB(y) - (inDB(a) - inDB(math.Sqrt2))
			}
		}
		t.atMost(name+"pass band, 20 Hz to 20 kHz", pass, passLimitDB, "%.5f dB", "off")
		t.atMost(name+"THD+N of 997 Hz at -1 dBFS", thdn, thdnLimitDB, "%.1f dB", "")
		if from > to {
			stop := math.Inf(-1)
			half := float64(to) / 2
			for _, share := range []float64{0.001, 0.01, 0.1, 0.3, 0.6, 0.9} {
				y := middle(convert(sineWave(half+share*(float64(from)/2-half), resampleMaxDB, float64(from), 3*from)))
				stop = max(stop, rmsDB(y)+inDB(math.Sqrt2)-resampleMaxDB)
			}
			t.atMost(name+"stop band, from half the lower rate on", stop, stopLimitDB, "%.1f dB", "")
			y := middle(convert(sineWave(23000, resampleMaxDB, float64(from), 3*from)))
			t.atMost(name+"what 23 kHz at -1 dBFS leaves", rmsDB(y)+inDB(math.Sqrt2), alias23Limit, "%.1f dBFS", "")
		}
		off := dsp.Frames(0)
		for range 20 {
			n := 1 + random.IntN(60000)
			want := (dsp.Frames(n)*dsp.Frames(to) + dsp.Frames(from) - 1) / dsp.Frames(from)
			off = max(off, want-dsp.Frames(len(convert(make([]float64, n)))), dsp.Frames(len(convert(make([]float64, n))))-want)
		}
		t.atMost(name+"frames off n·to/from rounded up", float64(off), 0, "%.0f", "20 lengths")
		x := make([]float64, 2*from/100+1) // an impulse at a time that both rates have
		x[from/100] = 1
		y, asymmetry := convert(x), 0.0
		for i := 1; i < to/100; i++ {
			asymmetry = max(asymmetry, math.Abs(y[to/100-i]-y[to/100+i]))
		}
		t.atMost(name+"asymmetry of an impulse", asymmetry, 0, "%g", "to the bit")
	}
	return nil
}
