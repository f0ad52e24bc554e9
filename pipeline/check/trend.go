package check

import "math"

const (
	trendTurns   = 20    // that the weights take to settle
	trendReach   = 4.685 // standard deviations beyond which a value counts for nothing: 95 % efficient where all are normal
	trendBlock   = 0.05  // of the unit of time: values within it are not independent
	trendLeast   = 8     // blocks
	trendScatter = 0.3   // standard deviation at least, for levels that are all alike
)

// A trend is the straight line through values over time.
type trend struct {
	slope float64
	error float64 // the slope's standard error
	step  float64 // how much more of the course one step explains, in variances of a value
}

// errors is the slope in its own standard errors.
func (t trend) errors() float64 { return math.Abs(t.slope) / t.error }

// trendOf is an M-estimate with biweights (Beaton and Tukey 1974). Its error is
// the sandwich of Huber (1967), with values summed by blocks of time first, for
// neighbours are alike: sentences of one scene, phrases of one sentence. ok is
// false where there are too few.
func trendOf(at, value []float64) (t trend, ok bool) {
	weight := make([]float64, len(at))
	for i := range weight {
		weight[i] = 1
	}
	var line weighted
	reach := 0.0
	for turn := range trendTurns {
		line = weigh(at, value, weight)
		if turn == 0 {
			line.slope, line.middle = 0, median(known(value)) // whatever outliers make of it
		}
		reach = trendReach * max(trendScatter, deviation(line.left(at, value)))
		for i, off := range line.left(at, value) {
			u := off / reach
			w := max(0, 1-float64(u*u))
			weight[i] = w * w
		}
	}
	line = weigh(at, value, weight)
	var bread, meat, sum float64
	blocks, block := 0, math.Inf(-1)
	for i, off := range line.left(at, value) {
		if b := math.Floor(at[i] / trendBlock); b != block {
			meat += float64(sum * sum)
			sum, block = 0, b
			blocks++
		}
		u, from := off/reach, at[i]-line.centre
		sum += float64(weight[i] * off * from)
		if u *= u; u < 1 {
			bread += float64((1 - u) * (1 - 5*u) * from * from)
		}
	}
	meat += float64(sum * sum)
	if blocks < trendLeast || !(bread > 0) {
		return t, false
	}
	variance := float64(meat*float64(blocks)/float64(blocks-2)) / float64(bread*bread)
	t = trend{slope: line.slope, error: math.Sqrt(variance)}
	t.step = (line.bestStep(value, weight) - float64(line.slope*line.slope*line.spread)) / float64(variance*line.spread)
	return t, true
}

// A weighted line goes through its middle at its centre.
type weighted struct {
	slope, middle, centre float64
	spread, sum           float64 // weighted squares of time about the centre, weights
}

func weigh(at, value, weight []float64) (l weighted) {
	for i, w := range weight {
		l.sum += w
		l.centre += float64(w * at[i])
		l.middle += float64(w * value[i])
	}
	l.centre, l.middle = l.centre/l.sum, l.middle/l.sum
	both := 0.0
	for i, w := range weight {
		from := at[i] - l.centre
		l.spread += float64(w * from * from)
		both += float64(w * from * (value[i] - l.middle))
	}
	l.slope = both / l.spread
	return l
}

// left is what the line leaves of each value.
func (l weighted) left(at, value []float64) []float64 {
	off := make([]float64, len(at))
	for i := range at {
		off[i] = value[i] - l.middle - float64(l.slope*(at[i]-l.centre))
	}
	return off
}

// bestStep is how much of the squares about the middle one step explains, wherever
// it explains most.
func (l weighted) bestStep(value, weight []float64) (best float64) {
	before, sum := 0.0, 0.0
	for i, w := range weight {
		before += w
		sum += float64(w * (value[i] - l.middle))
		if after := l.sum - before; before > 0 && after > 0 {
			best = max(best, float64(sum*sum)/before+float64(sum*sum)/after)
		}
	}
	return best
}
