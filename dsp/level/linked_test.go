package level

import (
	"math"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

const linkedRate = 44100

// music is a loud stretch of noise under slow swells, one channel of two.
func music(seed uint64, seconds float64, gain float64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, int(seconds*linkedRate)/dsp.Quantum*dsp.Quantum)
	low := 0.0
	for i := range x {
		low += 0.2 * (rng.NormFloat64() - low)
		x[i] = gain * low * (0.6 + 0.4*math.Sin(float64(i)/9000))
	}
	return x
}

func linked(t *testing.T, ch ...[]float64) [][]float64 {
	t.Helper()
	l, err := NewLinked(LimiterSettings{CeilingDBTP: -1, ReleaseMS: 80}, linkedRate, len(ch))
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]float64, len(ch))
	for i := range ch {
		out[i] = append([]float64{}, ch[i]...)
	}
	for at := 0; at < len(out[0]); at += dsp.Quantum {
		views := make([][]float64, len(out))
		for i := range out {
			views[i] = out[i][at : at+dsp.Quantum]
		}
		l.Process(views)
	}
	return out
}

// TestLinkedAlone: one channel, and two that are alike, come out as from a Limiter.
func TestLinkedAlone(t *testing.T) {
	x := music(1, 4, 0.9)
	l, err := NewLimiter(LimiterSettings{CeilingDBTP: -1, ReleaseMS: 80}, linkedRate)
	if err != nil {
		t.Fatal(err)
	}
	want := append([]float64{}, x...)
	for at := 0; at < len(want); at += dsp.Quantum {
		l.Process(want[at : at+dsp.Quantum])
	}
	one, two := linked(t, x), linked(t, x, x)
	for i := range want {
		if one[0][i] != want[i] || two[0][i] != want[i] || two[1][i] != want[i] {
			t.Fatalf("sample %d: %g, %g and %g, want %g", i, one[0][i], two[0][i], two[1][i], want[i])
		}
	}
}

// TestLinkedTogether: every channel is under the ceiling, and the quiet one is
// taken down with the loud one by the same gain.
func TestLinkedTogether(t *testing.T) {
	loud, quiet := music(1, 4, 1.2), music(2, 4, 0.05)
	out := linked(t, loud, quiet)
	m := meter.New(linkedRate, 2)
	m.Write(out...)
	if at := m.Levels().TruePeak; at > -1+0.05 {
		t.Errorf("true peak %v", at)
	}
	l, _ := NewLinked(LimiterSettings{CeilingDBTP: -1, ReleaseMS: 80}, linkedRate, 2)
	late, worked := l.Latency(), false
	for i := late; i < len(loud); i++ {
		if a, b := loud[i-late], quiet[i-late]; math.Abs(a) > 1e-3 && math.Abs(b) > 1e-3 {
			ga, gb := out[0][i]/a, out[1][i]/b
			if math.Abs(ga-gb) > 1e-9 {
				t.Fatalf("sample %d: gains %g and %g", i, ga, gb)
			}
			worked = worked || ga < 0.9
		}
	}
	if !worked {
		t.Error("nothing was limited: the signal proves nothing")
	}
}
