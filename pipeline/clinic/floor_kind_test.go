package clinic

import (
	"math"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

// TestFloorKind: the kind of a room tone is what most of its power is.
func TestFloorKind(t *testing.T) {
	shaped := func(of func(hz float64) float64) []float64 {
		power := make([]float64, 8193)
		for k := 1; k < len(power); k++ {
			power[k] = 1e-12 * of(float64(k)*44100/16384)
		}
		return power
	}
	white := shaped(func(float64) float64 { return 1 })
	pink := shaped(func(hz float64) float64 { return 1000 / hz })
	brown := shaped(func(hz float64) float64 { return 1e6 / (hz*hz + 400) })
	all := func(power []float64) float64 { return between(power, 44100, 20, 22050) }
	for _, c := range []struct {
		name  string
		tone  []float64
		lines []steadyLine
		want  string
	}{
		{"white noise", white, nil, "hiss"},
		{"pink noise", pink, nil, "even"},
		{"brown noise", brown, nil, "rumble"},
		{"a fan in pink noise", pink, []steadyLine{{Hz: 118, power: 0.3 * all(pink)}, {Hz: 236, power: 0.1 * all(pink)}}, "fan"},
		{"the mains in pink noise", pink, []steadyLine{{Hz: 50, power: 0.3 * all(pink), mains: true}, {Hz: 100, power: 0.1 * all(pink), mains: true}}, "hum"},
		{"soft mains in white noise", white, []steadyLine{{Hz: 50, power: 0.1 * all(white), mains: true}}, "hiss"},
		{"nothing", nil, nil, ""},
	} {
		r := &Read{RateHz: 44100, heard: heard{tone: c.tone, lines: c.lines}}
		if got := floorKind(r); got.name != c.want || got.says == "" {
			t.Errorf("%s is %q, %s; want %q", c.name, got.name, got.says, c.want)
		}
	}
}

// toneRead is room tone alone.
func toneRead(x []float64) *Read {
	return &Read{RateHz: 44100, x: x, Room: meter.Room{Tone: []meter.Window{{To: dsp.Frames(len(x))}}}}
}

// TestLines: a steady tone in noise is a line, what a narrow filter makes of noise
// is none.
func TestLines(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 4))
	x := make([]float64, 12*44100)
	var a, b float64 // a resonance at 210 Hz of Q 30, driven by noise
	turn, radius := 2*math.Pi*210/44100, math.Exp(-math.Pi*210/30/44100)
	for i := range x {
		n := random.NormFloat64()
		a, b = n+2*radius*math.Cos(turn)*a-radius*radius*b, a
		x[i] = 1e-3*n + 1e-5*a + 1e-3*math.Sin(2*math.Pi*118*float64(i)/44100)
	}
	lines := linesOf(toneRead(x))
	if len(lines) != 1 || math.Abs(lines[0].Hz-118) > 1 || math.Abs(inDB(lines[0].power)+63) > 1 {
		t.Errorf("lines %+v, want one at 118 Hz of -63 dBFS", lines)
	}
}

// TestTinkle: of noise chance makes as many moments stand out as is expected,
// of tones that flare up here and there far more stand out.
func TestTinkle(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 5))
	x := make([]float64, 12*44100)
	for i := range x {
		x[i] = 1e-4 * random.NormFloat64()
	}
	often, expected, frames := toneRead(x).tinkle()
	if frames < 400 || often > 2*expected || often < expected/2 {
		t.Errorf("noise: %.5f of its moments stand out, want about %.5f; %d frames", often, expected, frames)
	}
	for range 1500 {
		at, hz := random.IntN(len(x)-2048), 500+7000*random.Float64()
		for i := range 2048 {
			x[at+i] += 2e-4 * (0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/2048)) * math.Sin(2*math.Pi*hz*float64(i)/44100)
		}
	}
	if often, _, _ := toneRead(x).tinkle(); often < tinkleSure {
		t.Errorf("flares: %.5f of the moments stand out, want %.5f and more", often, tinkleSure)
	}
}
