package plant

import (
	"math"

	"chapterhouse/testdata/voices/exact"
)

// mouthNoise is so many clicks spread over one minute, each 10 to 20 dB over
// what is local.
func mouthNoise(l *Layer, clicks float64) ([]Span, bool) {
	from := l.ms(8000)
	minute := Span{from, from + l.ms(60000)}
	step := float64(minute.To-minute.From) / clicks
	for i := range int(clicks) {
		at := minute.From + int(float64(step*(float64(i)+l.random.Between(0.05, 0.95))))
		l.click(at, l.random.Between(10, 20))
	}
	return []Span{minute}, true
}

// hum is mains hum from the wire, of 50 or 60 Hz with eight harmonics, from the
// start or from a moment on: the strongest of its lines lies so many dB over
// the noise in its third octave.
func hum(l *Layer, db float64) ([]Span, bool) {
	from := 0
	if l.random.Intn(3) > 0 {
		from = l.ms(l.random.Between(20000, 35000))
	}
	hz := []float64{50, 60}[l.random.Intn(2)] + l.random.Between(-0.03, 0.03)
	rate := float64(l.rateHz)
	gains, over := make([]float64, 8), math.Inf(-1)
	noise := power(l.noise[:min(len(l.noise), 12*l.rateHz)])
	for i, usual := range []float64{-4, 0, -6, -12, -9, -18, -14, -24} {
		line := usual + l.random.Between(-3, 3)
		gains[i] = exact.Amplitude(line)
		over = max(over, line-3.0103-exact.Decibels(thirdOctave(noise, hz*float64(i+1), rate))) // a sine's RMS
	}
	gain := exact.Amplitude(db - over)
	ramp := l.ms(30)
	for i, g := range gains {
		turn, phase := float64(2*math.Pi)*hz*float64(i+1)/rate, l.random.Between(0, 2*math.Pi)
		c, s := exact.Cos(turn), exact.Sin(turn)
		re, im := 0.0, 0.0
		for k := from; k < len(l.added); k++ {
			if (k-from)%4096 == 0 {
				at := math.Mod(phase+float64(turn*float64(k-from)), 2*math.Pi)
				re, im = exact.Cos(at), exact.Sin(at)
			}
			l.added[k] += float64(gain*g*im) * min(1, float64(k-from+1)/float64(ramp))
			re, im = float64(re*c)-float64(im*s), float64(re*s)+float64(im*c)
		}
	}
	return []Span{{from, len(l.added)}}, true
}

// floorChange is a room that becomes louder or quieter by so many dB within 2 s
// and stays so.
func floorChange(l *Layer, db float64) ([]Span, bool) {
	from := l.ms(l.random.Between(28000, 42000))
	ramp := l.ms(l.random.Between(100, 2000))
	db *= sign(l.random)
	l.room = append([]float64(nil), l.noise...)
	for i := from; i < len(l.room); i++ {
		l.room[i] *= exact.Amplitude(db * min(1, float64(i-from)/float64(ramp)))
	}
	return []Span{{from, from + ramp}}, true
}

// edits are two cuts in pauses, some 25 s apart.
func (l *Layer) edits() (Span, bool) {
	cut := func(fromMS, toMS float64) (int, bool) {
		var all []int
		for _, p := range l.of("room-tone") {
			if p.From >= l.ms(fromMS) && p.To <= l.ms(toMS) && p.To-p.From >= l.ms(500) {
				all = append(all, (p.From+p.To)/2)
			}
		}
		if len(all) == 0 {
			return 0, false
		}
		return all[l.random.Intn(len(all))], true
	}
	from, ok := cut(18000, 32000)
	to, too := cut(44000, 58000)
	return Span{from, to}, ok && too
}

// other lays another room tone between two edits, faded over 5 ms: a line that
// was recorded again. Either edit is a place.
func (l *Layer) other(tone []float64, between Span) []Span {
	l.room = append([]float64(nil), l.noise...)
	fade := l.ms(5)
	for i := between.From; i < between.To; i++ {
		w := min(1, float64(i-between.From)/float64(fade), float64(between.To-i)/float64(fade))
		l.room[i] += float64(w * (tone[i] - l.room[i]))
	}
	return []Span{{between.From, between.From + fade}, {between.To - fade, between.To}}
}

// toneJump is a room so many dB louder or quieter from one edit to the next.
func toneJump(l *Layer, db float64) ([]Span, bool) {
	at, ok := l.edits()
	if !ok {
		return nil, false
	}
	tone := append([]float64(nil), l.noise...)
	amplify(tone, exact.Amplitude(db*sign(l.random)))
	return l.other(tone, at), true
}

// toneColour is a room of another colour from one edit to the next: so many dB
// RMS over the third octaves from 100 Hz to 8 kHz.
func toneColour(l *Layer, db float64) ([]Span, bool) {
	at, ok := l.edits()
	if !ok {
		return nil, false
	}
	rate := float64(l.rateHz)
	shape := []func(db float64) section{
		func(db float64) section { return shelf(400, db, rate) },
		func(db float64) section { return shelf(1500, db, rate) },
		func(db float64) section { return bell(800, 0.5, db, rate) },
	}[l.random.Intn(3)]
	up := sign(l.random)
	spread := func(g float64) float64 {
		s, sum := shape(g), 0.0
		for k := range 20 {
			d := s.gainDB(100*math.Exp2(float64(k)/3), rate)
			sum += float64(d * d)
		}
		return math.Sqrt(sum / 20)
	}
	low, high := 0.0, 40.0
	for range 30 {
		if mid := (low + high) / 2; spread(up*mid) >= db {
			high = mid
		} else {
			low = mid
		}
	}
	tone := append([]float64(nil), l.noise...)
	shape(up * high).run(tone)
	return l.other(tone, at), true
}

// drift is a voice that comes nearer or moves away, by so many dB in ten minutes
// and evenly. The reading begins at one of its pauses and goes on from its start,
// so that one bed gives several.
func drift(l *Layer, db float64) ([]Span, bool) {
	pauses := l.of("room-tone")
	p := pauses[l.random.Intn(len(pauses))]
	turn := (p.From + p.To) / 2
	voice := append(append([]float64(nil), l.voice[turn:]...), l.voice[:turn]...)
	up := sign(l.random)
	for i := 0; i < len(voice); i += l.rateHz / 100 {
		end := min(len(voice), i+l.rateHz/100)
		amplify(voice[i:end], exact.Amplitude(up*db*float64(i-len(voice)/2)/(600*float64(l.rateHz))))
	}
	l.Bed = &Bed{rateHz: l.rateHz, voice: voice, noise: l.noise}
	return []Span{{0, len(voice)}}, true
}

// preampDBFS is the hiss by which two inputs differ.
const preampDBFS = -92.0

// twoSides are two inputs that hear the same.
func (l *Layer) twoSides(do func(left, right []float64)) {
	l.sides = func(x []float64) [][]float64 {
		both := [][]float64{append([]float64(nil), x...), append([]float64(nil), x...)}
		do(both[0], both[1])
		g := exact.Amplitude(preampDBFS)
		for _, side := range both {
			for i := range side {
				side[i] += float64(g * l.random.White())
			}
		}
		return both
	}
}

// deadSide is a side of two that holds nothing but its input's hiss, from so
// many seconds on.
func deadSide(l *Layer, fromS float64) ([]Span, bool) {
	from := l.ms(1000 * fromS)
	which := l.random.Intn(2)
	l.twoSides(func(left, right []float64) { clear([][]float64{left, right}[which][from:]) })
	return []Span{{from, len(l.voice)}}, true
}

// sidesApart are two sides of which one is so many dB lower from a moment on.
func sidesApart(l *Layer, db float64) ([]Span, bool) {
	from := l.ms(l.random.Between(20000, 35000))
	which := l.random.Intn(2)
	l.twoSides(func(left, right []float64) { amplify([][]float64{left, right}[which][from:], exact.Amplitude(-db)) })
	return []Span{{from, len(l.voice)}}, true
}
