// Package espeak is the other family of narrators: sentences spoken by the
// espeak-ng program, which makes speech in ways that package speech does not.
// Breaths and clicks are added by the caller; words are not labelled.
package espeak

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os/exec"
	"strconv"
	"strings"

	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/speech"
)

// program is the name of Debian's espeak-ng.
const program = "espeak-ng"

// Installed tells whether the program is there.
func Installed() bool {
	_, err := exec.LookPath(program)
	return err == nil
}

// A Voice is a variant of the program's English with a pitch and a pace.
type Voice struct {
	speech.Voice
	Variant string
	Pitch   int // 0 to 99, as the program counts
	WPM     int
}

// Voices are those variants of which a test proves that each sounds
// different: an unknown variant falls back to the plain voice without a word.
func Voices() []Voice {
	of := func(variant string, f0Hz float64, pitch, wpm int) Voice {
		return Voice{Voice: speech.Voice{F0Hz: f0Hz}, Variant: variant, Pitch: pitch, WPM: wpm}
	}
	all := []Voice{
		of("m1", 108, 60, 165), of("m3", 106, 48, 150), of("m7", 108, 50, 158), of("f2", 208, 55, 162),
		of("f3", 209, 48, 155), of("f5", 200, 42, 170), of("klatt2", 106, 50, 155), of("klatt4", 105, 52, 160),
	}
	for i := range all {
		v := &all[i]
		v.Name, v.Use = "espeak-"+v.Variant, []string{"tune", "print"}[i%2]
		v.Tract, v.BreathPct, v.ClicksMin, v.SentenceSDDB = 1, 50, 3, 2.5
		if v.Variant[0] == 'f' {
			v.Tract = 1.15
		}
		v.ColourDB = colours[v.Variant]
	}
	return all
}

// A Speaker runs the program once for a sentence.
type Speaker struct {
	voice  Voice
	rateHz int
	random *exact.Random
	gains  map[speech.Style]float64
}

// New makes a speaker.
func New(v Voice, rateHz int, seed uint64) *Speaker {
	return &Speaker{voice: v, rateHz: rateHz, random: exact.NewRandom(seed, "espeak"), gains: map[speech.Style]float64{}}
}

// Speak says a sentence at its level. Silence around it is cut off, so that
// the label is where the sound is.
func (s *Speaker) Speak(sentence speech.Sentence) (speech.Take, error) {
	g, err := s.gain(sentence.Style)
	if err != nil {
		return speech.Take{}, err
	}
	pitch, pace := 0.0, 1.0
	if !sentence.Even {
		pitch, pace = float64(6*s.random.Normal()), 1+float64(0.04*s.random.Normal())
		g *= exact.Amplitude(s.voice.SentenceSDDB * max(-1.6, min(s.random.Normal(), 1.6)))
	}
	// Fifty of the program's steps of pitch are an octave.
	x, err := s.say(sentence, pitch+float64(50.0/12*sentence.PitchST), pace*(1+sentence.PacePct/100))
	if err != nil {
		return speech.Take{}, err
	}
	g *= exact.Amplitude(sentence.LevelDB)
	for i := range x {
		x[i] *= g
	}
	take := speech.Take{Samples: x, Marks: []speech.Mark{{Kind: "sentence", Text: sentence.Text, To: int64(len(x))}}}
	if sentence.Style != speech.Plain {
		take.Marks = append(take.Marks, speech.Mark{Kind: string(sentence.Style), To: int64(len(x))})
	}
	return take, nil
}

// gain brings a style of this voice to unit level.
func (s *Speaker) gain(style speech.Style) (float64, error) {
	if g, ok := s.gains[style]; ok {
		return g, nil
	}
	sum, n := 0.0, 0
	for _, sentence := range speech.Calibration() {
		sentence.Style = style
		x, err := s.say(sentence, 0, 1)
		if err != nil {
			return 0, err
		}
		for _, v := range x {
			sum += float64(v * v)
		}
		n += len(x)
	}
	s.gains[style] = 1 / math.Sqrt(sum/float64(n))
	return s.gains[style], nil
}

// say runs the program and brings what it said to the rate.
func (s *Speaker) say(sentence speech.Sentence, pitch, pace float64) ([]float64, error) {
	for _, w := range sentence.Words {
		if w.Phones != nil {
			return nil, fmt.Errorf("%s takes letters only, no phones in braces", s.voice.Name)
		}
	}
	if sentence.EssDB != 0 {
		return nil, fmt.Errorf("%s has no frication of its own to raise", s.voice.Name)
	}
	variant := s.voice.Variant
	p, wpm := float64(s.voice.Pitch)+pitch, float64(s.voice.WPM)*pace
	switch sentence.Style {
	case speech.Whisper:
		variant = "whisper"
		if s.voice.Variant[0] == 'f' {
			variant = "whisperf"
		}
	case speech.Shout:
		p, wpm = p+25, wpm*0.92
	}
	cmd := exec.Command(program, "-v", "en+"+variant, "-p", strconv.Itoa(int(max(0, min(p, 99)))), "-s", strconv.Itoa(int(wpm)), "--stdin", "--stdout")
	cmd.Stdin = strings.NewReader(sentence.Text)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s (Debian package %s): %w: %s", program, program, err, stderr.String())
	}
	x, rate, err := readWave(out)
	if err != nil {
		return nil, err
	}
	x = trim(x)
	if sentence.Style == speech.Shout {
		flatten(x, float64(rate))
	}
	return resample(x, rate, s.rateHz), nil
}

// readWave reads what the program writes to a pipe: 16-bit mono whose header
// has no true length.
func readWave(b []byte) ([]float64, int, error) {
	if len(b) < 46 || string(b[:4]) != "RIFF" || string(b[36:40]) != "data" || binary.LittleEndian.Uint16(b[34:]) != 16 {
		return nil, 0, fmt.Errorf("%s wrote %d bytes that are no 16-bit WAV", program, len(b))
	}
	body := b[44:]
	x := make([]float64, len(body)/2)
	for i := range x {
		x[i] = float64(int16(binary.LittleEndian.Uint16(body[2*i:]))) / 32768
	}
	return x, int(binary.LittleEndian.Uint32(b[24:])), nil
}

// trim cuts what is more than 60 dB under the peak at both ends.
func trim(x []float64) []float64 {
	peak := 0.0
	for _, v := range x {
		peak = max(peak, math.Abs(v))
	}
	from, to := 0, len(x)
	for from < to && math.Abs(x[from]) <= peak/1000 {
		from++
	}
	for to > from && math.Abs(x[to-1]) <= peak/1000 {
		to--
	}
	return x[from:to]
}

// flatten lifts what is above 1 kHz by up to 9 dB, as a raised voice does.
func flatten(x []float64, rateHz float64) {
	k := 1 - exact.Exp(-2*math.Pi*1000/rateHz)
	low := 0.0
	for i, v := range x {
		low += float64(k * (v - low))
		x[i] = v + float64(1.8*(v-low))
	}
}

// resample changes the rate by a windowed sinc of 64 taps, one set of taps
// for every phase that the two rates have.
func resample(x []float64, from, to int) []float64 {
	if from == to {
		return x
	}
	g := gcd(from, to)
	up, down := to/g, from/g
	const half = 32
	cut := 0.97 * min(1, float64(to)/float64(from))
	taps := make([][2 * half]float64, up)
	for p := range taps {
		for k := range taps[p] {
			t := float64(k-half+1) - float64(p)/float64(up)
			sinc := cut
			if math.Abs(t) > 1e-9 {
				sinc = exact.Sin(math.Pi*cut*t) / (math.Pi * t)
			}
			taps[p][k] = sinc * (0.5 + float64(0.5*exact.Cos(math.Pi*t/(half+1))))
		}
	}
	out := make([]float64, len(x)*up/down)
	for n := range out {
		at, phase := n*down/up, n*down%up
		sum := 0.0
		for k, c := range taps[phase] {
			if i := at + k - half + 1; i >= 0 && i < len(x) {
				sum += float64(c * x[i])
			}
		}
		out[n] = sum
	}
	return out
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}
