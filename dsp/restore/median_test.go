package restore

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// The running median is the middle of the sorted window, ties and all.
func TestMedianIsTheMiddle(t *testing.T) {
	random := rand.New(rand.NewPCG(31, 1))
	for _, n := range []int{1, 3, 43} {
		m := newMedian(n)
		all := make([]float64, n)
		for range 500 {
			v := float64(random.IntN(20))
			all = append(all, v)
			window := slices.Sorted(slices.Values(all[len(all)-n:]))
			if got := m.next(v); got != window[n/2] {
				t.Fatalf("of %v it is %g", window, got)
			}
		}
	}
}
