package restore

import (
	"math"
	"math/rand/v2"
	"testing"
)

// process is n samples of noise through an all-pole filter, poles of a radius at
// 1, 3 and 9 kHz of 44.1.
func process(seed uint64, n int, r float64) (x []float64, a []float64) {
	a = []float64{1}
	for _, hz := range []float64{1000, 3000, 9000} {
		w := 2 * math.Pi * hz / 44100
		pole := []float64{1, -2 * r * math.Cos(w), r * r}
		next := make([]float64, len(a)+2)
		for i, u := range a {
			for j, v := range pole {
				next[i+j] += u * v
			}
		}
		a = next
	}
	random := rand.New(rand.NewPCG(seed, 1))
	x = make([]float64, n)
	for i := range x {
		x[i] = 0.01 * random.NormFloat64()
		for k := 1; k < len(a) && k <= i; k++ {
			x[i] -= a[k] * x[i-k]
		}
	}
	return x, a
}

// The model of a known process is that process, and its residual is the noise
// that drove it.
func TestModelIsTheProcess(t *testing.T) {
	x, a := process(1, 1<<17, 0.93)
	m := newAR(1 << 17)
	m.fit(x)
	for k := range m.a {
		want := 0.0
		if k < len(a) {
			want = a[k]
		}
		if math.Abs(m.a[k]-want) > 0.2 {
			t.Errorf("a[%d] is %.3f, want %.3f", k, m.a[k], want)
		}
	}
	e := make([]float64, 1<<17-100)
	m.residual(e, x, 100)
	if rms := math.Sqrt(meanSquare(e)); math.Abs(rms/0.01-1) > 0.02 {
		t.Errorf("residual of %.5f RMS, noise of 0.01 drove it", rms)
	}
}

// The Levinson-Durbin recursion solves the normal equations, and so does
// Gaussian elimination.
func TestModelSolvesNormalEquations(t *testing.T) {
	x, _ := process(2, 2048, 0.97)
	m := newAR(2048)
	m.fit(x)
	matrix := make([][]float64, arOrder)
	right := make([]float64, arOrder)
	for i := range matrix {
		matrix[i] = make([]float64, arOrder)
		for j := range matrix[i] {
			matrix[i][j] = m.r[max(i-j, j-i)]
		}
		right[i] = -m.r[i+1]
	}
	for i, want := range eliminate(matrix, right) {
		if math.Abs(m.a[i+1]-want) > 1e-6 {
			t.Errorf("a[%d] is %.9f, want %.9f", i+1, m.a[i+1], want)
		}
	}
}

// What fills a gap leaves the least residual: it is the solution that Gaussian
// elimination finds for the unknowns, and no sample of it can be moved without
// more residual.
func TestFillIsLeastSquares(t *testing.T) {
	x, _ := process(3, 4096, 0.97)
	m := newAR(4096)
	m.fit(x)
	f := newFiller(300)
	for _, n := range []int{1, 2, 3, 14, 60, 300} {
		const from = 2000
		y := append([]float64(nil), x...)
		f.fill(m, y, from, from+n)
		matrix, right := make([][]float64, n), make([]float64, n)
		for i := range matrix {
			matrix[i] = make([]float64, n)
			for s := from + i; s <= from+i+arOrder; s++ { // every residual that u[i] is in
				c := m.a[s-from-i]
				for k := 0; k <= arOrder; k++ {
					if j := s - k - from; j >= 0 && j < n {
						matrix[i][j] += c * m.a[k]
					} else {
						right[i] -= c * m.a[k] * x[s-k]
					}
				}
			}
		}
		for i, want := range eliminate(matrix, right) {
			if math.Abs(y[from+i]-want) > 1e-6*(0.01+math.Abs(want)) {
				t.Fatalf("gap of %d: sample %d is %.9f, want %.9f", n, i, y[from+i], want)
			}
		}
		for i := range x {
			if (i < from || i >= from+n) && x[i] != y[i] {
				t.Fatalf("gap of %d: sample %d beside it has changed", n, i-from)
			}
		}
	}
}

// A gap of half a millisecond in a process of resonances is filled with what
// was there, to within 15 dB of it.
func TestFillKnowsWhatWasThere(t *testing.T) {
	x, _ := process(4, 1<<15, 0.998)
	m := newAR(2048)
	f := newFiller(22)
	var was, off float64
	for from := 2048; from < 1<<15-2048; from += 500 {
		y := append([]float64(nil), x...)
		m.fit(y[from-1024 : from+1024])
		f.fill(m, y, from, from+22)
		for i := from; i < from+22; i++ {
			was += x[i] * x[i]
			off += (x[i] - y[i]) * (x[i] - y[i])
		}
	}
	if db := 10 * math.Log10(off/was); db > -15 {
		t.Errorf("what fills the gaps differs from what was there by %.1f dB", db)
	}
}

// eliminate solves a system by Gaussian elimination with pivots.
func eliminate(matrix [][]float64, right []float64) []float64 {
	n := len(right)
	for i := range n {
		p := i
		for k := i; k < n; k++ {
			if math.Abs(matrix[k][i]) > math.Abs(matrix[p][i]) {
				p = k
			}
		}
		matrix[i], matrix[p] = matrix[p], matrix[i]
		right[i], right[p] = right[p], right[i]
		for k := i + 1; k < n; k++ {
			c := matrix[k][i] / matrix[i][i]
			for j := i; j < n; j++ {
				matrix[k][j] -= c * matrix[i][j]
			}
			right[k] -= c * right[i]
		}
	}
	u := make([]float64, n)
	for i := n - 1; i >= 0; i-- {
		u[i] = right[i]
		for j := i + 1; j < n; j++ {
			u[i] -= matrix[i][j] * u[j]
		}
		u[i] /= matrix[i][i]
	}
	return u
}
