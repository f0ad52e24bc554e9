package narration

import (
	"math"
	"sync"
	"testing"

	"chapterhouse/testdata/voices/speech"
)

// activeSpeechLevel is method B of ITU-T P.56: level in dBFS over the time of
// speech, and that time's share.
func activeSpeechLevel(x []float64, rateHz float64) (level, activity float64) {
	g := math.Exp(-1 / (rateHz * 0.03))
	hang := int(0.2 * rateHz)
	var count, since [24]int
	for j := range since {
		since[j] = hang
	}
	p, q, sum := 0.0, 0.0, 0.0
	for _, v := range x {
		sum += v * v
		p = g*p + (1-g)*math.Abs(v)
		q = g*q + (1-g)*p
		c := 0.5
		for j := range count {
			if q >= c {
				count[j]++
				since[j] = 0
			} else if since[j] < hang {
				since[j]++
				count[j]++
			}
			c /= 2
		}
	}
	lastDiff, lastLevel := 0.0, 0.0
	for j := len(count) - 1; j >= 0; j-- {
		if count[j] == 0 {
			break
		}
		a := 10 * math.Log10(sum/float64(count[j]))
		diff := a - 20*math.Log10(math.Pow(2, -float64(j+1)))
		if diff <= 15.9 {
			share := 0.0
			if lastDiff != diff {
				share = (lastDiff - 15.9) / (lastDiff - diff)
			}
			level = lastLevel + share*(a-lastLevel)
			return level, sum / float64(len(x)) / math.Pow(10, level/10)
		}
		lastDiff, lastLevel = diff, a
	}
	return math.Inf(-1), 0
}

// TestSpeechStandsAtItsLevel: a sine first, for the meter (ITU-T P.56: -3.01
// dB at full scale), then every voice in a booth.
func TestSpeechStandsAtItsLevel(t *testing.T) {
	sine := make([]float64, 44100*5)
	for i := range sine {
		sine[i] = math.Sin(2 * math.Pi * 997 * float64(i) / 44100)
	}
	if l, _ := activeSpeechLevel(sine, 44100); math.Abs(l+3.01) > 0.1 {
		t.Fatalf("the meter reads a full-scale sine as %.2f dB", l)
	}
	var levelsFound []float64
	t.Cleanup(func() {
		// A sentence here and there is loud or soft; the voices together are not.
		if m := mean(levelsFound); math.Abs(m+24) > 0.7 {
			t.Errorf("all voices together stand at %.1f dBFS, set was -24", m)
		}
	})
	var mu sync.Mutex
	for _, v := range speech.Voices() {
		if v.Use == "tune" {
			continue // half of them tell enough, and a minute of tests is long
		}
		t.Run(v.Name, func(t *testing.T) {
			t.Parallel()
			o := Reading{Voice: v.Name, Seed: 6, RateHz: 44100, Spread: 1, Booth: "1.4x1.2x2.2,low=0.25", Noise: "pink:-70",
				SpeechDBFS: -24, Manner: Manner{HeadS: 1, TailS: 1, PauseS: 0.9, StopAtS: 24, Even: true}}
			samples, l := record(t, o)
			level, activity := activeSpeechLevel(samples, 44100)
			peak := 0.0
			for _, x := range samples {
				peak = max(peak, math.Abs(x))
			}
			words, sentences := levels(samples, l, "word"), levels(samples, l, "sentence")
			t.Logf("P.56 %.1f dBFS, active %.0f %%, peak %.1f dBFS, words SD %.1f dB, sentences SD %.1f dB",
				level, 100*activity, 20*math.Log10(peak), deviation(words), deviation(sentences))
			mu.Lock()
			levelsFound = append(levelsFound, level)
			mu.Unlock()
			if math.Abs(level+24) > 2 {
				t.Errorf("active speech level %.1f dBFS, set was -24 ±2 in half a minute", level)
			}
			if sd := deviation(words); sd < 3 || sd > 7 {
				t.Errorf("words deviate by %.1f dB, want 3 to 7", sd)
			}
		})
	}
}

// levels are the plain RMS of all stretches of a kind, dBFS.
func levels(x []float64, l Labels, kind string) []float64 {
	var out []float64
	for _, m := range l.Marks {
		if m.Kind == kind {
			out = append(out, rms(x[m.From:m.To]))
		}
	}
	return out
}

func rms(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return 10 * math.Log10(sum/float64(len(x)))
}

func deviation(x []float64) float64 {
	mean, sum := 0.0, 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sum += (v - mean) * (v - mean)
	}
	return math.Sqrt(sum / float64(len(x)-1))
}
