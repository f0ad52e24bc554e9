package narration

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"chapterhouse/testdata/voices/espeak"
	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/speech"
)

var printColours = flag.Bool("print-colours", false, "print the colours that would bring each voice to its aim")

// byrne is the long-term average speech spectrum of Byrne et al. 1994 (JASA
// 96(4)), men and women together: third-octave level re the total, dB,
// 100 Hz to 16 kHz.
var byrne = [23]float64{-15.6, -12.3, -13.2, -9.8, -9.7, -11.0, -7.9, -7.9, -9.5, -13.2, -16.3, -17.0, -18.0,
	-21.3, -21.9, -23.2, -24.4, -25.5, -25.7, -26.3, -26.6, -28.7, -29.3}

// TestVoicesSpeakWithASpeechSpectrum compares a minute of each voice in the
// free field with published speech, in the bands from its own pitch up: men
// and women differ below 160 Hz (Byrne et al.), and no woman has 125 Hz.
func TestVoicesSpeakWithASpeechSpectrum(t *testing.T) {
	for _, v := range Voices() {
		t.Run(v.Name, func(t *testing.T) {
			t.Parallel()
			needVoice(t, v.Name)
			// Colours were found with one reading and are judged by another.
			seed, seconds := uint64(6), 60.0
			if *printColours {
				seed, seconds = 5, 300
			}
			o := Reading{Voice: v.Name, Seed: seed, RateHz: 44100, Spread: 1, Booth: "none", SpeechDBFS: -24,
				Manner: Manner{HeadS: 0.1, TailS: 0.1, PauseS: 0.5, StopAtS: seconds, Even: true}}
			samples, _ := record(t, o)
			levels := thirdOctaves(samples, 44100)
			aim := aimOf(v)
			if *printColours {
				first, mean := 0, 0.0
				for speech.ThirdOctavesHz[first] < 0.9*v.F0Hz {
					first++
				}
				last := len(aim) - 1
				if strings.HasPrefix(v.Name, "espeak-") {
					last -= 2 // the program's sound ends at 11 kHz
				}
				for i := first; i < len(aim); i++ {
					v.ColourDB[i] = math.Max(-16, math.Min(16, v.ColourDB[i]+aim[i]-levels[i]))
					if i > last {
						v.ColourDB[i] = v.ColourDB[last]
					}
					mean += v.ColourDB[i] / float64(len(aim)-first)
				}
				for i := range aim {
					v.ColourDB[i] = math.Round(10*(v.ColourDB[max(i, first)]-mean)) / 10
				}
				for i := range first {
					v.ColourDB[i] = v.ColourDB[first] // what is below the voice is left alone
				}
				t.Logf("%q: {%s", strings.TrimPrefix(v.Name, "espeak-"), join(v.ColourDB[:]))
				return
			}
			worst := 0.0
			defer func() { t.Logf("at most %.1f dB from Byrne et al.", worst) }()
			for i, hz := range speech.ThirdOctavesHz {
				if hz < 125 || hz < v.F0Hz*0.9 || hz > 8000 {
					continue
				}
				d := levels[i] - byrne[i]
				worst = max(worst, math.Abs(d))
				if math.Abs(d) > 4 {
					t.Errorf("%v Hz: %+.1f dB against Byrne et al.; ±4 allowed", hz, d)
				}
			}
		})
	}
}

// needVoice skips where a voice needs a program that is not there.
func needVoice(t *testing.T, name string) {
	t.Helper()
	if !strings.HasPrefix(name, "espeak-") || espeak.Installed() {
		return
	}
	if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
		t.Fatal("the espeak-ng program is not installed")
	}
	t.Skip("the espeak-ng program is not installed")
}

// aimOf is the published spectrum with a colour of the voice's own, so that
// voices differ: a tilt and two bumps, 1 dB at most.
func aimOf(v speech.Voice) [23]float64 {
	r := exact.NewRandom(9, v.Name)
	tilt := r.Between(-3.5, 3.5)
	size, at := [2]float64{r.Between(-4, 4), r.Between(-4, 4)}, [2]float64{r.Between(4, 10), r.Between(11, 18)}
	out := byrne
	for i := range out {
		own := tilt * (float64(i) - 11) / 11
		for j := range size {
			x := (float64(i) - at[j]) / 2
			own += size[j] * exact.Exp(-x*x)
		}
		out[i] += math.Max(-1, math.Min(1, own))
	}
	return out
}

func join(x []float64) string {
	s := ""
	for _, v := range x {
		s += fmt.Sprint(v) + ", "
	}
	return s[:len(s)-2] + "},"
}

// thirdOctaves are the levels of IEC 61260-1 bands re the total, dB.
func thirdOctaves(x []float64, rateHz float64) [23]float64 {
	const n = 8192
	fft := exact.NewFFT(n)
	power, hann := make([]float64, n/2), make([]float64, n)
	for i := range hann {
		hann[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/n)
	}
	for at := 0; at+n <= len(x); at += n / 2 {
		re, im := make([]float64, n), make([]float64, n)
		for i := range re {
			re[i] = x[at+i] * hann[i]
		}
		fft.Forward(re, im)
		for k := range power {
			power[k] += re[k]*re[k] + im[k]*im[k]
		}
	}
	var out [23]float64
	total := 0.0
	for k := 2; k < len(power); k++ {
		total += power[k]
	}
	for b := range out {
		mid := 1000 * math.Pow(10, 0.1*float64(b-10))
		lo, hi := mid*math.Pow(10, -0.05), mid*math.Pow(10, 0.05)
		sum := 0.0
		for k := range power {
			// A bin counts by how much of it lies within the band.
			from, to := (float64(k)-0.5)*rateHz/n, (float64(k)+0.5)*rateHz/n
			if share := (math.Min(to, hi) - math.Max(from, lo)) / (to - from); share > 0 {
				sum += power[k] * share
			}
		}
		out[b] = 10 * math.Log10(sum/total)
	}
	return out
}

// record is a reading's samples and labels.
func record(t *testing.T, r Reading) (x []float64, l Labels) {
	t.Helper()
	l, err := r.Record(func(block []float64) error {
		x = append(x, block...)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return x, l
}
