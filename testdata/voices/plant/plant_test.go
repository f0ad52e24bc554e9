package plant

import (
	"math"
	"slices"
	"testing"

	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/narration"
)

const testHz = 44100

// testReading is a short one; wren is a formula voice.
func testReading(stopS float64) narration.Reading {
	return narration.Reading{Voice: "wren", Seed: 3, RateHz: testHz, Booth: "1.4x1.2x2.2,low=0.25", Noise: "pink:-62,hiss:-66", SpeechDBFS: -26, Spread: 1,
		Manner: narration.Manner{HeadS: 1, TailS: 1, PauseS: PauseS, PauseMinS: 0.45, ClicksMin: -1, Even: true, StopAtS: stopS}}
}

func kindNamed(t *testing.T, name string) Kind {
	t.Helper()
	all := Kinds()
	i := slices.IndexFunc(all, func(k Kind) bool { return k.Name == name })
	if i < 0 {
		t.Fatalf("no kind is called %q", name)
	}
	return all[i]
}

// TestSizes: what a fault adds or takes has the size in physical units that it
// was asked for, and lies where it says. A DFT of the difference from the clean
// reading measures it, not the filters that laid it.
func TestSizes(t *testing.T) {
	bed, err := NewBed(testReading(80))
	if err != nil {
		t.Fatal(err)
	}
	clean := bed.layer(exact.NewRandom(1, "clean")).scene(nil).Mono
	added := func(s Scene) []float64 {
		d := make([]float64, len(s.Mono))
		for i, v := range s.Mono {
			d[i] = v - clean[i]
		}
		return d
	}
	one := func(name string, level int) (Scene, Span) {
		s, left := bed.Spots([]Wanted{{kindNamed(t, name), level}}, 5)
		if len(left) > 0 || len(s.Plants) != 1 || s.Plants[0].Kind != name {
			t.Fatalf("%s found no place: %v", name, s.Plants)
		}
		return s, s.Plants[0].Places[0]
	}
	near := func(what string, got, want, within float64) {
		t.Helper()
		if math.Abs(got-want) > within {
			t.Errorf("%s: %.2f, wanted %.2f", what, got, want)
		}
	}
	for level, db := range kindNamed(t, "click").Sizes {
		s, at := one("click", level)
		local := bandRMS(clean[at.From-1764:at.From+1764], 2000, 10000)
		// Its energy over 2 ms, whatever the transform's length.
		alone := bandRMS(added(s)[at.From-100:at.From+412], 2000, 10000) * math.Sqrt(512.0/88)
		near("click", 20*math.Log10(alone/local), db, 1.5)
	}
	for level, db := range kindNamed(t, "plosive").Sizes {
		s, at := one("plosive", level)
		d := added(s)
		near("plosive over P95", 20*math.Log10(rms(below(d[at.From:at.To], 120, testHz))/bed.popLevel), db, 0.3)
		for i, v := range d {
			if v != 0 && (i < at.From || i >= at.To) {
				t.Fatalf("plosive: frame %d is changed outside of %v", i, at)
			}
		}
	}
	for level, ms := range kindNamed(t, "dropout").Sizes {
		s, at := one("dropout", level)
		near("dropout, ms", 1000*float64(at.To-at.From)/testHz, ms, 0.1)
		first, last := changed(added(s))
		if first < at.From || last > at.To || last-first < (at.To-at.From)*9/10 {
			t.Errorf("dropout: changed from %d to %d, said %v", first, last, at)
		}
	}
	for level, seconds := range kindNamed(t, "digital-silence").Sizes {
		s, at := one("digital-silence", level)
		near("digital silence, s", float64(at.To-at.From)/testHz, seconds, 0.001)
		if rms(s.Mono[at.From:at.To]) != 0 {
			t.Error("digital silence has a sound")
		}
	}
	for level, samples := range kindNamed(t, "clip").Sizes {
		s, _ := one("clip", level)
		run, longest := 0, 0
		for i, v := range s.Mono {
			if math.Abs(v) > 0.9999 && (run == 0 || v == s.Mono[i-1]) {
				run++
			} else {
				run = 0
			}
			longest = max(longest, run)
		}
		near("flat samples", float64(longest), samples, 4)
	}
}

// TestStretches: rooms change by what they should, hum stands so far out of its
// third octave, and a side is so much lower.
func TestStretches(t *testing.T) {
	bed, err := NewBed(testReading(80))
	if err != nil {
		t.Fatal(err)
	}
	quiet := *bed // the same without a voice, so that the room can be measured anywhere
	quiet.voice = make([]float64, len(bed.voice))
	for _, name := range []string{"floor-change", "room-tone-jump"} {
		k := kindNamed(t, name)
		for level, db := range k.Sizes {
			s := quiet.Window(Wanted{k, level}, 9)
			p := s.Plants[0].Places
			from, to := p[0].To+100, len(s.Mono)
			if len(p) > 1 {
				to = p[1].From
			}
			step := 20 * math.Log10(rms(s.Mono[from:to])/rms(s.Mono[:p[0].From]))
			if math.Abs(math.Abs(step)-db) > 0.5 {
				t.Errorf("%s: %.2f dB, wanted %g", name, step, db)
			}
		}
	}
	k := kindNamed(t, "hum")
	seed := uint64(9)
	for quiet.Window(Wanted{k, 0}, seed).Plants[0].Places[0].From < 1<<19 { // there has to be noise without hum before
		seed++
	}
	for level, db := range k.Sizes {
		s := quiet.Window(Wanted{k, level}, seed)
		at := s.Plants[0].Places[0]
		x := s.Mono[at.From+testHz : at.From+testHz+1<<20]
		best := math.Inf(-1)
		for _, mains := range []float64{50, 60} {
			for h := 1.0; h <= 8; h++ {
				hz := mains * h
				line := bandRMS(x, hz-0.6, hz+0.6)
				noise := bandRMS(s.Mono[:at.From], hz*0.891, hz*1.122)
				best = max(best, 20*math.Log10(line/noise))
			}
		}
		if math.Abs(best-db) > 1.5 {
			t.Errorf("hum: the strongest line is %.2f dB over its third octave, wanted %g", best, db)
		}
	}
	k = kindNamed(t, "sides")
	for level, db := range k.Sizes {
		s := bed.Window(Wanted{k, level}, 9)
		at := s.Plants[0].Places[0]
		off := 20 * math.Log10(rms(s.Sides[0][at.From:])/rms(s.Sides[1][at.From:]))
		if math.Abs(math.Abs(off)-db) > 0.2 || math.Abs(20*math.Log10(rms(s.Sides[0][:at.From])/rms(s.Sides[1][:at.From]))) > 0.1 {
			t.Errorf("sides: %.2f dB apart, wanted %g", off, db)
		}
	}
	k = kindNamed(t, "drift")
	for level, db := range k.Sizes {
		d := *bed
		for i := range d.voice {
			d.voice[i] = 0.01
		}
		s := d.Whole(Wanted{k, level}, 9)
		x := s.Mono
		n := testHz
		course := 20 * math.Log10((mean(x[len(x)-n:]))/mean(x[:n])) * 600 / (float64(len(x)-n) / testHz)
		if math.Abs(math.Abs(course)-db) > 0.3 {
			t.Errorf("drift: %.2f dB in ten minutes, wanted %g", course, db)
		}
	}
}

// TestScripts: what is read twice lasts so long, and is where it says; a pasted
// copy has the first one's samples.
func TestScripts(t *testing.T) {
	var wanted []Wanted
	for _, name := range []string{"repeated-take", "pasted-take", "false-start", "long-pause", "esses"} {
		wanted = append(wanted, Wanted{kindNamed(t, name), 1})
	}
	s, err := Read(testReading(0), wanted, 4)
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Plants) != len(wanted) {
		t.Fatalf("%d of %d: %v", len(s.Plants), len(wanted), s.Plants)
	}
	seconds := func(p Span) float64 { return float64(p.To-p.From) / testHz }
	for i, p := range s.Plants {
		size := wanted[i].Kind.Sizes[1]
		switch p.Kind {
		case "pasted-take":
			a, b := p.Places[0], p.Places[1]
			if !slices.Equal(s.Mono[a.From:a.To], s.Mono[b.From:b.To]) {
				t.Error("the pasted copy is no copy")
			}
			fallthrough
		case "repeated-take", "false-start":
			if seconds(p.Places[0]) < size || p.Places[1].From < p.Places[0].To {
				t.Errorf("%s of %g s: %v", p.Kind, size, p.Places)
			}
		case "long-pause":
			at := p.Places[0]
			if math.Abs(seconds(at)-PauseS-size) > 0.1 || rms(s.Mono[at.From+testHz/2:at.To]) > 0.003 {
				t.Errorf("a pause of %.2f s with %.4f in it", seconds(at), rms(s.Mono[at.From+testHz/2:at.To]))
			}
		case "esses":
			if len(p.Places) < 3 {
				t.Errorf("%d esses", len(p.Places))
			}
		}
	}
	again, err := Read(testReading(0), wanted, 4)
	if err != nil || !slices.Equal(again.Mono, s.Mono) {
		t.Errorf("the same seed gives another recording: %v", err)
	}
}

// changed is from the first to behind the last frame that is not 0.
func changed(d []float64) (first, last int) {
	first = -1
	for i, v := range d {
		if v != 0 {
			if first < 0 {
				first = i
			}
			last = i + 1
		}
	}
	return first, last
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// bandRMS is what x has between two frequencies, by a DFT without a window; x is
// cut to a power of two.
func bandRMS(x []float64, lowHz, highHz float64) float64 {
	n := 1
	for 2*n <= len(x) {
		n *= 2
	}
	re, im := append([]float64(nil), x[:n]...), make([]float64, n)
	exact.NewFFT(n).Forward(re, im)
	sum := 0.0
	for k := range n / 2 {
		if hz := float64(k) * testHz / float64(n); hz >= lowHz && hz < highHz {
			sum += re[k]*re[k] + im[k]*im[k]
		}
	}
	return math.Sqrt(2*sum) / float64(n)
}
