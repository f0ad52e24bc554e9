package dynamics

import (
	"math"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

// rideTrace is the gain of a ride at every control step over its phrases and a
// second more.
func rideTrace(t *testing.T, s RideSettings, rateHz float64) (gainsDB []float64, step int) {
	t.Helper()
	r, err := NewRide(s, rateHz)
	if err != nil {
		t.Fatal(err)
	}
	end := s.Phrases[len(s.Phrases)-1].To + dsp.Frames(rateHz)
	block := make([]float64, dsp.Quantum)
	for at := dsp.Frames(0); at < end; at += dsp.Quantum {
		r.Process(block)
		gainsDB = append(gainsDB, r.GainsDB()...)
	}
	return gainsDB, dsp.ControlStep(rateHz)
}

// somePhrases are n phrases of 0.2 to 4 s with pauses of 0.16 to 1.5 s, between
// levels.
func somePhrases(seed uint64, n int, low, high, rateHz float64) []meter.Phrase {
	rng := rand.New(rand.NewPCG(seed, 5))
	var phrases []meter.Phrase
	at := 0.3
	for range n {
		length := 0.2 + 3.8*rng.Float64()
		phrases = append(phrases, meter.Phrase{From: dsp.Frames(at * rateHz), To: dsp.Frames((at + length) * rateHz), Level: dsp.DBFS(low + (high-low)*rng.Float64())})
		at += length + 0.16 + 1.34*rng.Float64()
	}
	return phrases
}

// The gain stands still in phrases, at the share of the way to the reference and
// within the most; the louder of two phrases stays the louder; and in a pause
// the gain never moves by more than 1.15 dB in 10 ms, which 6 dB within half a pause
// of 0.16 s take, nor is room tone in the middle of one lifted by more than 2 dB.
func TestRideMovesInPauses(t *testing.T) {
	for _, rateHz := range []float64{44100, 96000} {
		for seed := range uint64(20) {
			s := RideSettings{ReferenceDBFS: -23, SharePercent: 20 + 3*float64(seed), MaxDB: 6, RampMS: 150,
				Phrases: somePhrases(seed, 40, -45, -8, rateHz)}
			trace, step := rideTrace(t, s, rateHz)
			after := make([]float64, len(s.Phrases))
			for i, p := range s.Phrases {
				want := max(-s.MaxDB, min(s.MaxDB, s.SharePercent/100*(-23-float64(p.Level))))
				for at := p.From/dsp.Frames(step) + 1; at < p.To/dsp.Frames(step); at++ {
					if math.Abs(trace[at]-want) > 1e-9 {
						t.Fatalf("seed %d, phrase %d: %.3f dB at frame %d, want %.3f", seed, i, trace[at], int(at)*step, want)
					}
				}
				after[i] = float64(p.Level) + want
				if i == 0 {
					continue
				}
				middle := (s.Phrases[i-1].To + p.From) / 2 / dsp.Frames(step)
				if trace[middle] > toneLiftDB+0.1 {
					t.Errorf("seed %d: room tone lifted by %.2f dB before phrase %d", seed, trace[middle], i)
				}
			}
			for i := range after {
				for j := range after {
					if s.Phrases[i].Level > s.Phrases[j].Level && after[i] <= after[j] {
						t.Fatalf("seed %d: phrase %d was louder than %d, and is not", seed, i, j)
					}
				}
			}
			for i, n := 0, int(0.01*rateHz)/step; i+n < len(trace); i++ {
				if d := math.Abs(trace[i+n] - trace[i]); d > 1.15 {
					t.Fatalf("seed %d: %.2f dB in 10 ms at %.2f s", seed, d, float64(i*step)/rateHz)
				}
			}
		}
	}
}

// A part of one level, or none at all, keeps its bits.
func TestRideLeavesAlone(t *testing.T) {
	const rateHz = 44100
	x := make([]float64, dsp.Quantum)
	for i := range x {
		x[i] = math.Sin(float64(i))
	}
	for name, phrases := range map[string][]meter.Phrase{
		"none":             nil,
		"at the reference": {{From: 10, To: 500, Level: -23}, {From: 9000, To: 20000, Level: -23}},
	} {
		r, err := NewRide(RideSettings{ReferenceDBFS: -23, SharePercent: 50, MaxDB: 5, RampMS: 100, Phrases: phrases}, rateHz)
		if err != nil {
			t.Fatal(err)
		}
		y := append([]float64(nil), x...)
		r.Process(y)
		for i := range y {
			if math.Float64bits(y[i]) != math.Float64bits(x[i]) {
				t.Fatalf("%s: sample %d is %g, want %g", name, i, y[i], x[i])
			}
		}
	}
}

func TestRideRefuses(t *testing.T) {
	good := RideSettings{ReferenceDBFS: -23, SharePercent: 50, MaxDB: 5, RampMS: 100}
	for _, spoil := range []func(*RideSettings){
		func(s *RideSettings) { s.SharePercent = 91 },
		func(s *RideSettings) { s.MaxDB = 6.1 },
		func(s *RideSettings) { s.RampMS = 10 },
		func(s *RideSettings) { s.ReferenceDBFS = math.NaN() },
		func(s *RideSettings) { s.Phrases = []meter.Phrase{{From: 10, To: 10}} },
		func(s *RideSettings) { s.Phrases = []meter.Phrase{{From: 10, To: 30}, {From: 20, To: 40}} },
	} {
		s := good
		spoil(&s)
		if _, err := NewRide(s, 44100); err == nil {
			t.Errorf("%+v was taken", s)
		}
	}
}
