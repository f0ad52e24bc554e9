package clinic

import (
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
)

// TestStill: a resonance that a wandering pitch passes is a peak, where it is and
// about as high; the same voice without it has none.
func TestStill(t *testing.T) {
	const rate = 22050
	voice := make([]float64, 24*rate)
	phase := 0.0
	for i := range voice {
		at := float64(i) / rate
		phase += 2 * math.Pi * 115 * math.Exp2(0.5*math.Sin(2*math.Pi*0.31*at)+0.15*math.Sin(2*math.Pi*1.7*at)) / rate
		for k := 1.0; k <= 10; k++ {
			voice[i] += 0.05 / k * math.Sin(k*phase)
		}
	}
	for _, c := range []struct{ hz, db, q float64 }{{0, 0, 1}, {240, 9, 6}, {330, 8, 8}} {
		x := voice
		if c.db != 0 {
			sections, err := filter.Bell(c.hz, c.db, c.q, rate)
			if err != nil {
				t.Fatal(err)
			}
			x = append([]float64(nil), voice...)
			kernel.NewCascade(sections).Process(x)
		}
		r := &Read{RateHz: rate, x: x}
		r.Marks.Phrases = []meter.Phrase{{From: 0, To: dsp.Frames(len(x))}}
		l := lower(r)
		if low, high := share(l.pitches(), 0.02), share(l.pitches(), 0.98); low < 70 || low > 80 || high < 160 || high > 185 {
			t.Errorf("the pitch goes from %.0f to %.0f Hz, it went from 74 to 179", low, high)
		}
		peaks := stillOf(l).peaks()
		switch {
		case c.db == 0 && len(peaks) > 0:
			t.Errorf("peaks %.1f in a voice without any", peaks)
		case c.db > 0 && (len(peaks) == 0 || math.Abs(peaks[0].hz/c.hz-1) > 0.05 || math.Abs(peaks[0].db-c.db) > 3):
			t.Errorf("peaks %.1f, want %g Hz, %g dB", peaks, c.hz, c.db)
		}
	}
}

// TestToEarlier: what an approved recording has beside the read is gone for, but
// a hole as narrow as a third of an octave is filled by 2 dB at most.
func TestToEarlier(t *testing.T) {
	const rate, size = 44100, 16384
	power, to := make([]float64, size/2+1), make([]float64, 31)
	for i, b := range spectrum.ThirdOctaves() {
		to[i] = -20
		if i >= thirdAt(1600) {
			to[i] = -16 // a brighter voice
		}
		level := -20.0
		if i == thirdAt(250) {
			level = -28 // a hole in the read
		}
		from, past := int(b.Lower*size/rate), min(size/2, int(b.Upper*size/rate))
		for k := from; k < past; k++ {
			power[k] = math.Pow(10, level/10) / float64(past-from)
		}
		if b.Mid < 75 || b.Mid > 16000 {
			to[i] = math.NaN()
		}
	}
	items := toEarlier(power, rate, to)
	figure := func(fs fields, key string) (v float64) {
		for _, f := range fs {
			if f.key == key {
				v, _ = f.value.(float64)
			}
		}
		return v
	}
	lifted, filled := 0.0, 0.0
	for _, i := range items {
		s, err := filter.Bell(figure(i, "centre_hz"), figure(i, "gain_db"), figure(i, "q"), rate)
		if err != nil {
			t.Fatal(err)
		}
		if figure(i, "q") >= narrowQ && figure(i, "gain_db") > 0 {
			db, _ := kernel.Response(s, 251, rate)
			filled += db
		}
		high, _ := kernel.Response(s, 4000, rate)
		low, _ := kernel.Response(s, 500, rate)
		lifted += high - low
	}
	if filled > mostFilledDB+0.1 {
		t.Errorf("a hole is filled by %.1f dB: %v", filled, items)
	}
	if math.Abs(lifted-4) > 1 {
		t.Errorf("4 kHz is lifted by %.1f dB against 500 Hz, want 4: %v", lifted, items)
	}
}
