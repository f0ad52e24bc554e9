package meter

import (
	"math/rand/v2"
	"slices"
	"testing"
)

func TestNth(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	for range 2000 {
		v := make([]float64, 1+rng.IntN(60))
		for i := range v {
			v[i] = float64(rng.IntN(1 + rng.IntN(40))) // with many alike
		}
		k := rng.IntN(len(v))
		want := slices.Sorted(slices.Values(v))[k]
		if got := nth(slices.Clone(v), k); got != want {
			t.Fatalf("place %d of %v: %g, want %g", k, v, got, want)
		}
	}
}
