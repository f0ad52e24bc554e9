package testread

import (
	"math"

	"chapterhouse/testdata/voices/booth"
	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/narration"
)

// Room adds noise, through the walls or from the wire, as its kind has it.
func Room(walls, noise string, seed uint64) Spoil {
	return func(x []float64, rateHz float64) {
		b, err := booth.Parse(walls)
		if err != nil {
			panic(err)
		}
		noises, err := booth.ParseNoises(noise)
		if err != nil {
			panic(err)
		}
		random, dry := exact.NewRandom(seed, "calibration"), make([]float64, 1<<16)
		for i := range dry {
			dry[i] = random.White() // nobody speaks: any level will do
		}
		at := 0
		rec := booth.New(booth.Setup{Booth: b, Noises: noises, SpeechDBFS: -60, RateHz: rateHz, Seed: seed}, dry, func(block []float64) error {
			for _, v := range block {
				x[at] += v
				at++
			}
			return nil
		})
		if err := rec.Record(make([]float64, len(x))); err != nil {
			panic(err)
		}
		if err := rec.Flush(int64(len(x))); err != nil {
			panic(err)
		}
	}
}

// Pops are breaths that strike the microphone, so many in a minute of what is
// spoken, each of a plain RMS.
func Pops(l narration.Labels, aMinute, dbfs float64) Spoil {
	return func(x []float64, rateHz float64) {
		random, g := exact.NewRandom(l.Seed, "pops"), exact.Amplitude(dbfs)
		for _, m := range l.Marks {
			if m.Kind != "sentence" {
				continue
			}
			step := 60 / aMinute * rateHz
			for at := float64(m.From) + step*random.Uniform(); at < float64(m.To)-0.1*rateHz; at += step * random.Between(0.7, 1.3) {
				for i, v := range narration.Pop(random, rateHz) {
					x[int(at)+i] += float64(g * v)
				}
			}
		}
	}
}

// Clicks are clicks of the mouth in pauses once it has begun to speak, so many in a minute of the whole, their
// highest at a level: damped 2 to 5 kHz, over within 2 ms.
func Clicks(l narration.Labels, aMinute, peakDBFS float64) Spoil {
	return func(x []float64, rateHz float64) {
		random, g := exact.NewRandom(l.Seed, "clicks"), exact.Amplitude(peakDBFS)
		quiet := 0.0
		for _, m := range l.Marks {
			if m.Kind == "room-tone" && m.From > 0 {
				quiet += float64(m.To - m.From)
			}
		}
		step := 60 / aMinute * rateHz * quiet / float64(len(x))
		next := step * random.Uniform()
		for _, m := range l.Marks {
			if m.Kind != "room-tone" || m.From == 0 {
				continue
			}
			for ; next < float64(m.To-m.From)-0.05*rateHz; next += step * random.Between(0.6, 1.4) {
				hz, size := random.Between(2000, 5000), random.Between(0.5, 1)
				for i := range int(0.002 * rateHz) {
					s := float64(i) / rateHz
					x[int(m.From)+int(next)+i] += float64(g*size*exact.Exp(-s/0.0005)) * exact.Sin(float64(2*math.Pi)*hz*s)
				}
			}
			next = max(0.02*rateHz, next-float64(m.To-m.From))
		}
	}
}

// Wander turns a voice up and down by so many decibels over and under, in waves
// of 14 s: a narrator who moves about.
func Wander(db float64) Spoil {
	return func(x []float64, rateHz float64) {
		for i := range x {
			x[i] *= exact.Amplitude(db * exact.Sin(float64(2*math.Pi)*float64(i)/(14*rateHz)))
		}
	}
}

// Gain is another setting of the preamp.
func Gain(db float64) Spoil {
	return func(x []float64, _ float64) {
		g := exact.Amplitude(db)
		for i := range x {
			x[i] *= g
		}
	}
}

// Peak turns the preamp so that the highest sample would lie at a level.
func Peak(dbfs float64) Spoil {
	return func(x []float64, rateHz float64) {
		top := 0.0
		for _, v := range x {
			top = max(top, math.Abs(v))
		}
		Gain(dbfs-exact.Decibels(top))(x, rateHz)
	}
}

// A section is a filter of second order after the Audio EQ Cookbook (W3C note).
type section struct{ b0, b1, b2, a1, a2 float64 }

func (s section) run(x []float64) {
	var u, v float64 // transposed direct form II
	for i, in := range x {
		y := float64(s.b0*in) + u
		u = float64(s.b1*in) - float64(s.a1*y) + v
		v = float64(s.b2*in) - float64(s.a2*y)
		x[i] = y
	}
}

// Bell lifts what is about hz by db.
func Bell(hz, q, db float64) Spoil {
	return func(x []float64, rateHz float64) {
		w := float64(2*math.Pi) * hz / rateHz
		c, alpha, a := exact.Cos(w), exact.Sin(w)/(2*q), exact.Amplitude(db/2)
		a0 := 1 + alpha/a
		section{(1 + float64(alpha*a)) / a0, -2 * c / a0, (1 - float64(alpha*a)) / a0, -2 * c / a0, (1 - alpha/a) / a0}.run(x)
	}
}

// HighShelf lifts what is above hz by db, LowShelf what is below.
func HighShelf(hz, db float64) Spoil {
	return func(x []float64, rateHz float64) { shelf(hz, db, rateHz, -1).run(x) }
}

// LowShelf lifts what is below hz by db, as a directional microphone does nearby.
func LowShelf(hz, db float64) Spoil {
	return func(x []float64, rateHz float64) { shelf(hz, db, rateHz, 1).run(x) }
}

func shelf(hz, db, rateHz, side float64) section {
	w := float64(2*math.Pi) * hz / rateHz
	c, alpha, a := side*exact.Cos(w), exact.Sin(w)/2*math.Sqrt2, exact.Amplitude(db/2)
	k := 2 * float64(math.Sqrt(a)*alpha)
	up, down := a+1, a-1
	a0 := up + float64(down*c) + k
	return section{a * (up - float64(down*c) + k) / a0, side * 2 * a * (down - float64(up*c)) / a0, a * (up - float64(down*c) - k) / a0,
		-side * 2 * (down + float64(up*c)) / a0, (up + float64(down*c) - k) / a0}
}

// envelope follows |x|: it rises within attackS and falls within releaseS.
func envelope(x []float64, attackS, releaseS, rateHz float64) []float64 {
	up, down := 1-exact.Exp(-1/(attackS*rateHz)), 1-exact.Exp(-1/(releaseS*rateHz))
	out, e := make([]float64, len(x)), 0.0
	for i, v := range x {
		k := down
		if math.Abs(v) > e {
			k = up
		}
		e += float64(k * (math.Abs(v) - e))
		out[i] = e
	}
	return out
}

// Gate turns down by so many decibels what is under a level, within 5 ms of a
// word's start and 150 ms after its end.
func Gate(thresholdDBFS, db float64) Spoil {
	return func(x []float64, rateHz float64) {
		e := envelope(x, 0.002, 0.08, rateHz)
		open, closed := exact.Amplitude(thresholdDBFS), exact.Amplitude(-db)
		up, down := 1-exact.Exp(-1/(0.005*rateHz)), 1-exact.Exp(-1/(0.15*rateHz))
		g := closed
		for i := range x {
			if e[i] > open {
				g += float64(up * (1 - g))
			} else {
				g += float64(down * (closed - g))
			}
			x[i] *= g
		}
	}
}

// Limit holds peaks under a level: the gain falls 1 ms ahead and comes back
// within 60 ms.
func Limit(ceilingDBFS float64) Spoil {
	return func(x []float64, rateHz float64) {
		top, ahead, back := exact.Amplitude(ceilingDBFS), int(0.001*rateHz), 1-exact.Exp(-1/(0.06*rateHz))
		want := make([]float64, len(x))
		for i, v := range x {
			want[i] = min(1, top/max(math.Abs(v), 1e-9))
		}
		g := 1.0
		for i := range x {
			least := 1.0
			for k := i; k < min(len(x), i+ahead); k++ {
				least = min(least, want[k])
			}
			if least < g {
				g = least
			} else {
				g += float64(back * (least - g))
			}
			x[i] *= g
		}
	}
}

// Compress turns down what is over a level, ratio to one, within 5 ms and back
// within 150.
func Compress(thresholdDBFS, ratio float64) Spoil {
	return func(x []float64, rateHz float64) {
		e := envelope(x, 0.005, 0.15, rateHz)
		for i := range x {
			if over := exact.Decibels(max(e[i], 1e-9)) - thresholdDBFS; over > 0 {
				x[i] *= exact.Amplitude(-over * (1 - 1/ratio))
			}
		}
	}
}

// Denoise subtracts the noise of the first seconds from every spectrum, with
// nothing done about what chance leaves standing: magnitudes less k times the
// noise's, no lower than a floor (Boll 1979).
func Denoise(toneS, k, floorDB float64) Spoil {
	return func(x []float64, rateHz float64) {
		const size, hop = 2048, 512
		fft := exact.NewFFT(size)
		window := make([]float64, size)
		for i := range window {
			window[i] = 0.5 - float64(0.5*exact.Cos(float64(2*math.Pi)*float64(i)/size))
		}
		re, im := make([]float64, size), make([]float64, size)
		take := func(at int) {
			clear(im)
			for i := range re {
				re[i] = x[at+i] * window[i]
			}
			fft.Forward(re, im)
		}
		noise, n := make([]float64, size), 0.0
		for at := 0; at+size < min(len(x), int(toneS*rateHz)); at += hop {
			take(at)
			for i := range re {
				noise[i] += math.Sqrt(float64(re[i]*re[i]) + float64(im[i]*im[i]))
			}
			n++
		}
		least, out := exact.Amplitude(floorDB), make([]float64, len(x))
		for at := 0; at+size <= len(x); at += hop {
			take(at)
			for i := range re {
				m := math.Sqrt(float64(re[i]*re[i]) + float64(im[i]*im[i]))
				g := max(least, 1-k*noise[i]/n/max(m, 1e-12))
				re[i] *= g
				im[i] *= g
			}
			fft.Inverse(re, im)
			for i := range re {
				out[at+i] += float64(re[i]*window[i]) / 1.5 // squared windows a quarter apart add up to it
			}
		}
		copy(x, out)
	}
}
