package meter

import (
	"math"
	"math/rand/v2"
)

// A booth makes narration with known answers.
type booth struct {
	rateHz int
	rng    *rand.Rand
	x      []float64 // room tone, then what is laid over it
	tone   []float64 // room tone alone
	spoken []stretch // words, in samples
}

// noises are room tones: each makes one sample at a time.
func noises(rateHz int, rng *rand.Rand) map[string]func(i int) float64 {
	white := func() float64 { return 2*rng.Float64() - 1 }
	var brown, b0, b1, b2, hiss float64
	leak := 2 * math.Pi * 25 / float64(rateHz)
	return map[string]func(int) float64{
		"white": func(int) float64 { return white() },
		"brown": func(int) float64 { brown += white() - leak*brown; return brown },
		"pink": func(int) float64 { // three one-poles
			w := white()
			b0 = 0.99765*b0 + 0.0990460*w
			b1 = 0.96300*b1 + 0.2965164*w
			b2 = 0.57000*b2 + 1.0526913*w
			return b0 + b1 + b2 + 0.1848*w
		},
		"hum and hiss": func(i int) float64 {
			hiss += 0.5 * (white() - hiss)
			at := 2 * math.Pi * float64(i) / float64(rateHz)
			return 2*math.Sin(50*at) + math.Sin(100*at+1) + 0.5*math.Sin(150*at+2) + hiss
		},
	}
}

// newBooth fills seconds with room tone of a level.
func newBooth(rateHz int, seconds float64, kind string, floorDBFS float64, seed uint64) *booth {
	b := &booth{rateHz: rateHz, rng: rand.New(rand.NewPCG(seed, 99))}
	noise := noises(rateHz, b.rng)[kind]
	b.tone = make([]float64, int(seconds*float64(rateHz)))
	for range rateHz {
		noise(0) // settle
	}
	for i := range b.tone {
		b.tone[i] = noise(i)
	}
	scale := math.Pow(10, floorDBFS/20) / math.Sqrt(squares(b.tone)/float64(len(b.tone)))
	for i := range b.tone {
		b.tone[i] *= scale
	}
	b.x = append([]float64(nil), b.tone...)
	return b
}

func (b *booth) at(seconds float64) int { return int(seconds * float64(b.rateHz)) }

// word lays a buzz with formant-like colour at about a level of RMS over
// [from, to) seconds, with an attack of 5 ms and a decay of 20.
func (b *booth) word(from, to, dbfs float64) {
	lo, hi := b.at(from), min(b.at(to), len(b.x))
	attack, decay := float64(b.at(0.005)), float64(b.at(0.020))
	f0 := 90 + 60*b.rng.Float64()
	amplitude := math.Pow(10, dbfs/20)
	wobble := 4 + 6*b.rng.Float64()
	var y1, y2 float64
	_, phase := math.Modf(b.rng.Float64())
	for i := lo; i < hi; i++ {
		t := float64(i-lo) / float64(b.rateHz)
		_, phase = math.Modf(phase + f0*(1+0.1*math.Sin(2*math.Pi*wobble*t))/float64(b.rateHz))
		source := 2*phase - 1
		// A resonance at 600 Hz.
		r := 0.97
		y := source + 2*r*math.Cos(2*math.Pi*600/float64(b.rateHz))*y1 - r*r*y2
		y2, y1 = y1, y
		env := math.Min(1, math.Min(float64(i-lo)/attack, float64(hi-i)/decay)) * (0.65 + 0.35*math.Sin(2*math.Pi*wobble*t+1))
		b.x[i] += amplitude * env * (source + 0.12*y)
	}
	b.spoken = append(b.spoken, stretch{lo, hi})
}

// breath lays noise over [from, to) seconds that swells and falls, of about a
// level of RMS, strongest from 0.5 to 5 kHz.
func (b *booth) breath(from, to, dbfs float64) {
	lo, hi := b.at(from), min(b.at(to), len(b.x))
	low, high := 2*math.Pi*500/float64(b.rateHz), 2*math.Pi*5000/float64(b.rateHz)
	var a1, a2 float64
	laid := make([]float64, hi-lo)
	for i := range laid {
		a1 += high * (2*b.rng.Float64() - 1 - a1)
		a2 += low * (a1 - a2)
		laid[i] = (a1 - a2) * math.Sin(math.Pi*float64(i)/float64(len(laid)))
	}
	scale := math.Pow(10, dbfs/20) / math.Sqrt(squares(laid)/float64(len(laid)))
	for i, v := range laid {
		b.x[lo+i] += scale * v
	}
}

// click lays a damped 4 kHz over a millisecond.
func (b *booth) click(at, peak float64) {
	for i := range b.at(0.003) {
		t := float64(i) / float64(b.rateHz)
		b.x[b.at(at)+i] += peak * math.Exp(-t*3000) * math.Sin(2*math.Pi*4000*t)
	}
}

// speak says words from one time to another: word gaps of 30-100 ms, and after
// each 4 to 10 words a pause within [shortest, longest], half of them with a breath.
func (b *booth) speak(from, to, dbfs, shortest, longest float64, breaths bool) {
	left := 4 + b.rng.IntN(7)
	for at := from; ; {
		length := 0.12 + 0.35*b.rng.Float64()
		if at+length+0.1 > to-0.12 {
			b.word(min(at, to-0.3), to, dbfs) // ends when it should
			return
		}
		b.word(at, at+length, dbfs-6*b.rng.Float64())
		at += length + 0.03 + 0.07*b.rng.Float64()
		if left--; left == 0 {
			pause := shortest + (longest-shortest)*b.rng.Float64()
			if breaths && b.rng.IntN(2) == 0 && pause > 0.5 {
				b.breath(at+0.05, at+0.05+0.4, dbfs-37)
			}
			at = min(at+pause, to-0.3)
			left = 4 + b.rng.IntN(7)
		}
	}
}

func (b *booth) room() Room {
	m := NewRoom(b.rateHz)
	m.Write(b.x)
	return m.Result()
}

// spokenS is how long the words took, gaps under 0.2 s included.
func (b *booth) spokenS() float64 {
	total := 0
	for i, w := range b.spoken {
		total += w.to - w.from
		if i > 0 {
			if gap := w.from - b.spoken[i-1].to; gap < b.at(0.2) {
				total += gap
			}
		}
	}
	return float64(total) / float64(b.rateHz)
}
