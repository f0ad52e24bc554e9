package main

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
)

// cmdAudio writes an audio file that something is wrong with, or a tone.
//
//	audio KIND FILE
func cmdAudio(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: audio KIND FILE")
	}
	path := ts.MkAbs(args[1])
	var text []byte
	switch args[0] {
	case "tone":
		text = wavFile(1, 1, 44100, 16, 6*44100, tone)
	case "stereo": // the same on both sides
		text = wavFile(1, 2, 44100, 16, 2*6*44100, func(n int) float64 { return tone(n / 2) })
	case "hum": // 72 s that never stop
		text = wavFile(1, 1, 44100, 16, 72*44100, func(n int) float64 { return 0.1 * math.Sin(2*math.Pi*150*float64(n)/44100) })
	case "reading": // 120 s of what varies as speech does and never says the same again, a pause of 0.8 s in every six
		const syllable = 44100 * 3 / 10
		rng := rand.New(rand.NewPCG(1, 2))
		var tones [120*44100/syllable + 1][4]float64
		for k := range tones {
			for i := range tones[k] {
				tones[k][i] = 2 * math.Pi * 150 * math.Pow(20, rng.Float64()) / 44100
			}
		}
		// In and out within 30 ms: what is switched on clicks.
		ramp := func(n, from, to int) float64 {
			return max(0, min(1, float64(n-from)/1323, float64(to-n)/1323))
		}
		text = wavFile(1, 1, 44100, 16, 120*44100, func(n int) float64 {
			from := n - n%(6*44100)
			to := min(from+44100*52/10, 119*44100)
			from = max(from, 44100)
			k := n / syllable
			sum := math.Sin(2 * math.Pi * 180 * float64(n) / 44100)
			for _, turn := range tones[k] {
				sum += 0.4 * math.Sin(turn*float64(n-k*syllable))
			}
			gain := ramp(n, from, to) * (0.1 + 0.9*ramp(n, k*syllable, (k+1)*syllable))
			return gain*(0.12+0.06*math.Sin(float64(n)/4410))*sum + 0.0003*rng.NormFloat64()
		})
	case "music": // another tone on each side
		text = wavFile(1, 2, 44100, 16, 2*10*44100, func(n int) float64 {
			return 0.3 * math.Sin(2*math.Pi*(220+float64(n%2*110))*float64(n/2)/44100)
		})
	case "silence":
		text = wavFile(1, 1, 44100, 16, 10*44100, func(int) float64 { return 0 })
	case "nan":
		text = wavFile(3, 1, 44100, 32, 44100, func(int) float64 { return math.NaN() })
	case "no-rate":
		text = wavFile(1, 1, 0, 16, 1000, func(int) float64 { return 0 })
	case "nine-channels":
		text = wavFile(1, 9, 44100, 16, 9*1000, func(int) float64 { return 0 })
	case "claims-4-gb":
		text = wavFile(1, 1, 44100, 16, 1000, func(n int) float64 { return 0.1 })
		binary.LittleEndian.PutUint32(text[4:], 0xFFFF_FFF0)
		binary.LittleEndian.PutUint32(text[40:], 0xFFFF_FF00)
	case "aiff":
		text = append([]byte("FORM\x00\x00\x10\x00AIFFCOMM\x00\x00\x00\x12"), make([]byte, 4096)...)
	case "mp3": // MPEG-1 Layer III, 128 kbps, 44.1 kHz: frames of silence
		for range 200 {
			text = append(text, append([]byte{0xFF, 0xFB, 0x90, 0xC4}, make([]byte, 413)...)...)
		}
	default:
		ts.Fatalf("no kind of audio is called %q", args[0])
	}
	ts.Check(os.MkdirAll(filepath.Dir(path), 0o755))
	ts.Check(os.WriteFile(path, text, 0o644))
}

// cmdCue puts cue points with labels behind a WAV's chunks.
//
//	cue FILE FRAME=LABEL...
func cmdCue(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: cue FILE FRAME=LABEL...")
	}
	path := ts.MkAbs(args[0])
	data, err := os.ReadFile(path)
	ts.Check(err)
	cue, list := binary.LittleEndian.AppendUint32(nil, uint32(len(args)-1)), []byte("adtl")
	for i, arg := range args[1:] {
		frame, label, _ := strings.Cut(arg, "=")
		at, err := strconv.Atoi(frame)
		ts.Check(err)
		for _, v := range []uint32{uint32(i), uint32(i), 0x61746164, 0, 0, uint32(at)} { // "data"
			cue = binary.LittleEndian.AppendUint32(cue, v)
		}
		text := append(binary.LittleEndian.AppendUint32(nil, uint32(i)), label+"\x00"...)
		list = append(binary.LittleEndian.AppendUint32(append(list, "labl"...), uint32(len(text))), text...)
		if len(text)%2 == 1 {
			list = append(list, 0)
		}
	}
	for id, body := range map[string][]byte{"cue ": cue, "LIST": list} {
		data = append(binary.LittleEndian.AppendUint32(append(data, id...), uint32(len(body))), body...)
	}
	binary.LittleEndian.PutUint32(data[4:], uint32(len(data)-8))
	ts.Check(os.WriteFile(path, data, 0o644))
}

// cmdPaste puts the lines that a report has for title.yaml behind a head.
//
//	paste stdout FILE HEAD
func cmdPaste(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: paste stdout FILE HEAD")
	}
	_, lines, found := strings.Cut(ts.ReadFile(args[0]), "add to the chapters of title.yaml:\n")
	if !found {
		ts.Fatalf("no lines for title.yaml in %s", args[0])
	}
	lines, _, _ = strings.Cut(lines, "\n\n")
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(ts.ReadFile(args[2])+lines+"\n"), 0o644))
}

// tone is 4 s of 997 Hz of amplitude 0.1, 1 s of digital silence on either side.
func tone(n int) float64 {
	if n < 44100 || n >= 5*44100 {
		return 0
	}
	return 0.1 * math.Sin(2*math.Pi*997*float64(n)/44100)
}

// wavFile is a WAV file of samples that run through the channels.
func wavFile(tag, channels, rateHz, bits, samples int, at func(n int) float64) []byte {
	var data []byte
	for n := range samples {
		if tag == 3 {
			data = binary.LittleEndian.AppendUint32(data, math.Float32bits(float32(at(n))))
		} else {
			data = binary.LittleEndian.AppendUint16(data, uint16(int16(math.Round(at(n)*32767))))
		}
	}
	frame := channels * bits / 8
	b := []byte("RIFF")
	b = binary.LittleEndian.AppendUint32(b, uint32(36+len(data)))
	b = append(b, "WAVEfmt "...)
	b = binary.LittleEndian.AppendUint32(b, 16)
	b = binary.LittleEndian.AppendUint16(b, uint16(tag))
	b = binary.LittleEndian.AppendUint16(b, uint16(channels))
	b = binary.LittleEndian.AppendUint32(b, uint32(rateHz))
	b = binary.LittleEndian.AppendUint32(b, uint32(rateHz*frame))
	b = binary.LittleEndian.AppendUint16(b, uint16(frame))
	b = binary.LittleEndian.AppendUint16(b, uint16(bits))
	b = append(b, "data"...)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(data)))
	return append(b, data...)
}
