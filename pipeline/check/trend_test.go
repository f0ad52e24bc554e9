package check

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Of many courses without a trend one in a hundred is called one at 2.8 standard errors
// (Student's t of some 20 blocks), though neighbours are alike; and the line is found
// where a tenth of the values belong to somebody else.
func TestTrend(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 2))
	const tries = 2000
	false28, worst, within := 0, 0.0, 0
	for range tries {
		var at, value []float64
		for s := 0.0; s < 900; s += 7 { // a sentence of two phrases
			sentence := 2 * r.NormFloat64()
			for _, phrase := range []float64{1, 4} {
				at = append(at, (s+phrase)/600)
				value = append(value, sentence+1.5*r.NormFloat64())
			}
		}
		flat, ok := trendOf(at, value)
		if !ok {
			t.Fatal("too few")
		}
		if flat.errors() > 2.8 {
			false28++
		}
		for i := range value {
			value[i] += 3 * at[i]
			if i%20 < 2 {
				value[i] += 15
			}
		}
		steep, _ := trendOf(at, value)
		worst = max(worst, math.Abs(steep.slope-flat.slope-3))
		if math.Abs(steep.slope-3) < 2*steep.error {
			within++
		}
	}
	if share := float64(false28) / tries; share > 0.025 || share < 0.003 {
		t.Errorf("%.2f %% of courses without a trend are called one", 100*share)
	}
	if share := float64(within) / tries; share < 0.88 || share > 0.98 {
		t.Errorf("%.1f %% of slopes lie within two errors", 100*share)
	}
	if worst > 1 {
		t.Errorf("sentences of somebody else move the line by %.2f", worst)
	}
	if _, ok := trendOf([]float64{0, 0.1, 0.2}, []float64{1, 2, 3}); ok {
		t.Error("three values are called enough")
	}
}
