package check

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

const roomRate = 8000

// words are stretches of 1 to 4 s whose level jumps every 50 ms, and pauses of
// 0.3 to 0.8 s between them; levels are -24 dBFS while there are words. It
// tells where the words are.
func words(seed uint64, seconds int) (x []float64, phrases []meter.Phrase) {
	r := rand.New(rand.NewPCG(seed, 7))
	x = make([]float64, seconds*roomRate)
	for at := roomRate; at < len(x)-roomRate; {
		to := min(len(x)-roomRate, at+roomRate+r.IntN(3*roomRate))
		for i := at; i < to; i += roomRate / 20 {
			level := 0.063 * math.Pow(10, (r.Float64()*24-18)/20)
			for k := i; k < min(to, i+roomRate/20); k++ {
				x[k] = level * r.NormFloat64()
			}
		}
		phrases = append(phrases, meter.Phrase{From: dsp.Frames(at), To: dsp.Frames(to), Level: -24})
		at = to + roomRate*3/10 + r.IntN(roomRate/2)
	}
	return x, phrases
}

// heardOf is what one check hears in a part.
func heardOf(c Check, p Part, x []float64) []pipeline.Finding {
	p.Frames = dsp.Frames(len(x))
	e := NewEars([]Check{c}, p)
	e.Hear(x, nil)
	return e.Heard()
}

// What the room does beneath the words is found where it is sudden and stays:
// edits by one check, what was switched on by the other.
func TestRoomChanges(t *testing.T) {
	dry, phrases := words(5, 180)
	pause := 0 // the one around the middle, and its middle
	for i, p := range phrases[:len(phrases)-1] {
		if p.To > dsp.Frames(len(dry)/2) {
			pause = int(p.To+phrases[i+1].From) / 2
			break
		}
	}
	with := func(gainDB func(i int) float64, dull bool) []float64 {
		r := rand.New(rand.NewPCG(9, 9))
		x := append([]float64(nil), dry...)
		last := 0.0
		for i := range x {
			v := r.NormFloat64()
			if dull && i >= pause {
				last += 0.15 * (v - last)
				v = 3 * last
			}
			x[i] += 0.0008 * math.Pow(10, gainDB(i)/20) * v
		}
		return x
	}
	ramp := func(db, seconds float64) func(int) float64 {
		return func(i int) float64 { return db * max(0, min(1, float64(i-pause-roomRate)/(seconds*roomRate))) }
	}
	for _, c := range []struct {
		name         string
		x            []float64
		change, jump string // what each check says; empty: nothing
	}{
		{"nothing", with(func(int) float64 { return 0 }, false), "", ""},
		{"a fan", with(ramp(6, 1), false), "the room goes from -6", ""},
		{"a fan goes off", with(ramp(-6, 1), false), "the room goes from -6", ""},
		{"a little", with(ramp(3, 1), false), "", ""},
		{"a swell of a minute", with(ramp(9, 60), false), "", ""},
		{"an edit", with(func(i int) float64 {
			if i < pause {
				return 0
			}
			return 6
		}, false), "", "the room goes from -6"},
		{"another room", with(func(int) float64 { return 0 }, true), "", "the room goes from -6"},
		{"a car that passes", with(func(i int) float64 {
			return 10 * math.Exp(-math.Pow(float64(i-pause)/(4*roomRate), 2))
		}, false), "", ""},
	} {
		for _, one := range []struct {
			check Check
			want  string
		}{{floorChange(), c.change}, {roomToneJump(), c.jump}} {
			got := heardOf(one.check, Part{RateHz: roomRate, Speech: -24}, c.x)
			near := func(f pipeline.Finding) bool {
				at := float64(pause) / roomRate
				return f.StartS < at+1.5 && f.EndS > at-0.3
			}
			switch {
			case one.want == "" && len(got) > 0:
				t.Errorf("%s: %s found %+v", c.name, one.check.Name, got)
			case one.want != "" && (len(got) != 1 || !strings.Contains(got[0].Measured, one.want) || !near(got[0])):
				t.Errorf("%s: %s found %+v, want %q near %.1f s", c.name, one.check.Name, got, one.want, float64(pause)/roomRate)
			}
		}
	}
}

// A level that falls steadily is a drift; voices of characters, a scene and a
// short part are none.
func TestDrift(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	course := func(minutes int, level func(minute float64) float64) Part {
		p := Part{RateHz: roomRate, Spoken: pipeline.Span{To: dsp.FramesIn(60*float64(minutes), roomRate)}}
		for s := 0.0; s < 60*float64(minutes); s += 4 {
			p.Marks.Phrases = append(p.Marks.Phrases, meter.Phrase{From: dsp.FramesIn(s, roomRate), To: dsp.FramesIn(s+3.5, roomRate),
				Level: dsp.DBFS(-24 + 2.5*r.NormFloat64() + level(s/60))})
		}
		return p
	}
	for _, c := range []struct {
		name string
		p    Part
		want string
	}{
		{"steady", course(30, func(float64) float64 { return 0 }), ""},
		{"3 dB in ten minutes", course(20, func(m float64) float64 { return -0.3 * m }), "goes down by"},
		{"3 dB in ten minutes of fifteen", course(15, func(m float64) float64 { return -0.3 * m }), "goes down by"},
		{"2 dB in ten minutes: a notice", course(30, func(m float64) float64 { return 0.18 * m }), "goes up by"},
		{"a loud scene at the end", course(20, func(m float64) float64 {
			if m > 15 {
				return 6
			}
			return 0
		}), ""},
		{"a soft start", course(20, func(m float64) float64 {
			if m < 4 {
				return -6
			}
			return 0
		}), ""},
		{"a second half that is louder", course(20, func(m float64) float64 { return 5 * math.Floor(m/10) }), ""},
		{"shouts and whispers in a drift", course(20, func(m float64) float64 {
			return -0.3*m + []float64{0, 0, 0, 9, 0, 0, 0, 0, 0, 0, -14, 0}[int(4*m)%12]
		}), "goes down by"},
		{"upwards", course(20, func(m float64) float64 { return 0.35 * m }), "goes up by"},
		{"1 dB in ten minutes", course(20, func(m float64) float64 { return -0.1 * m }), ""},
		{"six minutes", course(6, func(m float64) float64 { return -0.5 * m }), ""},
		{"a whisperer among them", course(30, func(m float64) float64 { return -15 * float64(int(2*m)%3/2) }), ""},
		{"one loud scene", course(30, func(m float64) float64 {
			if m > 12 && m < 17 {
				return 7
			}
			return 0
		}), ""},
	} {
		got := heardOf(drift(), c.p, nil)
		if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || !strings.Contains(got[0].Measured, c.want)) {
			t.Errorf("%s: found %+v, want %q", c.name, got, c.want)
		}
	}
}

// A side that falls away while somebody speaks is found at its place; two
// microphones, a dead side and pauses are nothing to find.
func TestChannels(t *testing.T) {
	dry, _ := words(6, 20)
	r := rand.New(rand.NewPCG(8, 8))
	hiss := func(gain float64) []float64 {
		y := make([]float64, len(dry))
		for i := range y {
			y[i] = gain * r.NormFloat64()
		}
		return y
	}
	scaled := func(gain float64, from, to float64, inside float64) []float64 {
		y := hiss(0.0003)
		for i, v := range dry {
			g := gain
			if s := float64(i) / roomRate; s >= from && s < to {
				g = inside
			}
			y[i] += g * v
		}
		return y
	}
	for _, c := range []struct {
		name        string
		left, right []float64
		want        string
	}{
		{"two alike", scaled(1, 0, 0, 0), scaled(1, 0, 0, 0), ""},
		{"one lower", scaled(1, 0, 0, 0), scaled(0.3, 0, 0, 0), ""},
		{"one dead throughout", scaled(1, 0, 0, 0), hiss(0.0003), ""},
		{"a cable", scaled(1, 0, 0, 0), scaled(1, 8, 14, 0), "the right side is"},
		{"a cable, left", scaled(1, 8, 14, 0), scaled(1, 0, 0, 0), "the left side is"},
		{"a flicker", scaled(1, 0, 0, 0), scaled(1, 8, 8.1, 0), ""},
		{"another voice", scaled(1, 8, 14, 0), func() []float64 {
			y := scaled(1, 0, 0, 0)
			other, _ := words(60, 20)
			for i := 8 * roomRate; i < 14*roomRate; i++ {
				y[i] = other[i]
			}
			return y
		}(), "side is"},
	} {
		e := NewEars([]Check{channels()}, Part{RateHz: roomRate, Speech: -26})
		e.Hear(c.left, [][]float64{c.left, c.right})
		got := e.Heard()
		switch {
		case c.want == "" && len(got) > 0:
			t.Errorf("%s: found %+v", c.name, got)
		case c.want != "" && (len(got) == 0 || !strings.Contains(got[0].Measured, c.want) || got[0].StartS < 7.5 || got[len(got)-1].EndS > 14.5):
			t.Errorf("%s: found %+v, want %q within 8 to 14 s", c.name, got, c.want)
		}
	}
}

// Hum is told by how far its strongest harmonic stands over the room around,
// and by what of it an ear has beside the voice; a fan close by is none.
func TestHum(t *testing.T) {
	dry, phrases := words(7, 60)
	for _, c := range []struct {
		name      string
		dbfs, hz  float64 // of the hum's 150 Hz, RMS
		known     bool    // the profile found it
		noiseDBFS float64
		fanDBFS   float64 // of its line of 118 Hz; the others are softer
		want, do  string
		weight    pipeline.Verdict
	}{
		{name: "none", dbfs: -200, hz: 50, noiseDBFS: -62},
		{name: "plain", dbfs: -62, hz: 50.03, known: true, noiseDBFS: -66, want: "150 Hz is", do: "hum stage", weight: pipeline.Listen},
		{name: "under the noise", dbfs: -85, hz: 50, known: true, noiseDBFS: -55},
		{name: "soft beside the voice", dbfs: -96, hz: 50, known: true, noiseDBFS: -110, want: "150 Hz is", do: "hum stage", weight: pipeline.Ready},
		{name: "not known", dbfs: -60, hz: 50, noiseDBFS: -66, want: "150 Hz is", do: "it did not find this", weight: pipeline.Listen},
		{name: "60 Hz", dbfs: -60, hz: 59.95, known: true, noiseDBFS: -66, want: "180 Hz is", do: "hum stage", weight: pipeline.Listen},
		{name: "a fan", dbfs: -200, hz: 60, noiseDBFS: -66, fanDBFS: -50},
		{name: "a fan and hum", dbfs: -70, hz: 60, noiseDBFS: -66, fanDBFS: -50, want: "180 Hz is", weight: pipeline.Listen},
	} {
		r := rand.New(rand.NewPCG(4, 4))
		x := append([]float64(nil), dry...)
		for i := range x {
			at := 2 * math.Pi * c.hz * float64(i) / roomRate
			x[i] += math.Pow(10, c.noiseDBFS/20)*r.NormFloat64() + math.Sqrt2*math.Pow(10, c.dbfs/20)*(math.Sin(3*at+1)+0.3*math.Sin(at))
			for k := 1.0; k <= 4 && c.fanDBFS < 0; k++ {
				x[i] += math.Sqrt2 * math.Pow(10, (c.fanDBFS-5*k)/20) * math.Sin(2*math.Pi*118.1*k*float64(i)/roomRate)
			}
		}
		p := Part{RateHz: roomRate, Speech: -24, Marks: pipeline.Marks{Phrases: phrases}}
		if c.known {
			p.Marks.Mains = []meter.MainsPoint{{At: roomRate, Hz: c.hz}, {At: 50 * roomRate, Hz: c.hz}}
		}
		over := c.dbfs - (c.noiseDBFS + 10*math.Log10(0.2316*3*c.hz/(roomRate/2))) // white noise, in a third of an octave
		got := heardOf(hum(), p, x)
		if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || !strings.Contains(got[0].Measured, c.want) || !strings.Contains(got[0].Do, c.do) || got[0].Weight != c.weight || math.Abs(got[0].Value-over) > 1.5 || got[0].EndS-got[0].StartS < 50) {
			t.Errorf("%s: found %+v, want %q, %.1f dB", c.name, got, c.want, over)
		}
	}
}

// roomThatChanges is one whose room becomes 9 dB louder in a pause, within some
// seconds or at once.
func roomThatChanges(seconds float64) recording {
	x, phrases := words(5, 90)
	at, longest := 0, dsp.Frames(0)
	for i, p := range phrases[10 : len(phrases)-10] { // in the middle of a long pause
		if pause := phrases[10+i+1].From - p.To; pause > longest {
			at, longest = int(p.To+pause/2), pause
		}
	}
	r := rand.New(rand.NewPCG(9, 9))
	for i := range x {
		gain := 1.0
		if i >= at {
			gain = 1 + 1.8*min(1, float64(i-at)/(seconds*roomRate+1))
		}
		x[i] += 0.0008 * gain * r.NormFloat64()
	}
	return recording{x: x, Part: Part{RateHz: roomRate, Speech: -24, Frames: dsp.Frames(len(x))}}
}

func aDrift() recording {
	p := Part{RateHz: roomRate}
	for s := 0.0; s < 1200; s += 4 {
		p.Marks.Phrases = append(p.Marks.Phrases, meter.Phrase{From: dsp.FramesIn(s, roomRate), To: dsp.FramesIn(s+3.5, roomRate), Level: dsp.DBFS(-20 - s/120)})
	}
	return recording{x: make([]float64, roomRate), Part: p}
}

func aLostSide() recording {
	x, _ := words(6, 20)
	right := append(append([]float64(nil), x[:14*roomRate]...), make([]float64, 6*roomRate)...)
	return recording{x: x, right: right, Part: Part{RateHz: roomRate, Speech: -26}}
}

func aHum() recording {
	x, phrases := words(7, 60)
	r := rand.New(rand.NewPCG(4, 4))
	for i := range x {
		at := 2 * math.Pi * 50 * float64(i) / roomRate
		x[i] += 0.0004*r.NormFloat64() + 0.0012*math.Sin(3*at) + 0.0006*math.Sin(at)
	}
	return recording{x: x, Part: Part{RateHz: roomRate, Speech: -24, Frames: dsp.Frames(len(x)), Marks: pipeline.Marks{Phrases: phrases, Mains: []meter.MainsPoint{{Hz: 50}}}}}
}
