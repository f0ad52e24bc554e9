package meter

import (
	"math"
	"runtime"
	"testing"
)

// mainsOf is what the meter finds, sound given in uneven pieces.
func mainsOf(x []float64, rateHz int) []MainsPoint {
	m := NewMains(rateHz)
	for n := 1; len(x) > 0; n = n*7%5003 + 1 {
		k := min(n, len(x))
		m.Write(x[:k])
		x = x[k:]
	}
	return m.Result()
}

// narrate lays words of steady pitch over the room tone: 4 s, then a pause.
func (b *booth) narrate(pitchHz, pauseS, peak float64) {
	for at := 0.0; at+4 < float64(len(b.x))/float64(b.rateHz); at += 4 + pauseS {
		pitch := pitchHz * (1 + 0.1*(2*b.rng.Float64()-1))
		turns := 0.0
		for i := b.at(at); i < b.at(at+4); i++ {
			s := float64(i)/float64(b.rateHz) - at
			turns += pitch * (1 + 0.08*math.Sin(2*math.Pi*0.7*s) + 0.002*b.rng.NormFloat64()) / float64(b.rateHz)
			fade := math.Abs(math.Sin(2 * math.Pi * 2 * s)) // syllables
			for k := 1.0; k <= 12; k++ {
				b.x[i] += fade * peak / k * math.Sin(2*math.Pi*k*turns)
			}
		}
	}
}

// hum adds harmonics of a drifting fundamental; orders k with their peaks.
func (b *booth) hum(hz, driftPerMinute float64, peaks map[int]float64) {
	for i := range b.x {
		s := float64(i) / float64(b.rateHz)
		turns := hz*s + driftPerMinute/60*s*s/2
		for k := 1; k <= 12; k++ {
			b.x[i] += peaks[k] * math.Sin(2*math.Pi*float64(k)*turns+float64(k*k))
		}
	}
}

// The course of hum under speech is found within 0.02 Hz everywhere, from the
// lowest to the highest mains, at drifts up to 0.2 Hz a minute.
func TestMainsIsFoundAndFollowed(t *testing.T) {
	low := map[int]float64{1: 3e-4, 2: 5e-4, 3: 2e-4, 4: 1e-4, 6: 1e-4}
	even := map[int]float64{2: 5e-4, 4: 2e-4, 6: 2e-4}
	for i, c := range []struct {
		rateHz    int
		hz, drift float64
		pitch     float64
		peaks     map[int]float64
	}{
		{44100, 50, 0.2, 100, low},
		{44100, 60, -0.2, 120, low},
		{48000, 49.8, 0.1, 90, even},
		{96000, 60.1, 0, 200, even},
		{22050, 46, -0.2, 110, low},
		{44100, 63.5, 0.2, 150, low},
	} {
		b := newBooth(c.rateHz, 62, "pink", -72, uint64(i))
		b.hum(c.hz, c.drift, c.peaks)
		b.narrate(c.pitch, 0.7, 0.1)
		points := mainsOf(b.x, c.rateHz)
		if len(points) < 5 {
			t.Errorf("%+v: %d points in a minute", c, len(points))
			continue
		}
		for j, p := range points {
			at := p.At.Seconds(c.rateHz)
			if off := p.Hz - c.hz - c.drift/60*at; math.Abs(off) > 0.02 {
				t.Errorf("%+v: %.3f Hz off at %.1f s", c, off, at)
			}
			if j > 0 && p.At <= points[j-1].At {
				t.Errorf("points %v out of order", points)
			}
		}
	}
}

// A voice near the mains, one vowel held on it, a fan's lines: none is hum.
func TestMainsIsNotAVoiceOrAFan(t *testing.T) {
	for i, c := range []struct {
		name string
		make func(b *booth)
	}{
		{"nobody", func(*booth) {}},
		{"a voice at 100 Hz", func(b *booth) { b.narrate(100, 0.7, 0.1) }},
		{"a voice at 120 Hz without pauses", func(b *booth) { b.narrate(120, 0, 0.1) }},
		{"a voice at 240 Hz", func(b *booth) { b.narrate(240, 0.5, 0.1) }},
		{"a vowel held at 100 Hz", func(b *booth) { b.held(100) }},
		{"a vowel held at 120 Hz", func(b *booth) { b.held(120) }},
		{"fan lines", func(b *booth) {
			for i := range b.x {
				s := float64(i) / float64(b.rateHz)
				b.x[i] += 1e-3*math.Sin(2*math.Pi*118*s) + 5e-4*math.Sin(2*math.Pi*233*s)
			}
			b.narrate(110, 0.7, 0.1)
		}},
		{"a fan of exact harmonics", func(b *booth) {
			b.hum(59, 0, map[int]float64{2: 1e-3, 4: 5e-4, 6: 3e-4})
			b.narrate(110, 0.7, 0.1)
		}},
	} {
		for seed := range uint64(2) {
			b := newBooth(44100, 40, []string{"pink", "brown"}[seed], -66, uint64(i)+100*seed)
			c.make(b)
			if points := mainsOf(b.x, b.rateHz); len(points) > 0 {
				t.Errorf("%s, seed %d: %v", c.name, seed, points)
			}
		}
	}
}

// held is a vowel of 8 s that does not move, twice, the rest silent.
func (b *booth) held(hz float64) {
	for _, from := range []float64{8, 24} {
		for i := b.at(from); i < b.at(from+8); i++ {
			s := float64(i) / float64(b.rateHz)
			for k := 1.0; k <= 10; k++ {
				b.x[i] += 0.1 / k * math.Sin(2*math.Pi*k*hz*s)
			}
		}
	}
}

// Nothing to hear is no hum, and no trouble.
func TestMainsOfNothing(t *testing.T) {
	for _, n := range []int{0, 1, 44100, 30 * 44100} {
		if points := mainsOf(make([]float64, n), 44100); len(points) > 0 {
			t.Errorf("%d samples of silence: %v", n, points)
		}
	}
}

// An hour of hum is no more to hold than ten minutes, but for 300 bytes a
// window.
func TestMainsHoldsLittle(t *testing.T) {
	const rate = 2700 // the least there is: what comes after the rate is brought down is the same for all
	minute := newBooth(rate, 60, "pink", -72, 1)
	minute.hum(50, 0, map[int]float64{1: 3e-4, 2: 5e-4, 3: 2e-4})
	heap := func() int64 {
		var s runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&s)
		return int64(s.HeapAlloc)
	}
	m := NewMains(rate)
	write := func(minutes int) {
		for range minutes {
			m.Write(minute.x)
		}
	}
	write(10)
	short := heap()
	write(50)
	long := heap()
	// A slice that grew may be a quarter larger than what it holds.
	const windows = 50 * 60 * rate / 2 / mainsHop
	if grown := long - short; grown > windows*300*5/4 {
		t.Errorf("50 minutes more hold %d bytes more, %d a window", grown, grown/windows)
	}
	if n := len(m.Result()); n < windows/2 {
		t.Errorf("%d points in an hour", n)
	}
	runtime.KeepAlive(minute)
}

func BenchmarkMains(b *testing.B) {
	x := newBooth(44100, 20, "pink", -60, 1)
	x.narrate(110, 0.7, 0.1)
	m := NewMains(44100)
	b.ReportAllocs()
	for b.Loop() {
		m.Write(x.x)
	}
	b.ReportMetric(20*float64(b.N)/b.Elapsed().Seconds(), "x_real_time")
}
