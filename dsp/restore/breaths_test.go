package restore_test

import (
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/meter"
	. "chapterhouse/dsp/restore"
)

// levelled runs x through Breaths and lines the result up with it.
func levelled(t *testing.T, s BreathsSettings, rateHz float64, x []float64) []float64 {
	t.Helper()
	b, err := NewBreaths(s, rateHz)
	if err != nil {
		t.Fatal(err)
	}
	var y []float64
	emit := func(part []float64) { y = append(y, part...) }
	e := dsp.NewEngine(0, b)
	e.Write(x, emit)
	e.Close(emit)
	return y
}

func breathsRMS(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return 10 * math.Log10(sum/float64(len(x)))
}

// A breath far over the room tone falls by the cut, one near it to the room tone
// and no further, one at it not at all; outside, every bit stays.
func TestBreathsAreTurnedDown(t *testing.T) {
	for _, rate := range []float64{44100, 48000, 96000} {
		second := int(rate)
		noise := dsptest.Noise(3, 4*second)
		level := breathsRMS(noise[second : 2*second])
		weighted := append([]float64(nil), noise...)
		{
			m := meter.NewRoom(second)
			m.Write(weighted)
			if got := m.Result().Floor.MedianA; !math.IsNaN(float64(got)) {
				level = float64(got) // A-weighted, as the room tone
			}
		}
		for _, c := range []struct{ tone, cut, want float64 }{
			{level - 30, 6, -6}, {level - 30, 10, -10}, {level - 4, 8, -4}, {level + 3, 8, 0},
		} {
			from, to := second, 2*second
			s := BreathsSettings{CutDB: c.cut, RampMS: 20, RoomToneDBFSA: c.tone, Breaths: []meter.Window{{From: dsp.Frames(from), To: dsp.Frames(to)}}}
			y := levelled(t, s, rate, noise)
			margin := second / 20
			if got := breathsRMS(y[from+margin:to-margin]) - breathsRMS(noise[from+margin:to-margin]); math.Abs(got-c.want) > 0.3 {
				t.Errorf("%g Hz, tone %.1f dB under: %.2f dB, want %.2f", rate, level-c.tone, got, c.want)
			}
			for i, v := range y {
				if (i < from-dsp.ControlStep(rate) || i >= to+dsp.ControlStep(rate)) && math.Float64bits(v) != math.Float64bits(noise[i]) {
					t.Fatalf("%g Hz: sample %d outside the breath has changed", rate, i)
				}
			}
		}
	}
}

func TestBreathsConform(t *testing.T) {
	for _, rate := range []float64{44100, 96000} {
		for name, breaths := range map[string][]meter.Window{"none": nil, "some": {{From: 9000, To: 20000}, {From: 20000, To: 22000}, {From: 70000, To: 90000}}} {
			s := BreathsSettings{CutDB: 6, RampMS: 20, RoomToneDBFSA: -70, Breaths: breaths}
			t.Run(name, func(t *testing.T) {
				dsptest.Exercise(t, rate, func() dsp.Processor {
					b, err := NewBreaths(s, rate)
					if err != nil {
						t.Fatal(err)
					}
					return b
				})
			})
		}
	}
}

// The same part from another frame on sounds as it does from its start.
func TestBreathsKnowTheirPlace(t *testing.T) {
	const rate, from = 44100, 30 * dsp.Quantum
	x := dsptest.Noise(4, 100*dsp.Quantum)
	s := BreathsSettings{CutDB: 6, RampMS: 20, RoomToneDBFSA: -70, Breaths: []meter.Window{{From: 20000, To: 35000}, {From: 60000, To: 70000}}}
	whole := levelled(t, s, rate, x)
	b, err := NewBreaths(s, rate)
	if err != nil {
		t.Fatal(err)
	}
	var y []float64
	emit := func(part []float64) { y = append(y, part...) }
	e := dsp.NewEngine(from, b)
	e.Write(x[from:], emit)
	e.Close(emit)
	for i := s.Settle(rate); i < len(y); i++ {
		if math.Abs(y[i]-whole[from+i]) > 1e-3*math.Abs(whole[from+i])+1e-9 {
			t.Fatalf("frame %d is %g, want %g", from+i, y[i], whole[from+i])
		}
	}
}

func TestBreathsRefuse(t *testing.T) {
	good := BreathsSettings{CutDB: 6, RampMS: 20, RoomToneDBFSA: -70}
	for _, spoil := range []func(*BreathsSettings){
		func(s *BreathsSettings) { s.CutDB = 11 },
		func(s *BreathsSettings) { s.RampMS = 1 },
		func(s *BreathsSettings) { s.RoomToneDBFSA = math.NaN() },
		func(s *BreathsSettings) { s.Breaths = []meter.Window{{From: 10, To: 10}} },
		func(s *BreathsSettings) { s.Breaths = []meter.Window{{From: 10, To: 30}, {From: 20, To: 40}} },
	} {
		s := good
		spoil(&s)
		if _, err := NewBreaths(s, 44100); err == nil {
			t.Errorf("%+v was taken", s)
		}
	}
}

func BenchmarkBreaths(b *testing.B) {
	p, err := NewBreaths(BreathsSettings{CutDB: 6, RampMS: 20, RoomToneDBFSA: -70, Breaths: []meter.Window{{From: 9000, To: 1 << 40}}}, 44100)
	if err != nil {
		b.Fatal(err)
	}
	x := dsptest.Speechlike(1, dsp.Quantum, 44100)
	b.ReportAllocs()
	for b.Loop() {
		p.Process(x)
	}
	b.ReportMetric(float64(dsp.Quantum)/44100*float64(b.N)/b.Elapsed().Seconds(), "x")
}
