package spectrum

import (
	"math"
	"math/rand/v2"
	"testing"
)

// cheapest tries every path to a cell: the slow way.
func cheapest(costs [][]float64, row, column int) (sum float64, from int) {
	switch {
	case row < 0 || column < 0:
		return math.Inf(1), 0
	case column == 0:
		return costs[0][row], row
	}
	sum = math.Inf(1)
	try := func(row, column int, more float64) {
		if s, f := cheapest(costs, row, column); s+more < sum {
			sum, from = s+more, f
		}
	}
	c := costs[column][row]
	try(row-1, column-1, c)
	try(row-2, column-1, c)
	try(row-1, column-2, c+costs[column-1][row])
	return sum, from
}

func TestWarpAgainstEveryPath(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 1))
	for range 40 {
		rows, columns := 3+random.IntN(8), 2+random.IntN(6)
		costs := make([][]float64, columns)
		for c := range costs {
			for range rows {
				costs[c] = append(costs[c], float64(random.IntN(9)))
			}
		}
		var w Warp
		w.Begin(rows)
		for c := range costs {
			w.Next(costs[c])
			for r := range rows {
				want, _ := cheapest(costs, r, c)
				_, got, worst := w.At(r)
				if got*float64(c+1) != want && !(math.Abs(got*float64(c+1)-want) < 1e-9) {
					t.Fatalf("row %d, column %d: %g, want %g", r, c, got*float64(c+1), want)
				}
				if worst > 9 {
					t.Fatalf("row %d, column %d: a stretch costs %g, a cell at most 9", r, c, worst)
				}
			}
		}
	}
}

// A word is found where it lies in a longer text, said faster and slower, and
// what does not lie there costs more.
func TestWarpFindsAWord(t *testing.T) {
	text := []rune("aaabbbccc dddeeefffggg hhhiiijjj kkklllmmm")
	for _, c := range []struct {
		word     string
		from, to int // rows
		cost     float64
	}{
		{"dddeeefffggg", 10, 21, 0},
		{"ddeeffgg", 10, 21, 0},                 // half as long again
		{"dddddeeeeefffffggggg", 10, 21, 0},     // 1.67 times
		{"dddeeexxxggg", 10, 21, 0.25},          // a sound differs
		{"dddeeefffggghhhiii", 10, 27, 1.0 / 6}, // the pause is left out of it: three rows too many for nothing
	} {
		var w Warp
		w.Begin(len(text))
		costs := make([]float64, len(text))
		for _, s := range c.word {
			for i, r := range text {
				costs[i] = 1
				if r == s {
					costs[i] = 0
				}
			}
			w.Next(costs)
		}
		from, cost, _ := w.At(c.to)
		if math.Abs(float64(from-c.from)) > 2 || cost > c.cost {
			t.Errorf("%s: from %d at %.3f, want %d at %.3f or less", c.word, from, cost, c.from, c.cost)
		}
		for i := range text[:8] {
			if _, cost, _ := w.At(i); cost < 0.5 {
				t.Errorf("%s: found at row %d too, cost %.3f", c.word, i, cost)
			}
		}
	}
}

// What was pruned stays gone, and its rows are not asked for.
func TestWarpPrunes(t *testing.T) {
	var w Warp
	w.Begin(6)
	w.Next([]float64{0, 9, 9, 9, 9, 9})
	w.Prune(1)
	for r, want := range []bool{false, true, true, false, false, false} {
		if w.Reaches(r) != want {
			t.Errorf("row %d is reached: %v", r, !want)
		}
	}
	if !w.Next([]float64{0, 0, 0, 0, 0, 0}) || w.Columns() != 2 {
		t.Error("a path that is alive is not said to be")
	}
	if from, cost, _ := w.At(2); from != 0 || cost != 0 {
		t.Errorf("the path left comes from row %d at %g", from, cost)
	}
	if _, cost, _ := w.At(4); !math.IsInf(cost, 1) {
		t.Errorf("a path that was pruned lives at %g", cost)
	}
}

func BenchmarkWarp(b *testing.B) {
	var w Warp
	costs := make([]float64, 1500)
	for i := range costs {
		costs[i] = float64(i % 17)
	}
	for b.Loop() {
		w.Begin(len(costs))
		for range 60 {
			w.Next(costs)
		}
	}
}
