package room

import "math"

// A knot is a place between two points of a course, with the weight of each.
type knot struct {
	i         int
	low, high float64
}

func newKnot(hz float64) knot {
	at := float64(perOctave * math.Log2(hz/courseLowHz))
	i := int(at)
	return knot{i, 1 - (at - float64(i)), at - float64(i)}
}

// of is the weighed sum of a course there; none of a course that is nil.
func (k knot) of(c Course) float64 {
	if c == nil {
		return 0
	}
	return float64(k.low*c[k.i]) + float64(k.high*c[k.i+1])
}

// equations are the normal equations of a course by least squares. An equation
// spans few points, so only the band along the diagonal is kept.
type equations struct {
	n      int
	matrix []float64 // row i, column i−stillBand+j at i·(stillBand+1)+j
	right  []float64
}

// newEquations asks for a smooth course near 0 where nothing else is known.
func newEquations(n int) *equations {
	e := &equations{n: n, matrix: make([]float64, n*(stillBand+1)), right: make([]float64, n)}
	for i := range n {
		*e.at(i, i) += stillRidge
		if i+2 < n {
			e.outer(stillSmooth, 0, []int{i, i + 1, i + 2}, []float64{1, -2, 1})
		}
	}
	return e
}

func (e *equations) at(row, column int) *float64 {
	return &e.matrix[row*(stillBand+1)+column-row+stillBand]
}

// add says that what two knots weigh comes to a value; a knot without weights is
// none.
func (e *equations) add(weight, value float64, a, b knot) {
	if b.low == 0 && b.high == 0 {
		e.outer(weight, value, []int{a.i, a.i + 1}, []float64{a.low, a.high})
		return
	}
	e.outer(weight, value, []int{a.i, a.i + 1, b.i, b.i + 1}, []float64{a.low, a.high, b.low, b.high})
}

func (e *equations) outer(weight, value float64, points []int, shares []float64) {
	for i, p := range points {
		for j, q := range points {
			if q <= p {
				*e.at(p, q) += float64(weight * shares[i] * shares[j])
			}
		}
		e.right[p] += float64(weight * shares[i] * value)
	}
}

// solve is the course, by Cholesky's decomposition of the band (G. H. Golub and
// C. F. Van Loan, Matrix Computations, section 4.3).
func (e *equations) solve() Course {
	for i := range e.n {
		for j := max(0, i-stillBand); j <= i; j++ {
			v := *e.at(i, j)
			for k := max(0, i-stillBand); k < j; k++ {
				v -= float64(*e.at(i, k) * *e.at(j, k))
			}
			if i == j {
				*e.at(i, i) = math.Sqrt(v)
				continue
			}
			*e.at(i, j) = v / *e.at(j, j)
		}
	}
	x := make(Course, e.n)
	for i := range e.n {
		v := e.right[i]
		for k := max(0, i-stillBand); k < i; k++ {
			v -= float64(*e.at(i, k) * x[k])
		}
		x[i] = v / *e.at(i, i)
	}
	for i := e.n - 1; i >= 0; i-- {
		v := x[i]
		for k := i + 1; k < min(e.n, i+stillBand+1); k++ {
			v -= float64(*e.at(k, i) * x[k])
		}
		x[i] = v / *e.at(i, i)
	}
	return x
}
