package restore

// A filler puts samples into a gap so that the residual of a model over it is
// least. It solves
//
//	Σ b[|i-j|]·u[j] = -Σ b[|i-j|]·x[j],  b[k] = Σ a[n]·a[n+k]
//
// for the unknown samples u within the gap, from those known within arOrder of
// it. The matrix is Toeplitz and positive definite, so Levinson's recursion
// solves it in the square of the gap's length.
//
// Source: Janssen, Veldhuis and Vries, "Adaptive Interpolation of Discrete-Time
// Signals That Can Be Modeled as Autoregressive Processes", IEEE Trans. ASSP
// 34(2), 1986; Golub and Van Loan, Matrix Computations, algorithm 4.7.2.
type filler struct {
	b       [arOrder + 1]float64
	y, u, v []float64 // as long as the longest gap
}

func newFiller(longest int) *filler {
	return &filler{y: make([]float64, longest), u: make([]float64, longest), v: make([]float64, longest)}
}

// fill replaces x[from:to]; arOrder samples on each side are known.
func (f *filler) fill(m *ar, x []float64, from, to int) {
	for k := range f.b {
		var sum float64
		for i := 0; i+k <= arOrder; i++ {
			sum += float64(m.a[i] * m.a[i+k])
		}
		f.b[k] = sum
	}
	n := to - from
	v := f.v[:n]
	for i := range v {
		var sum float64
		for k := 1; k <= arOrder; k++ {
			if j := from + i - k; j < from {
				sum += float64(f.b[k] * x[j])
			}
			if j := from + i + k; j >= to {
				sum += float64(f.b[k] * x[j])
			}
		}
		v[i] = -sum / f.b[0]
	}
	for k := arOrder; k >= 0; k-- {
		f.b[k] /= f.b[0]
	}
	f.solve(v)
	copy(x[from:to], f.u[:n])
}

// solve finds u with T·u = v, T the symmetric Toeplitz matrix of b, b[0] = 1.
func (f *filler) solve(v []float64) {
	n, y, u := len(v), f.y, f.u
	u[0] = v[0]
	left, reflect := 1.0, -f.b[1]
	y[0] = reflect
	for k := 1; k < n; k++ {
		left *= 1 - float64(reflect*reflect)
		sum := v[k]
		for i := 1; i <= min(k, arOrder); i++ {
			sum -= float64(f.b[i] * u[k-i])
		}
		mu := sum / left
		for i := range k {
			u[i] += float64(mu * y[k-1-i])
		}
		u[k] = mu
		if k == n-1 {
			break
		}
		sum = 0
		if k+1 <= arOrder {
			sum = f.b[k+1]
		}
		for i := 1; i <= min(k, arOrder); i++ {
			sum += float64(f.b[i] * y[k-i])
		}
		reflect = -sum / left
		for i, j := 0, k-1; i <= j; i, j = i+1, j-1 {
			p, q := y[i], y[j]
			y[i] = p + float64(reflect*q)
			y[j] = q + float64(reflect*p)
		}
		y[k] = reflect
	}
}
