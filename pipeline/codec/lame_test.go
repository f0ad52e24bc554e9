package codec

import (
	"bytes"
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// encode writes ch as 24 bit WAV and as MP3, and returns the MP3's path.
func encode(t testing.TB, ch [][]float64, o MP3Options) string {
	t.Helper()
	program(t, "lame")
	dir := t.TempDir()
	wav, mp3 := filepath.Join(dir, "a.wav"), filepath.Join(dir, "a.mp3")
	w, err := CreateWAV(wav, o.RateHz, len(ch), 24, false)
	if err != nil {
		t.Fatal(err)
	}
	writeBlocks(t, w.Write, ch, 4096)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	l, err := FindLame()
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Encode(context.Background(), wav, mp3, o); err != nil {
		t.Fatal(err)
	}
	return mp3
}

// Every usual bit rate: constant, as long as its source to the sample, and
// at its source's level within 0.02 dB.
func TestEncode(t *testing.T) {
	sine := func(channels, rate int) [][]float64 {
		ch := make([][]float64, channels)
		for c := range ch {
			ch[c] = make([]float64, rate*2+int(rate)%7)
			for i := range ch[c] {
				ch[c][i] = 0.1 * math.Sin(2*math.Pi*997*float64(i)/float64(rate))
			}
		}
		return ch
	}
	for _, o := range []MP3Options{
		{Kbps: 64, RateHz: 44100, Channels: 1}, {Kbps: 96, RateHz: 44100, Channels: 1}, {Kbps: 112, RateHz: 44100, Channels: 1},
		{Kbps: 128, RateHz: 44100, Channels: 1}, {Kbps: 160, RateHz: 44100, Channels: 1}, {Kbps: 192, RateHz: 44100, Channels: 1},
		{Kbps: 224, RateHz: 44100, Channels: 1}, {Kbps: 256, RateHz: 44100, Channels: 1}, {Kbps: 320, RateHz: 44100, Channels: 1},
		{Kbps: 192, RateHz: 44100, Channels: 2}, {Kbps: 192, RateHz: 48000, Channels: 1}, {Kbps: 64, RateHz: 22050, Channels: 1},
		{Kbps: 192, RateHz: 44100, Channels: 1, ScaleDB: -1.5},
	} {
		src := sine(o.Channels, o.RateHz)
		path := encode(t, src, o)
		i, err := CheckCBR(path)
		if err != nil {
			t.Errorf("%+v: %v", o, err)
			continue
		}
		if i.Kbps != o.Kbps || i.RateHz != o.RateHz || i.Channels != o.Channels || i.Delay != 576 || i.Frames != dsp.Frames(len(src[0])) {
			t.Errorf("%+v: %+v", o, i)
		}
		got := readAll(t, openTest(t, path), 1000)
		for c := range src {
			if len(got[c]) != len(src[c]) {
				t.Fatalf("%+v: %d frames, want %d", o, len(got[c]), len(src[c]))
			}
			mid := func(x []float64) float64 { return rmsDB(x[o.RateHz/4 : len(x)-o.RateHz/4]) }
			if d := mid(got[c]) - mid(src[c]) - o.ScaleDB; math.Abs(d) > 0.02 {
				t.Errorf("%+v: channel %d is off by %.3f dB", o, c, d)
			}
		}
	}
}

func rmsDB(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return 10 * math.Log10(sum/float64(len(x)))
}

// What LevelChangeDB says is what lame does by itself.
func TestLevelChange(t *testing.T) {
	src := make([]float64, 44100*2)
	for i := range src {
		src[i] = 0.1 * math.Sin(2*math.Pi*997*float64(i)/44100)
	}
	for _, kbps := range []int{64, 80, 96, 112, 128, 160, 192, 224, 256, 320} {
		// A ScaleDB of LevelChangeDB leaves --scale 1: what lame does itself.
		path := encode(t, [][]float64{src}, MP3Options{Kbps: kbps, RateHz: 44100, Channels: 1, ScaleDB: LevelChangeDB(kbps)})
		got := readAll(t, openTest(t, path), 1000)[0]
		if d := rmsDB(got[11025:77175]) - rmsDB(src[11025:77175]); math.Abs(d-LevelChangeDB(kbps)) > 0.005 {
			t.Errorf("%d kbps: %.4f dB, the table says %.4f", kbps, d, LevelChangeDB(kbps))
		}
	}
}

// A 24 bit master keeps its precision on the way into lame: a tone at
// -110 dBFS, far below one step of 16 bits, is in the MP3.
func TestEncodeKeepsPrecision(t *testing.T) {
	src := make([]float64, 44100*3)
	for i := range src {
		src[i] = 0x1p-18 * math.Sin(2*math.Pi*997*float64(i)/44100)
	}
	path := encode(t, onGrid([][]float64{src}, 24), MP3Options{Kbps: 192, RateHz: 44100, Channels: 1})
	b := run(t, "ffmpeg", "-v", "error", "-i", path, "-f", "f64le", "-")
	got := make([]float64, len(b)/8)
	fromFloat64(got, b, 8)
	if d := rmsDB(got[22050:110250]) - rmsDB(src[22050:110250]); math.Abs(d) > 0.1 {
		t.Errorf("the tone is off by %.2f dB", d)
	}
}

// lame would bring a float file to full scale: it is never given one.
func TestEncodeRefuses(t *testing.T) {
	program(t, "lame")
	l, err := FindLame()
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(l.Version, "lame 3.") {
		t.Errorf("version %q", l.Version)
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "a.wav")
	w, _ := CreateWAV(path, 44100, 1, 32, true)
	writeBlocks(t, w.Write, speechLike(1, 5000), 1000)
	w.Close()
	err = l.Encode(context.Background(), path, filepath.Join(dir, "a.mp3"), MP3Options{Kbps: 192, RateHz: 44100, Channels: 1})
	if pipeline.KindOf(err) != pipeline.Bug {
		t.Errorf("a float WAV: %v", err)
	}
}

// Without lame on PATH the error names the package, and MP3 is still read.
func TestWithoutLame(t *testing.T) {
	src := onGrid(speechLike(1, 5000), 24)
	path := encode(t, src, MP3Options{Kbps: 192, RateHz: 44100, Channels: 1})
	t.Setenv("PATH", t.TempDir())
	if _, err := FindLame(); err == nil || !strings.Contains(err.Error(), "install the lame package to get MP3") {
		t.Errorf("%v", err)
	}
	if got := readAll(t, openTest(t, path), 1000)[0]; len(got) != 5000 {
		t.Errorf("%d frames", len(got))
	}
}

// A cancelled context ends the programs, leaves no file and says so.
func TestLameCancelled(t *testing.T) {
	program(t, "lame")
	l, err := FindLame()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	wav := filepath.Join(dir, "a.wav")
	w, _ := CreateWAV(wav, 44100, 1, 16, false)
	writeBlocks(t, w.Write, speechLike(1, 44100*30), 44100)
	w.Close()
	o := MP3Options{Kbps: 192, RateHz: 44100, Channels: 1}
	mp3 := filepath.Join(dir, "a.mp3")
	if err := l.Encode(context.Background(), wav, mp3, o); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	r, err := OpenMP3(ctx, mp3)
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	ch := [][]float64{make([]float64, 44100)}
	for err == nil {
		_, err = r.Read(ch)
	}
	if !errors.Is(err, context.Canceled) {
		t.Errorf("decoding: %v", err)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	other := filepath.Join(dir, "b.mp3")
	if err := l.Encode(ctx, wav, other, o); !errors.Is(err, context.Canceled) {
		t.Errorf("encoding: %v", err)
	}
	if _, err := os.Stat(other); !os.IsNotExist(err) {
		t.Error("a file is left")
	}
}

// The same WAV gives the same bytes.
func TestEncodeDeterministic(t *testing.T) {
	src := onGrid(speechLike(1, 44100), 24)
	o := MP3Options{Kbps: 192, RateHz: 44100, Channels: 1}
	a, _ := os.ReadFile(encode(t, src, o))
	b, _ := os.ReadFile(encode(t, src, o))
	if !bytes.Equal(a, b) {
		t.Error("two encodes differ")
	}
}
