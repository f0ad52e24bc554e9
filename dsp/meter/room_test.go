package meter

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
)

// checkTone tests that no window touches a word and that the floor is right.
func (b *booth) checkTone(t *testing.T, r Room, floorDBFS float64) {
	t.Helper()
	if !(math.Abs(float64(r.Floor.Median)-floorDBFS) <= 0.5) {
		t.Errorf("floor %v, want %.1f ±0.5", r.Floor.Median, floorDBFS)
	}
	if r.Floor.Windows != len(r.Tone) {
		t.Errorf("%d windows said, %d given", r.Floor.Windows, len(r.Tone))
	}
	for i, w := range r.Tone {
		if i > 0 && w.From < r.Tone[i-1].To {
			t.Errorf("windows %v and %v overlap", r.Tone[i-1], w)
		}
		for _, s := range b.spoken {
			if int(w.From) < s.to && s.from < int(w.To) {
				t.Errorf("window %.3f-%.3f s holds the word at %.3f-%.3f s", w.From.Seconds(b.rateHz), w.To.Seconds(b.rateHz),
					float64(s.from)/float64(b.rateHz), float64(s.to)/float64(b.rateHz))
			}
		}
	}
}

func (b *booth) checkBounds(t *testing.T, r Room, from, to float64) {
	t.Helper()
	if got := r.Bounds.From.Seconds(b.rateHz); math.Abs(got-from) > 0.020 {
		t.Errorf("sound starts at %.3f s, want %.3f ±0.020", got, from)
	}
	if got := r.Bounds.To.Seconds(b.rateHz); math.Abs(got-to) > 0.020 {
		t.Errorf("sound ends at %.3f s, want %.3f ±0.020", got, to)
	}
}

func TestRoomOfNarration(t *testing.T) {
	for _, kind := range []string{"white", "pink", "brown", "hum and hiss"} {
		for _, floor := range []float64{-75, -60, -45} {
			for _, rate := range []int{44100, 48000} {
				if rate == 48000 && floor != -60 {
					continue
				}
				t.Run(fmt.Sprintf("%s %v dBFS at %d Hz", kind, floor, rate), func(t *testing.T) {
					b := newBooth(rate, 40, kind, floor, uint64(-floor)+uint64(rate))
					b.speak(1.234, 37.618, -20, 0.6, 1.3, true)
					r := b.room()
					b.checkTone(t, r, floor)
					b.checkBounds(t, r, 1.234, 37.618)
					if got, want := r.SpeechS, b.spokenS(); math.Abs(got-want) > 0.1*want {
						t.Errorf("%.2f s of speech, want %.2f ±10 %%", got, want)
					}
					if r.DigitalSilenceS != 0 {
						t.Errorf("%v s of digital silence, want none", r.DigitalSilenceS)
					}
					// The windows' spectrum is that of the tone alone.
					w, err := spectrum.NewWelch(8192)
					if err != nil {
						t.Fatal(err)
					}
					w.Write(b.tone)
					want := spectrum.Levels(w.Power(), rate, spectrum.SixthOctaves())
					for i, band := range spectrum.SixthOctaves() {
						if band.Mid < 100 {
							continue // a few cycles a window: no steady level
						}
						if got := float64(r.ToneSpectrum[i]); math.Abs(got-float64(want[i])) > 1.5 {
							t.Errorf("band at %.0f Hz: %.2f dBFS, want %.2f ±1.5", band.Mid, got, float64(want[i]))
						}
					}
				})
			}
		}
	}
}

// TestRoomShutsOut: what is laid into the pauses is not room tone.
func TestRoomShutsOut(t *testing.T) {
	const rate, floor = 44100, -68
	make1 := func() *booth {
		b := newBooth(rate, 30, "pink", floor, 5)
		for i := range 6 {
			at := 2 + 4.5*float64(i)
			b.speak(at, at+2, -20, 0.6, 0.7, false)
		}
		return b
	}
	for name, lay := range map[string]func(b *booth, at float64) (from, to float64){
		"a breath 37 dB below speech": func(b *booth, at float64) (float64, float64) { b.breath(at, at+0.45, -57); return at + 0.1, at + 0.35 },
		"a long breath":               func(b *booth, at float64) (float64, float64) { b.breath(at, at+1.1, -57); return at + 0.1, at + 1 },
		"a click":                     func(b *booth, at float64) (float64, float64) { b.click(at+0.3, 0.02); return at + 0.3, at + 0.302 },
		"a soft word":                 func(b *booth, at float64) (float64, float64) { b.word(at, at+0.4, -52); return at, at + 0.4 },
		"digital silence":             func(b *booth, at float64) (float64, float64) { clear(b.x[b.at(at):b.at(at+0.7)]); return at, at + 0.7 },
		"a held sample": func(b *booth, at float64) (float64, float64) {
			fill(b.x[b.at(at):b.at(at+0.7)], 0.001)
			return at, at + 0.7
		},
		"a knock on the stand": func(b *booth, at float64) (float64, float64) {
			for i := range b.at(0.8) {
				s := float64(i) / rate
				b.x[b.at(at)+i] += 0.03 * math.Sin(2*math.Pi*18*s) * math.Exp(-3*s)
			}
			return at, at + 0.5
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := make1()
			var laid [][2]float64
			for i := range 5 {
				from, to := lay(b, 4.6+4.5*float64(i))
				laid = append(laid, [2]float64{from, to})
			}
			r := b.room()
			b.checkTone(t, r, floor)
			if len(r.Tone) < 6 {
				t.Errorf("%d windows, want at least 6", len(r.Tone))
			}
			for _, w := range r.Tone {
				for _, l := range laid {
					if from, to := w.From.Seconds(rate), w.To.Seconds(rate); from < l[1] && l[0] < to {
						t.Errorf("window %.3f-%.3f s holds what was laid at %.3f-%.3f s", from, to, l[0], l[1])
					}
				}
			}
			if name == "digital silence" || name == "a held sample" {
				if math.Abs(r.DigitalSilenceS-5*0.7) > 0.001 {
					t.Errorf("%.3f s of digital silence, want 3.5", r.DigitalSilenceS)
				}
			}
		})
	}
}

func fill(x []float64, v float64) {
	for i := range x {
		x[i] = v
	}
}

// TestRoomWhereTheFloorMoves: a few dB more in places is still room tone.
func TestRoomWhereTheFloorMoves(t *testing.T) {
	const rate = 44100
	b := newBooth(rate, 60, "pink", -70, 6)
	for i := b.at(20); i < b.at(40); i++ {
		b.x[i] *= 1.78 // +5 dB
	}
	b.speak(1, 59, -20, 0.8, 1.2, false)
	r := b.room()
	louder := 0
	for _, w := range r.Tone {
		if at := w.From.Seconds(rate); at > 20 && at < 40 {
			louder++
		}
	}
	if share := float64(louder) / float64(len(r.Tone)); share < 0.2 || share > 0.5 {
		t.Errorf("%d of %d windows where the floor is 5 dB up, want about a third", louder, len(r.Tone))
	}
	near(t, "median", float64(r.Floor.Median), -70, 0.7)
	near(t, "worst tenth", float64(r.Floor.WorstTenth), -65, 1)
	b.checkBounds(t, r, 1, 59)
}

func TestRoomWithShortPauses(t *testing.T) {
	b := newBooth(44100, 40, "pink", -62, 7)
	b.speak(0, 40, -20, 0.38, 0.42, false) // none before, none after
	r := b.room()
	b.checkTone(t, r, -62)
	if len(r.Tone) < 4 {
		t.Errorf("%d windows, want at least 4", len(r.Tone))
	}
	for _, w := range r.Tone {
		if w.To-w.From != 25*441 {
			t.Errorf("window of %d frames, want a quarter of a second", w.To-w.From)
		}
	}
	if r.ToneSpectrum == nil {
		t.Error("no spectrum")
	}
}

func TestRoomWithoutSpeech(t *testing.T) {
	for _, kind := range []string{"white", "pink", "brown", "hum and hiss"} {
		for _, floor := range []float64{-80, -45} {
			b := newBooth(44100, 20, kind, floor, 8)
			r := b.room()
			b.checkTone(t, r, floor)
			if r.Bounds != (Window{}) || r.SpeechS != 0 || r.Floor.Windows < 30 {
				t.Errorf("%s at %v dBFS: bounds %v, %v s of speech, %d windows; want none, none and nearly 40", kind, floor, r.Bounds, r.SpeechS, r.Floor.Windows)
			}
		}
	}
}

func TestRoomWithoutPauses(t *testing.T) {
	b := newBooth(44100, 20, "pink", -60, 9)
	b.speak(0, 20, -20, 0, 0, false)
	r := b.room()
	if r.Floor.Windows != 0 || !math.IsNaN(float64(r.Floor.Median)) || r.ToneSpectrum != nil {
		t.Errorf("speech without pauses has room tone: %+v", r.Floor)
	}
	b.checkBounds(t, r, 0, 20)
	near(t, "speech", r.SpeechS, 20, 1)
}

func TestRoomOfDigitalSilence(t *testing.T) {
	for _, n := range []int{0, 1, 441, 441000 + 17} {
		m := NewRoom(44100)
		m.Write(make([]float64, n))
		r := m.Result()
		want := dsp.Frames(n).Seconds(44100)
		if n < 441 {
			want = 0 // shorter than 10 ms: a run of nothing yet
		}
		if r.Floor.Windows != 0 || r.SpeechS != 0 || r.DigitalSilenceS != want || r.Bounds.To != r.Bounds.From {
			t.Errorf("%d zeros: %+v", n, r)
		}
	}
}

// TestRoomBetweenEdits: speech and true room tone, cut into digital silence.
func TestRoomBetweenEdits(t *testing.T) {
	b := newBooth(44100, 30, "brown", -66, 10)
	b.speak(2, 28, -20, 0.9, 1.4, false)
	clear(b.x[:b.at(1)])
	clear(b.x[b.at(29):])
	r := b.room()
	b.checkTone(t, r, -66)
	b.checkBounds(t, r, 2, 28)
	near(t, "digital silence", r.DigitalSilenceS, 2, 0.001)
	for _, w := range r.Tone {
		if w.From < dsp.Frames(b.at(1)) || w.To > dsp.Frames(b.at(29)) {
			t.Errorf("window %v lies in digital silence", w)
		}
	}
}

func TestRoomInBlocksOfAnySize(t *testing.T) {
	b := newBooth(44100, 12.3456, "pink", -62, 11)
	b.speak(1, 11, -20, 0.6, 1, true)
	clear(b.x[b.at(11.2):b.at(11.5)])
	want := b.room()
	for range 3 {
		m := NewRoom(44100)
		for from := 0; from < len(b.x); {
			n := min(len(b.x)-from, b.rng.IntN(3000))
			m.Write(b.x[from : from+n])
			from += n
		}
		if got := fmt.Sprint(m.Result()); got != fmt.Sprint(want) {
			t.Fatalf("in pieces %v, whole %v", got, want)
		}
	}
}

// TestRoomStaysSmall: however much room tone there is, frames and spectra are
// bounded, and windows come from all of it.
func TestRoomStaysSmall(t *testing.T) {
	b := newBooth(8000, 60, "white", -60, 12)
	m := NewRoom(8000)
	for range 50 {
		m.Write(b.x)
		if len(m.frames) > 2*partFrames || len(m.spectra.kept) >= maxSpectra {
			t.Fatalf("%d frames and %d spectra are kept", len(m.frames), len(m.spectra.kept))
		}
	}
	r := m.Result()
	if want := 50 * 60 * 2; r.Floor.Windows < want*8/10 || r.ToneSpectrum == nil {
		t.Errorf("%d windows of room tone, want nearly %d", r.Floor.Windows, want)
	}
	if last := r.Tone[len(r.Tone)-1].To; last < dsp.Frames(49*60*8000) {
		t.Errorf("the last window ends at %d", last)
	}
}

// TestRoomInParts: a long narration gives what its minutes give, wherever the
// parts are cut: the same windows in time order, speech added up, bounds of the
// whole, and a run of digital silence across a cut shut out.
func TestRoomInParts(t *testing.T) {
	const rate, minutes = 8000, 31
	b := newBooth(rate, 60, "pink", -60, 14)
	b.speak(2, 57, -22, 0.7, 1.4, false)
	m := NewRoom(rate)
	silentFrom, silentTo := 10*60*rate-rate, 10*60*rate+rate // across the first cut
	for i := range minutes {
		x := slices.Clone(b.x)
		for k := range x {
			if at := i*60*rate + k; at >= silentFrom && at < silentTo {
				x[k] = 0
			}
		}
		m.Write(x)
	}
	r, one := m.Result(), b.room()
	near(t, "floor", float64(r.Floor.Median), float64(one.Floor.Median), 0.3)
	near(t, "speech", r.SpeechS, minutes*one.SpeechS, 0.05*minutes*one.SpeechS)
	near(t, "first sound", r.Bounds.From.Seconds(rate), one.Bounds.From.Seconds(rate), 0.02)
	near(t, "last sound", r.Bounds.To.Seconds(rate), (minutes-1)*60+one.Bounds.To.Seconds(rate), 0.02)
	if n, want := r.Floor.Windows, minutes*one.Floor.Windows; n < want*9/10 || n > want*11/10 {
		t.Errorf("%d windows, want about %d", n, want)
	}
	for i, w := range r.Tone {
		if i > 0 && w.From < r.Tone[i-1].To {
			t.Fatalf("window %d overlaps the one before", i)
		}
		if w.To > dsp.Frames(silentFrom) && w.From < dsp.Frames(silentTo) {
			t.Errorf("window %v lies in digital silence", w)
		}
	}
}

// TestRoomSameBits: the same under GOAMD64=v1, GOAMD64=v3 and GODEBUG=cpu.fma=off.
func TestRoomSameBits(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 3))
	m := NewRoom(44100)
	for second := range 10 {
		loud := 0.001 + 0.2*float64(second%2)
		x := make([]float64, 44100)
		for i := range x {
			x[i] = loud * (2*rng.Float64() - 1)
		}
		m.Write(x)
	}
	h := fnv.New64a()
	for _, f := range m.frames {
		fmt.Fprintln(h, f)
	}
	for _, s := range m.spectra.kept {
		fmt.Fprintln(h, s)
	}
	fmt.Fprintln(h, m.Result())
	const want = 0xcd85aafc73c381f5
	if got := h.Sum64(); got != want {
		t.Errorf("digest %#x, want %#x", got, uint64(want))
	}
}

func BenchmarkRoom(b *testing.B) {
	narration := newBooth(44100, 60, "pink", -62, 1)
	narration.speak(1, 59, -20, 0.6, 1.2, true)
	tone := newBooth(44100, 60, "pink", -62, 1)
	for name, x := range map[string][]float64{"narration": narration.x, "room tone": tone.x} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				m := NewRoom(44100)
				for from := 0; from+1024 <= len(x); from += 1024 {
					m.Write(x[from : from+1024])
				}
				m.Result()
			}
			b.ReportMetric(60*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
		})
	}
}
