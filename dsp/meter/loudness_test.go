package meter

import "testing"

// TestLoudnessAlone: Loudness by itself reads what a Meter's does, to the bit,
// however the samples are cut.
func TestLoudnessAlone(t *testing.T) {
	const rate = 44100
	a, b := voice(rate, 8, 5), voice(rate, 8, 6)
	whole := New(rate, 2)
	whole.Write(a, b)
	want, blocks := whole.loudness.Integrated()
	for _, step := range []int{1, 440, 441, 1000, len(a)} {
		alone := NewLoudness(rate, ChannelWeights(2)...)
		for from := 0; from < len(a); from += step {
			to := min(from+step, len(a))
			alone.Write(a[from:to], b[from:to])
		}
		got, n := alone.Integrated()
		if got != want || n != blocks || alone.Range() != whole.loudness.Range() || alone.MaxMomentary() != whole.loudness.MaxMomentary() {
			t.Errorf("in blocks of %d: %v of %d, range %v; want %v of %d, %v", step, got, n, alone.Range(), want, blocks, whole.loudness.Range())
		}
	}
}
