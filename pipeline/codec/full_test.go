package codec

import (
	"errors"
	"math/rand/v2"
	"os"
	"strings"
	"syscall"
	"testing"
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
