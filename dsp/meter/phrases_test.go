package meter

import (
	"math"
	"testing"

	"chapterhouse/dsp"
)

// phrasesOf are the words of a booth joined over gaps of less than a pause.
func phrasesOf(b *booth) (phrases []stretch) {
	for _, w := range b.spoken {
		if n := len(phrases); n > 0 && w.from-phrases[n-1].to < b.at(0.2) {
			phrases[n-1].to = w.to
			continue
		}
		phrases = append(phrases, w)
	}
	return phrases
}

// Phrases begin 150 ms before their first word at the earliest and 20 ms into it at
// the latest, and end between 40 ms before the end of the last and 200 ms after it,
// whatever the level; breaths in the pauses are none of them; and their level is
// what the speech voltmeter of ITU-T P.56 says of the same samples, within 0.5 dB,
// in a poor booth 0.6.
func TestPhrases(t *testing.T) {
	for _, c := range []struct {
		name         string
		rateHz       int
		noise        string
		floor        float64
		levels       []float64 // one after the other, each for 20 s
		breaths      bool
		least, worst float64 // share of phrases found whole; largest error of level
	}{
		{"plain", 44100, "pink", -65, []float64{-22, -22}, false, 1, 0.5},
		{"with breaths", 48000, "pink", -72, []float64{-22, -22}, true, 1, 0.5},
		{"whisper and shout", 44100, "brown", -72, []float64{-22, -38, -14, -22}, true, 1, 0.5},
		{"a poor booth", 44100, "white", -50, []float64{-22, -30}, false, 1, 0.6},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBooth(c.rateHz, 2+20*float64(len(c.levels))+1, c.noise, c.floor, 7)
			for i, l := range c.levels {
				b.speak(2+20*float64(i), 21.2+20*float64(i), l, 0.45, 1.1, c.breaths)
			}
			got, want := b.room().Phrases, phrasesOf(b)
			found := 0
			for _, w := range want {
				for _, p := range got {
					early, late := w.from-int(p.From), int(p.To)-w.to
					if early < -b.at(0.02) || early > b.at(0.15) || late < -b.at(0.04) || late > b.at(0.2) {
						continue
					}
					found++
					s := newSpeech(b.rateHz)
					x := b.x[p.From:p.To]
					s.add(x)
					level, _ := s.level(squares(x))
					if math.Abs(float64(level-p.Level)) > c.worst {
						t.Errorf("phrase at %.1f s: %.2f dBFS, P.56 %.2f", p.From.Seconds(b.rateHz), p.Level, level)
					}
				}
			}
			if float64(found) < c.least*float64(len(want)) || len(got) > len(want) {
				t.Errorf("%d phrases, of them %d right; %d were spoken", len(got), found, len(want))
			}
		})
	}
}

// A phrase over the border of two judged parts is one, and a long recording has
// those of its minutes.
func TestPhrasesOfLongRecordings(t *testing.T) {
	const rate, minutes = 8000, 25
	b := newBooth(rate, 60, "pink", -62, 3)
	b.speak(1, 59, -20, 0.6, 1.2, false)
	m := NewRoom(rate)
	var x []float64
	for range minutes {
		x = append(x, b.x...)
	}
	over := x[10*60*rate-2*rate:][:4*rate] // over the border at ten minutes
	for i := range over {
		over[i] += 0.2 * math.Sin(float64(i)) * (1 + math.Sin(float64(i)/300))
	}
	m.Write(x)
	phrases := m.Result().Phrases
	if want := minutes * len(phrasesOf(b)); len(phrases) < want*9/10 || len(phrases) > want*11/10 {
		t.Errorf("%d phrases, want about %d", len(phrases), want)
	}
	for i, p := range phrases {
		if i > 0 && p.From < phrases[i-1].To {
			t.Fatalf("phrase %d begins before the one before it ends", i)
		}
		if p.To == 10*60*rate || p.From == 10*60*rate {
			t.Errorf("phrase %d is cut in two where parts are judged apart", i)
		}
	}
}

// In bands that speech fills, all but a twentieth of the seconds reach the quiet
// words; a tone that is there in every second is as loud as it is.
func TestQuietWords(t *testing.T) {
	const rate = 44100
	b := newBooth(rate, 62, "pink", -75, 5)
	b.speak(1, 61, -22, 0.5, 1, false)
	for _, w := range b.spoken {
		for i := w.from; i < w.to; i++ {
			b.x[i] += 0.01 * math.Sin(2*math.Pi*8000*float64(i)/rate) // -43 dBFS
		}
	}
	r := b.room()
	if len(r.QuietWords) == 0 {
		t.Fatal("no quiet words")
	}
	loudest := dsp.DBFS(-200)
	for _, l := range r.QuietWords[50:56] { // the bands about 8 kHz
		loudest = max(loudest, l)
	}
	if loudest < -46 || loudest > -43 {
		t.Errorf("the tone at -43 dBFS reads %.1f", loudest)
	}
	short := newBooth(rate, 8, "pink", -75, 5)
	short.speak(1, 4, -22, 0.5, 1, false)
	if q := short.room().QuietWords; q != nil {
		t.Errorf("of three seconds of speech: %v", q)
	}
}
