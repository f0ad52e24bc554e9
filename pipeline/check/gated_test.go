package check

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// A gate is told with its decibels and the first pause behind a word, also
// where pauses hold nothing at all.
func TestGatedPlace(t *testing.T) {
	const rate = 44100
	for _, c := range []struct {
		depthDB float64
		want    string
		least   float64 // dB: what is heard beneath words is the least of it
	}{
		{30, "the room is 26 dB quieter between words than beneath them", 24},
		{200, "the room falls to nothing between words, by ", 60},
		{0, "", 0},
	} {
		noise := rand.New(rand.NewPCG(3, 7))
		x := make([]float64, 60*rate)
		for i := range x {
			at := math.Mod(float64(i)/rate, 3) // 1.4 s of words, then a pause, from 3 s on
			room := 0.002 * noise.NormFloat64()
			if float64(i)/rate < 3 || at >= 1.4 {
				x[i] = room * math.Pow(10, -c.depthDB/20)
				continue
			}
			x[i] = room
			for hz := 200.0; hz < 4000; hz *= 1.7 {
				x[i] += 0.02 * math.Sin(2*math.Pi*hz*float64(i)/rate)
			}
		}
		found := hear(gated(), rate, x, 4096)
		if c.want == "" {
			if len(found) > 0 {
				t.Errorf("an open room: %+v", found)
			}
			continue
		}
		if len(found) != 1 || !strings.HasPrefix(found[0].Measured, c.want) || found[0].Value < c.least || found[0].Value > c.depthDB {
			t.Errorf("%g dB: %+v, want %q", c.depthDB, found, c.want)
			continue
		}
		if at := found[0].From.Seconds(rate); math.Abs(at-4.4) > 2*gateBlockS || found[0].To <= found[0].From {
			t.Errorf("%g dB: from %.2f s, want 4.4", c.depthDB, at)
		}
	}
}
