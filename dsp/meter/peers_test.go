package meter

import (
	"bytes"
	"encoding/binary"
	"math"
	"os/exec"
	"regexp"
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
