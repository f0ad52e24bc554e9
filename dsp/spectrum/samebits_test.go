package spectrum

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"testing"
)

func digest(t *testing.T, values ...any) string {
	t.Helper()
	h := sha256.New()
	for _, v := range values {
		if err := binary.Write(h, binary.LittleEndian, v); err != nil {
			t.Fatal(err)
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// TestSameBits holds the float64 digests of what this package computes. They
// are the same under GOAMD64=v1, GOAMD64=v3 and GODEBUG=cpu.fma=off; another
// digest means that every profile must be made again.
func TestSameBits(t *testing.T) {
	for _, c := range []struct {
		size          int
		forward, back string
	}{
		{1024, "8c546a4a37cb160f", "314ea88864eae6d2"},
		{2048, "eab0c711d36c540a", "ba1ab4b941b84a10"},
		{65536, "e8aa77f3931b9040", "66dcb6721b3ad306"},
	} {
		f, x := newFFT(t, c.size), noise(77, c.size)
		bins, back := make([]complex128, c.size/2+1), make([]float64, c.size)
		f.Forward(bins, x)
		f.Inverse(back, bins)
		if got := digest(t, bins); got != c.forward {
			t.Errorf("Forward of %d: %s, want %s", c.size, got, c.forward)
		}
		if got := digest(t, back); got != c.back {
			t.Errorf("Inverse of %d: %s, want %s", c.size, got, c.back)
		}
	}

	w := newWelch(t, 4096)
	w.Write(noise(78, 20000))
	const power, levels, bands = "822c232e05f8bd86", "ddd7b868905225ba", "719a8d9b0bffb8d0"
	if got := digest(t, w.Power()); got != power {
		t.Errorf("Welch: %s, want %s", got, power)
	}
	if got := digest(t, SixthOctaves(), ThirdOctaves()); got != bands {
		t.Errorf("bands: %s, want %s", got, bands)
	}
	if got := digest(t, Levels(w.Power(), 44100, SixthOctaves())); got != levels {
		t.Errorf("Levels: %s, want %s", got, levels)
	}
}
