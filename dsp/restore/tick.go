package restore

import "math"

const (
	tickReachMS = 1.5 // how far the residual of a tick reaches
	tickLongest = 48  // samples at the lower rates
	overOthers  = 10  // +10 dB: the next strongest pulse of a voice is nearer
	unlike      = 2.5 // +4 dB: what is left is more than the residual around
)

// mendTick judges control step i, and mends it if a tick is there.
func (c *Clicks) mendTick(i int) {
	own, p := c.controls(tickReachMS), c.wholePowers[i]
	mean, most := around(c.wholePowers, i-own, i+own, c.controls(tickContextMS))
	if p < overOthers*most || p < c.overLocal*mean {
		return
	}
	from := c.onset(i, mean)
	// A spike needs the first of these, a jump one of the last to be bridged.
	for _, n := range [...]int{3, 5, 9, 14, 28, tickLongest} {
		n *= c.step / 8
		copy(c.tried, c.x[from:from+n])
		c.fill(i, from, from+n)
		left := c.left[:n+arOrder]
		c.model.residual(left, c.x, from)
		if meanSquare(left) <= unlike*mean {
			tones, _ := around(c.tonePowers, i-own, i+own, c.controls(tickContextMS))
			c.mended(i-own, i+own, mean, tones)
			return
		}
		copy(c.x[from:from+n], c.tried)
	}
}

// onset is one sample before the residual around control step i first stands
// out: what comes before a tick knows nothing of it.
func (c *Clicks) onset(i int, mean float64) int {
	c.refit(i)
	e := c.residual[:6*c.step]
	at := c.sample(i) - 4*c.step
	c.model.residual(e, c.x, at)
	peak := 0.0
	for _, v := range e {
		peak = max(peak, math.Abs(v))
	}
	// A tenth of the peak: the first value of a tick's residual is its own
	// height, the largest may be ten times that where the model is steep.
	out := max(0.1*peak, 3.5*math.Sqrt(mean))
	k := 0
	for k < len(e)-1 && math.Abs(e[k]) < out {
		k++
	}
	return at + k - 1
}

func meanSquare(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += float64(v * v)
	}
	return sum / float64(len(x))
}
