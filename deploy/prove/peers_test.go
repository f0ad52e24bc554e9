package main

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var inf = math.Inf(1)

func TestDistance(t *testing.T) {
	for _, c := range []struct{ a, b, want float64 }{
		{-20, -20.5, 0.5},
		{-20, -20, 0},
		{-inf, -inf, 0},
		{-inf, -90, inf},
		{-20, math.NaN(), inf},
		{math.NaN(), math.NaN(), inf},
	} {
		if got := distance(c.a, c.b); got != c.want {
			t.Errorf("%v and %v lie %v apart, want %v", c.a, c.b, got, c.want)
		}
	}
}

// TestPeersFail puts one wrong reading after the other among right ones.
func TestPeersFail(t *testing.T) {
	right := reading{rms: -20, peak: -3, loudness: -18, truePeak: -2.9, seconds: 9, blocks: []float64{-18, -18}}
	for _, c := range []struct {
		name string
		ours func(*reading)
		want []string // rows that fall short
	}{
		{"right", func(*reading) {}, nil},
		{"within", func(r *reading) { r.rms += 0.01; r.peak -= 0.01; r.loudness += 0.02; r.truePeak -= 0.2 }, nil},
		{"RMS", func(r *reading) { r.rms += 0.0111 }, []string{"plain RMS, ffmpeg", "plain RMS, sox"}},
		{"peak", func(r *reading) { r.peak -= 0.0111 }, []string{"sample peak, ffmpeg", "sample peak, sox"}},
		{"loudness", func(r *reading) { r.loudness += 0.021 }, []string{"integrated loudness, ffmpeg", "integrated loudness, ffmpeg's blocks gated"}},
		{"no loudness", func(r *reading) { r.loudness = math.NaN() }, []string{"integrated loudness, ffmpeg", "integrated loudness, ffmpeg's blocks gated"}},
		{"silence", func(r *reading) { r.loudness = -inf }, []string{"integrated loudness, ffmpeg", "integrated loudness, ffmpeg's blocks gated"}},
		{"true peak", func(r *reading) { r.truePeak += 0.21 }, []string{"true peak, ffmpeg"}},
	} {
		b := &beside{}
		for i := range 5 {
			ours := right
			if i == 2 {
				c.ours(&ours)
			}
			for _, of := range []class{lossless, decoded, direct} {
				b.add("a.wav", of, "ffmpeg", ours, right)
				b.add("a.wav", of, "sox", ours, right)
			}
		}
		var tab table
		b.fill(&tab, 5)
		var short []string
		for _, r := range tab.rows {
			if what, of, _ := strings.Cut(r.what, "; "); !r.met && of == string(lossless) {
				short = append(short, what)
			}
		}
		if !slices.Equal(short, c.want) {
			t.Errorf("%s: %q fall short, want %q", c.name, short, c.want)
		}
		if tab.met() != (c.want == nil) {
			t.Errorf("%s: met %t", c.name, tab.met())
		}
	}
}

func TestPeersWithoutFilesFail(t *testing.T) {
	for _, c := range []struct {
		name string
		b    *beside
	}{
		{"no file", &beside{}},
		{"one that we alone can't read", func() *beside {
			b := &beside{notRead: []string{"a.wav: damaged"}}
			for _, of := range []class{lossless, decoded, direct} {
				b.add("b.wav", of, "sox", reading{}, reading{})
			}
			return b
		}()},
	} {
		var tab table
		c.b.fill(&tab, 2)
		if tab.met() {
			t.Errorf("%s: met", c.name)
		}
	}
}

func TestGated(t *testing.T) {
	for _, c := range []struct {
		name              string
		blocks            []float64
		loudness, nearest float64
	}{
		{"one level", []float64{-23, -23, -23}, -23, 10},
		{"under the absolute gate", []float64{-70, -80, -120.7}, -70, 0},
		{"no block", nil, -70, inf},
		// EBU Tech 3341 case 3, without its overlaps: what lies 13 LU under is left out.
		{"relative gate", append(slices.Repeat([]float64{-36}, 20), slices.Repeat([]float64{-23}, 60)...), -23, 3 + 10*math.Log10((60+20*math.Pow(10, -1.3))/80)},
		// −23 and −32.5 have a mean of −25.56, so the lower one counts.
		{"over the relative gate", []float64{-23, -32.5}, 10 * math.Log10((math.Pow(10, -2.3)+math.Pow(10, -3.25))/2), 3.05},
	} {
		loudness, nearest := gated(c.blocks)
		if math.Abs(loudness-c.loudness) > 1e-9 || math.Abs(nearest-c.nearest) > 0.01 {
			t.Errorf("%s: %.3f LUFS, nearest block %.3f; want %.3f, %.3f", c.name, loudness, nearest, c.loudness, c.nearest)
		}
	}
}

// TestBlockAtTheGate leaves ffmpeg's own sum out, and only that.
func TestBlockAtTheGate(t *testing.T) {
	blocks := append(slices.Repeat([]float64{-20}, 100), 0)
	for i := range 40 { // a block on the gate, found by going there
		blocks[100] = -31 + 0.025*float64(i)
		if _, near := gated(blocks); near < 0.015 {
			break
		}
	}
	sum, near := gated(blocks)
	if near >= 0.02 {
		t.Fatalf("nearest block %v", near)
	}
	b := &beside{}
	b.loudness("a.wav", lossless, sum, reading{loudness: sum - 0.05, blocks: blocks})
	if len(b.left) != 1 || len(b.apart) != 1 || b.apart[0].worst != 0 {
		t.Errorf("left out %q, compared %+v", b.left, b.apart)
	}
}

func TestParseFFmpeg(t *testing.T) {
	const log = `[Parsed_astats_1 @ 0x5629681e3580] Overall
[Parsed_astats_1 @ 0x5629681e3580] Peak level dB: -3.916469
[Parsed_astats_1 @ 0x5629681e3580] RMS level dB: -19.833674
[Parsed_ebur128_2 @ 0x55] Summary:

  True peak:
    Peak:       -43.3 dBFS
`
	frames := func(peak string) string {
		return "frame:0 pts:0\nlavfi.r128.M=-120.691\nlavfi.r128.I=-70.000\nlavfi.r128.true_peak=0.001\n" +
			"frame:1 pts:4410\nlavfi.r128.M=-21.5\nlavfi.r128.I=-18.149\nlavfi.r128.true_peak=" + peak + "\n"
	}
	r, err := parseFFmpeg(frames("0.636"), log)
	if err != nil {
		t.Fatal(err)
	}
	if r.rms != -19.833674 || r.peak != -3.916469 || r.loudness != -18.149 || math.Abs(r.truePeak+3.9309) > 1e-4 || !slices.Equal(r.blocks, []float64{-120.691, -21.5}) {
		t.Errorf("read %+v", r)
	}
	if r, err = parseFFmpeg(frames("0.007"), log); err != nil || r.truePeak != -43.3 {
		t.Errorf("of a quiet file it reads a true peak of %v, %v; want the summary's", r.truePeak, err)
	}
	if _, err := parseFFmpeg(frames("0.636"), "no such file"); err == nil {
		t.Error("a log without levels is read")
	}
	if r, err = parseFFmpeg("", log); err != nil || !math.IsNaN(r.loudness) {
		t.Errorf("without frames the loudness is %v, %v", r.loudness, err)
	}
}

func TestParseSox(t *testing.T) {
	r, err := parseSox("             Overall     Left      Right\nPk lev dB      -1.95     -2.95     -1.95\nRMS lev dB    -24.54    -25.54    -23.54\n")
	if err != nil || r.peak != -1.95 || r.rms != -24.54 {
		t.Errorf("read %+v, %v", r, err)
	}
	if r, err = parseSox("Pk lev dB       -inf\nRMS lev dB      -inf\n"); err != nil || r.peak != -inf || r.rms != -inf {
		t.Errorf("of silence it reads %+v, %v", r, err)
	}
	if _, err := parseSox("sox FAIL formats"); err == nil {
		t.Error("a failure is read")
	}
}

func TestAudioIn(t *testing.T) {
	dir := t.TempDir()
	if _, err := audioIn(dir); err == nil {
		t.Error("a folder without audio is taken")
	}
	for _, name := range []string{"b.WAV", "a.flac", "c.mp3", "notes.txt"} {
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	found, err := audioIn(dir)
	if err != nil || len(found) != 3 {
		t.Errorf("found %q, %v", found, err)
	}
	if _, err := audioIn(filepath.Join(dir, "none")); err == nil {
		t.Error("a folder that isn't there is taken")
	}
}
