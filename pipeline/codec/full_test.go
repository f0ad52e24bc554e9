package codec

import (
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"chapterhouse/pipeline"
)

// TestFLACFullDisk: a full disk is said in one plain line, and found by
// errors.Is. /dev/full (Linux, full(4)) takes nothing.
func TestFLACFullDisk(t *testing.T) {
	if _, err := os.Stat("/dev/full"); err != nil {
		t.Skip("no /dev/full here")
	}
	w, err := CreateFLAC("/dev/full", 44100, 1, 24)
	if err != nil {
		t.Fatal(err)
	}
	noise := make([]float64, 200_000)
	r := rand.New(rand.NewPCG(1, 2))
	for i := range noise {
		noise[i] = r.Float64() - 0.5
	}
	err = w.Write([][]float64{noise})
	if !errors.Is(err, syscall.ENOSPC) || strings.ContainsAny(err.Error(), "\x1b\n") {
		t.Errorf("Write: %q", err)
	}
	if err := w.Close(); !errors.Is(err, syscall.ENOSPC) || strings.ContainsAny(err.Error(), "\x1b\n") {
		t.Errorf("Close: %q", err)
	}
}

// TestLameFullDisk: a full disk is the machine's fault, and no strike against
// the recording.
func TestLameFullDisk(t *testing.T) {
	if _, err := os.Stat("/dev/full"); err != nil {
		t.Skip("no /dev/full here")
	}
	program(t, "lame")
	lame, err := FindLame()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	wav, full := filepath.Join(dir, "in.wav"), filepath.Join(dir, "out.mp3")
	w, err := CreateWAV(wav, 44100, 1, 24, false)
	if err != nil {
		t.Fatal(err)
	}
	noise := make([]float64, 44100)
	r := rand.New(rand.NewPCG(1, 2))
	for i := range noise {
		noise[i] = r.Float64()/2 - 0.25
	}
	if err := errors.Join(w.Write([][]float64{noise}), w.Close(), os.Symlink("/dev/full", full)); err != nil {
		t.Fatal(err)
	}
	err = lame.Encode(context.Background(), wav, full, MP3Options{Kbps: 192, RateHz: 44100, Channels: 1})
	if pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(err.Error(), "make room") {
		t.Errorf("kind %s: %v", pipeline.KindOf(err), err)
	}
}
