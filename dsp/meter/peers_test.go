package meter

import (
	"bytes"
	"encoding/binary"
	"math"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"testing"
)

// ebur128 is what ffmpeg's ebur128 filter, made after EBU R 128, reads of a mono
// or stereo signal: final I and LRA, the largest M and S of its 100 ms steps,
// and the largest true peak.
func ebur128(t *testing.T, rateHz int, ch ...[]float64) (i, lra, m, s, peak float64) {
	t.Helper()
	need(t, "ffmpeg")
	var raw bytes.Buffer
	for n := range ch[0] {
		for _, x := range ch {
			binary.Write(&raw, binary.LittleEndian, x[n])
		}
	}
	cmd := exec.Command("ffmpeg", "-hide_banner", "-nostats", "-loglevel", "error",
		"-f", "f64le", "-ar", strconv.Itoa(rateHz), "-ac", strconv.Itoa(len(ch)), "-i", "-",
		"-af", "ebur128=metadata=1:peak=true,ametadata=mode=print:file=-", "-f", "null", "-")
	cmd.Stdin = &raw
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("ffmpeg: %v", err)
	}
	m, s, peak = math.Inf(-1), math.Inf(-1), math.Inf(-1)
	for _, match := range regexp.MustCompile(`lavfi\.r128\.(\S+?)=(\S+)`).FindAllStringSubmatch(string(out), -1) {
		v, err := strconv.ParseFloat(match[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		switch match[1] {
		case "I":
			i = v
		case "LRA":
			lra = v
		case "M":
			m = max(m, v)
		case "S":
			s = max(s, v)
		case "true_peaks_ch0", "true_peaks_ch1":
			peak = max(peak, 20*math.Log10(v))
		}
	}
	return i, lra, m, s, peak
}

// TestAgainstSox compares RMS, peak and DC with what sox stats prints.
func TestAgainstSox(t *testing.T) {
	need(t, "sox")
	x := voice(44100, 10, 14)
	for i := range x {
		x[i] += 0.004
	}
	var raw bytes.Buffer
	binary.Write(&raw, binary.LittleEndian, x)
	cmd := exec.Command("sox", "-t", "f64", "-r", "44100", "-c", "1", "-", "-n", "stats")
	cmd.Stdin = &raw
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("sox: %v\n%s", err, out)
	}
	l := measure(44100, x)
	for label, got := range map[string]float64{
		"RMS lev dB": float64(l.RMS), "Pk lev dB": float64(l.SamplePeak), "DC offset": math.Pow(10, float64(l.DC)/20),
	} {
		match := regexp.MustCompile(label + `\s+(\S+)`).FindSubmatch(out)
		if match == nil {
			t.Fatalf("sox says nothing of %q:\n%s", label, out)
		}
		limit := 0.011
		if label == "DC offset" {
			limit = 1e-5
		}
		near(t, label, got, number(t, string(match[1])), limit)
	}
}

// TestRoomOfAnotherVoice finds the room around words that a program of quite
// another kind speaks, in pauses as long as it likes.
func TestRoomOfAnotherVoice(t *testing.T) {
	need(t, "espeak-ng")
	const text = "The harbour lights came on one by one, and Ines counted them from the window. There were eleven. " +
		"Her brother, who had been mending the net, looked up and asked whether the boat was in. Not yet; perhaps it would come with the tide."
	for _, voice := range []string{"en", "en+f3", "de"} {
		out, err := exec.Command("espeak-ng", "-v", voice, "--stdout", text).Output()
		if err != nil {
			t.Fatalf("espeak-ng: %v", err)
		}
		const header, rate = 44, 22050 // of the WAV that espeak-ng writes
		if got := int(binary.LittleEndian.Uint32(out[24:])); got != rate {
			t.Fatalf("espeak-ng speaks at %d Hz, want %d", got, rate)
		}
		words := make([]float64, (len(out)-header)/2)
		for i := range words {
			words[i] = float64(int16(binary.LittleEndian.Uint16(out[header+2*i:]))) / 32768
		}
		scale := math.Pow(10, (-20-float64(measure(rate, words).Speech))/20)
		for i := range words {
			words[i] *= scale
		}
		for _, kind := range []string{"white", "pink", "brown", "hum and hiss"} {
			for _, floor := range []float64{-75, -60, -45} {
				// What the noise itself reaches hides the softest start of a word.
				// At −45 dBFS A-weighting hides more of it, for it is a low hum.
				audible := math.Max(0.001, 3*math.Pow(10, floor/20))
				first := slices.IndexFunc(words, func(v float64) bool { return math.Abs(v) > audible })
				b := newBooth(rate, 3+float64(len(words))/rate, kind, floor, 21)
				for i, v := range words {
					b.x[b.at(1.5)+i] += v
				}
				r := b.room()
				what := voice + " in " + kind
				near(t, what+": floor", float64(r.Floor.Median), floor, 0.5)
				limit := 0.02
				if floor == -45 {
					limit = 0.06
				}
				near(t, what+": start", r.Bounds.From.Seconds(rate), 1.5+float64(first)/rate, limit)
				if r.Floor.Windows < 4 {
					t.Errorf("%s: %d windows", what, r.Floor.Windows)
				}
			}
		}
	}
}

func TestAgainstFFmpeg(t *testing.T) {
	for _, c := range []struct {
		name   string
		rateHz int
		ch     [][]float64
	}{
		{"mono 44.1 kHz", 44100, [][]float64{voice(44100, 40, 11)}},
		{"stereo 48 kHz", 48000, [][]float64{voice(48000, 40, 12), voice(48000, 40, 13)}},
		{"tone with quiet parts", 48000, [][]float64{tone(48000, segment{10, -72}, segment{10, -36}, segment{20, -23}, segment{10, -36})}},
	} {
		t.Run(c.name, func(t *testing.T) {
			i, lra, momentary, short, peak := ebur128(t, c.rateHz, c.ch...)
			m := New(c.rateHz, len(c.ch))
			m.Write(c.ch...)
			l := m.Levels()
			t.Logf("ours I %.2f LRA %.2f M %.2f S %.2f TP %.2f", l.Integrated, l.RangeLU, l.MaxMomentary, l.MaxShortTerm, l.TruePeak)
			t.Logf("ffmpeg I %.3f LRA %.3f M %.3f S %.3f TP %.3f", i, lra, momentary, short, peak)
			near(t, "integrated", float64(l.Integrated), i, 0.02)
			near(t, "range", float64(l.RangeLU), lra, 0.1)
			// Maxima every 100 ms can only be lower.
			if got := float64(l.MaxMomentary); got < momentary-0.02 || got > momentary+0.6 {
				t.Errorf("max momentary %.2f, ffmpeg's in steps of 100 ms %.2f", got, momentary)
			}
			if got := float64(l.MaxShortTerm); got < short-0.02 || got > short+0.2 {
				t.Errorf("max short-term %.2f, ffmpeg's in steps of 100 ms %.2f", got, short)
			}
			near(t, "true peak", float64(l.TruePeak), peak, 0.2)
		})
	}
}
