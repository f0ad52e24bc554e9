package narration

import (
	"math"
	"sort"
	"testing"

	"chapterhouse/testdata/voices/exact"
)

const labelScript = `The rope slipped across the stones, and the last of the sacks slid into the sea. She sold six lanterns this season.
[whisper] Somebody has been here since Sunday. [whisper] He knows it. The house was silent again. So was the sister of the smith.
[shout] Leave the boats! [shout] Run for the wall! The seller closed his books and sat down. It was seven, and then it was some time past seven.
There is a passage behind the stove, said the clerk. She saw nothing. Less was said each year. The master of the house passed the salt.`

// TestLabelsNameWhatIsThere listens at the labels, in a dry room, and finds
// what they name, at the levels that narration has.
func TestLabelsNameWhatIsThere(t *testing.T) {
	const rate = 44100
	for _, voice := range []string{"marlow", "wren"} {
		t.Run(voice, func(t *testing.T) {
			o := Reading{Voice: voice, Text: labelScript, Seed: 12, RateHz: rate, Spread: 1, Booth: "none", Noise: "hiss:-100", SpeechDBFS: -34,
				Manner: Manner{HeadS: 1, TailS: 1, PauseS: 0.9, PauseMinS: 0.8, BreathPct: 70, ClicksMin: 20}}
			x, l := record(t, o)
			var plain, esses, breaths, whispers, shouts, clicks, tone []float64
			essBand := 0
			styled := map[int64]bool{}
			for _, m := range l.Marks {
				if m.Kind == "whisper" || m.Kind == "shout" {
					styled[m.From] = true
				}
			}
			inPlain := false
			for _, m := range l.Marks {
				y := x[m.From:m.To]
				switch m.Kind {
				case "sentence":
					if inPlain = !styled[m.From]; inPlain {
						plain = append(plain, rms(y))
					}
				case "whisper":
					whispers = append(whispers, rms(y))
				case "shout":
					shouts = append(shouts, rms(y))
				case "breath":
					breaths = append(breaths, rms(y))
				case "click":
					clicks = append(clicks, peakDB(y)-rms(y))
				case "room-tone":
					tone = append(tone, rms(y))
				case "ess":
					// Its middle: the vowels on either side ring into it.
					if y = y[len(y)/4 : 3*len(y)/4]; inPlain && m.Text == "s" {
						esses = append(esses, rms(y))
						if strongest := thirdOctavePeak(y, rate); strongest >= 3900 && strongest <= 10100 {
							essBand++
						} else {
							t.Logf("an s is strongest at %.0f Hz", strongest)
						}
					}
				}
			}
			speech := mean(plain)
			checks := []struct {
				what   string
				value  []float64
				least  int
				lo, hi float64 // of the mean, against plain speech
			}{
				{"plain sentences", plain, 8, -0.01, 0.01},
				{"whispers", whispers, 2, -26, -18},
				{"shouts", shouts, 2, 12, 18},
				{"breaths", breaths, 3, -48, -33},
				{"esses", esses, 12, -16, 3},
				{"room tone", tone, 4, -80, -60},
			}
			for _, c := range checks {
				got := mean(c.value) - speech
				t.Logf("%d %s, %+.1f dB against plain speech", len(c.value), c.what, got)
				if len(c.value) < c.least || got < c.lo || got > c.hi {
					t.Errorf("%d %s at %+.1f dB against plain speech, want at least %d from %+.0f to %+.0f", len(c.value), c.what, got, c.least, c.lo, c.hi)
				}
			}
			if share := float64(essBand) / float64(len(esses)); share < 0.9 {
				t.Errorf("%.0f %% of the esses are strongest from 4 to 10 kHz, want 90", 100*share)
			}
			if len(clicks) == 0 || mean(clicks) < 6 {
				t.Errorf("%d clicks with their peak %.1f dB over their level", len(clicks), mean(clicks))
			}
		})
	}
}

// TestPitchIsTheVoices finds the pitch of a minute by autocorrelation: its
// median lies within a semitone and a half of the voice's.
func TestPitchIsTheVoices(t *testing.T) {
	for voice, hz := range map[string]float64{"alder": 86, "marlow": 205} {
		o := Reading{Voice: voice, Seed: 3, RateHz: 44100, Spread: 1, Booth: "none", SpeechDBFS: -24,
			Manner: Manner{HeadS: 0.2, TailS: 0.2, PauseS: 0.5, StopAtS: 22, Even: true}}
		x, l := record(t, o)
		var found []float64
		for _, m := range l.Marks {
			if m.Kind != "phone" || !vowels[m.Text] || m.To-m.From < 2400 {
				continue
			}
			at := int(m.From+m.To)/2 - 1100
			if f := pitch(x[at:at+2200], 44100); f > 0 {
				found = append(found, f)
			}
		}
		sort.Float64s(found)
		median := found[len(found)/2]
		t.Logf("%s: median %.0f Hz of %d vowels, %.0f to %.0f Hz", voice, median, len(found), found[len(found)/20], found[len(found)*19/20])
		if st := 12 * math.Log2(median/hz); math.Abs(st) > 1.5 {
			t.Errorf("%s: median pitch %.0f Hz, the voice's is %.0f", voice, median, hz)
		}
	}
}

var vowels = map[string]bool{"iy": true, "ih": true, "eh": true, "ae": true, "aa": true, "ao": true, "ah": true, "er": true, "ey": true, "ow": true, "ay": true}

// pitch is the strongest period from 60 to 500 Hz, 0 where none is clear.
func pitch(x []float64, rateHz float64) float64 {
	best, at := 0.0, 0
	score := func(lag int) float64 {
		var xy, xx, yy float64
		for i := 0; i+lag < len(x); i++ {
			xy += x[i] * x[i+lag]
			xx += x[i] * x[i]
			yy += x[i+lag] * x[i+lag]
		}
		return xy / math.Sqrt(xx*yy+1e-30)
	}
	for lag := int(rateHz / 500); lag <= int(rateHz/60); lag++ {
		// A whole number of periods fits as well: the shortest wins.
		if s := score(lag); s > best+0.02 {
			best, at = s, lag
		}
	}
	if best < 0.7 {
		return 0
	}
	return rateHz / float64(at)
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

func peakDB(x []float64) float64 {
	peak := 0.0
	for _, v := range x {
		peak = max(peak, math.Abs(v))
	}
	return 20 * math.Log10(peak)
}

// thirdOctavePeak is the centre of the strongest third-octave band.
func thirdOctavePeak(x []float64, rateHz float64) float64 {
	const n = 2048
	re, im := make([]float64, n), make([]float64, n)
	copy(re, x)
	exact.NewFFT(n).Forward(re, im)
	best, at := 0.0, 0.0
	for b := -10; b <= 13; b++ {
		mid := 1000 * math.Pow(10, 0.1*float64(b))
		sum := 0.0
		for k := range n / 2 {
			if hz := float64(k) * rateHz / n; hz >= mid*0.891 && hz < mid*1.122 {
				sum += re[k]*re[k] + im[k]*im[k]
			}
		}
		if sum > best {
			best, at = sum, mid
		}
	}
	return at
}
