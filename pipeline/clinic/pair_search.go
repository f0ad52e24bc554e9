package clinic

import (
	"errors"
	"math"
	"sync"
)

// A search moves knobs to where the least is left: Levenberg and Marquardt's
// method (Marquardt, J. SIAM 11(2), 1963) with derivatives by differences, and
// weights after Huber (Ann. Math. Stat. 35(1), 1964), so that a few places that
// nothing explains don't pull the rest.
type search struct {
	knobs   []knob
	left    func(v []float64, hand int) ([]float64, error) // dB; as many each time
	worth   []float64                                      // of each; nil: 1
	boundDB float64                                        // from which on a difference counts less
	rounds  int
	enough  float64 // mean square in dB that no more is asked for
	hands   int     // how many derivatives are taken at once; left is told which hand asks

	cost   float64 // mean of what is left, after Huber
	damped float64
}

func (s *search) values() []float64 {
	v := make([]float64, len(s.knobs))
	for i, k := range s.knobs {
		v[i] = k.at
	}
	return v
}

// huber is the cost of what is left.
func (s *search) huber(left []float64) float64 {
	var sum, n float64
	for i, d := range left {
		d = math.Abs(d)
		if d > s.boundDB {
			d = math.Sqrt(s.boundDB * (2*d - s.boundDB))
		}
		w := s.worthOf(i)
		sum += w * d * d
		n += w
	}
	return sum / max(1, n)
}

func (s *search) worthOf(i int) float64 {
	if s.worth == nil {
		return 1
	}
	return s.worth[i]
}

// run searches until a round gains little.
func (s *search) run() error {
	base, err := s.left(s.values(), 0)
	if err != nil {
		return err
	}
	s.cost, s.damped = s.huber(base), 1e-2
	for range s.rounds {
		slopes, err := s.slopes(base)
		if err != nil {
			return err
		}
		before := s.cost
		for range 6 {
			was, v := s.values(), s.stepped(slopes, base)
			next, err := s.left(v, 0)
			if err != nil {
				return err
			}
			cost := s.huber(next)
			learn(slopes, base, next, was, v, s.knobs)
			if cost >= s.cost {
				s.damped *= 6
				continue
			}
			little := cost > 0.6*s.cost
			for i := range s.knobs {
				s.knobs[i].at = v[i]
			}
			base, s.cost = next, cost
			s.damped = max(1e-4, s.damped/5)
			if little || cost < s.enough {
				break
			}
		}
		if s.cost > before*(1-5e-3) || s.cost < s.enough {
			break
		}
	}
	return nil
}

// learn corrects slopes by what a step from one place to another did, in that
// direction alone (Broyden, Math. Comp. 19, 1965): it spares most derivatives.
func learn(slopes [][]float64, base, next, from, to []float64, knobs []knob) {
	d := make([]float64, len(knobs))
	norm := 0.0
	for i, k := range knobs {
		d[i] = (to[i] - from[i]) / k.nudge
		norm += d[i] * d[i]
	}
	if norm == 0 {
		return
	}
	for j := range base {
		off := next[j] - base[j]
		for i := range knobs {
			off -= slopes[i][j] * (to[i] - from[i])
		}
		for i, k := range knobs {
			slopes[i][j] += off * d[i] / norm / k.nudge
		}
	}
}

// slopes are what is left by a change of each knob by one.
func (s *search) slopes(base []float64) ([][]float64, error) {
	out := make([][]float64, len(s.knobs))
	errs := make([]error, len(s.knobs))
	next := make(chan int)
	var wg sync.WaitGroup
	for hand := range s.hands {
		wg.Go(func() {
			for i := range next {
				k := s.knobs[i]
				v := s.values()
				if v[i]+k.nudge > k.high || v[i]+k.nudge < k.low {
					k.nudge = -k.nudge
				}
				v[i] += k.nudge
				left, err := s.left(v, hand)
				if err != nil {
					errs[i] = err
					continue
				}
				d := make([]float64, len(base))
				for j := range d {
					d[j] = (left[j] - base[j]) / k.nudge
				}
				out[i] = d
			}
		})
	}
	for i := range s.knobs {
		next <- i
	}
	close(next)
	wg.Wait()
	return out, errors.Join(errs...)
}

// stepped is where the knobs would go.
func (s *search) stepped(slopes [][]float64, base []float64) []float64 {
	n := len(s.knobs)
	a := make([][]float64, n)
	weights := make([]float64, len(base))
	for j, d := range base {
		weights[j] = s.worthOf(j)
		if d = math.Abs(d); d > s.boundDB {
			weights[j] *= s.boundDB / d
		}
	}
	for i := range n {
		a[i] = make([]float64, n+1)
		for k := 0; k <= i; k++ {
			sum := 0.0
			for j, w := range weights {
				sum += w * slopes[i][j] * slopes[k][j]
			}
			a[i][k], a[k][i] = sum, sum
		}
		for j, w := range weights {
			a[i][n] -= w * slopes[i][j] * base[j]
		}
	}
	for i, k := range s.knobs {
		// What nothing depends on stays.
		a[i][i] += s.damped*a[i][i] + 1e-9 + 1e-6*float64(len(base))/(k.nudge*k.nudge)
	}
	x := solved(a)
	v := s.values()
	for i, k := range s.knobs {
		v[i] = max(k.low, min(k.high, v[i]+x[i]))
	}
	return v
}

// solved is the solution of n equations, each with its right side last, by
// elimination; they are positive definite, so no rows change.
func solved(a [][]float64) []float64 {
	n := len(a)
	for i := range n {
		for k := i + 1; k < n; k++ {
			f := a[k][i] / a[i][i]
			if f == 0 {
				continue
			}
			for j := i; j <= n; j++ {
				a[k][j] -= f * a[i][j]
			}
		}
	}
	x := make([]float64, n)
	for i := n - 1; i >= 0; i-- {
		x[i] = a[i][n]
		for j := i + 1; j < n; j++ {
			x[i] -= a[i][j] * x[j]
		}
		x[i] /= a[i][i]
	}
	return x
}
