package codec

import (
	"math"
	"math/bits"

	"github.com/mewkiz/flac/frame"
)

// Bounds of what a predictor search tries; those of the flac program's
// default setting.
const (
	maxLPC       = 8  // order of linear prediction
	lpcBits      = 14 // precision of its coefficients
	maxPartition = 6  // a block is cut into up to 2^6 Rice partitions
)

// A predictor finds how to code one channel of a block in few bits: constant,
// verbatim, one of the fixed polynomials, or linear prediction (RFC 9639
// section 9.2), with the Rice parameters that its residual asks for. It
// belongs to one writer; its buffers are reused.
type predictor struct {
	samples  []int32 // without wasted bits
	windowed []float64
	window   []float64
	residual [2][]int32 // of fixed prediction, of linear prediction
	sums     []uint64
}

// find describes the shortest coding of x, samples of a number of bits.
func (p *predictor) find(x []int32, width int) frame.SubHeader {
	var all, differs uint32
	for _, v := range x {
		all |= uint32(v)
		differs |= uint32(v ^ x[0])
	}
	if differs == 0 {
		return frame.SubHeader{Pred: frame.PredConstant}
	}
	wasted := bits.TrailingZeros32(all)
	p.samples = append(p.samples[:0], x...)
	for i := range p.samples {
		p.samples[i] >>= wasted
	}
	width -= wasted
	best := frame.SubHeader{Pred: frame.PredVerbatim}
	bestBits := len(x) * width
	try := func(h frame.SubHeader, residual []int32) {
		rice, method, cost := p.rice(residual, len(x), h.Order)
		cost += h.Order * width
		if h.Pred == frame.PredFIR {
			cost += 4 + 5 + h.Order*lpcBits
		}
		if cost < bestBits {
			h.RiceSubframe, h.ResidualCodingMethod = rice, method
			best, bestBits = h, cost
		}
	}
	if order, residual, ok := p.fixed(); ok {
		try(frame.SubHeader{Pred: frame.PredFixed, Order: order}, residual)
	}
	if h, residual, ok := p.linear(width); ok {
		try(h, residual)
	}
	best.Wasted = uint(wasted)
	return best
}

// fixed is the order of the fixed polynomial with the smallest residual, and
// the residual. A polynomial's residual is the difference of the one below.
func (p *predictor) fixed() (order int, residual []int32, ok bool) {
	x := p.samples
	if len(x) <= 4 {
		return 0, nil, false
	}
	var sum [5]int64
	var last [5]int64 // the differences at the sample before
	for i, v := range x {
		d := int64(v)
		for k := range sum {
			next := d - last[k]
			last[k] = d
			if i >= 4 {
				sum[k] += abs(d)
			}
			d = next
		}
	}
	for k := range sum {
		if sum[k] < sum[order] {
			order = k
		}
	}
	p.residual[0] = p.residual[0][:0]
	var coeffs [5]int64
	for j, c := range frame.FixedCoeffs[order] {
		coeffs[j] = int64(c)
	}
	for i := order; i < len(x); i++ {
		d := int64(x[i])
		for j := range order {
			d -= coeffs[j] * int64(x[i-1-j])
		}
		if d != int64(int32(d)) {
			return 0, nil, false
		}
		p.residual[0] = append(p.residual[0], int32(d))
	}
	return order, p.residual[0], true
}

// linear finds coefficients by autocorrelation of the windowed block and the
// Levinson-Durbin recursion, for the order that promises the fewest bits.
func (p *predictor) linear(width int) (h frame.SubHeader, residual []int32, ok bool) {
	x := p.samples
	if len(x) < 64 {
		return h, nil, false
	}
	p.weigh()
	var r [maxLPC + 1]float64
	for lag := range r {
		sum := 0.0
		for i, v := range p.windowed[lag:] {
			sum = float64(v*p.windowed[i]) + sum
		}
		r[lag] = sum
	}
	coeffs, order := levinson(r[:], len(x), width)
	if order == 0 {
		return h, nil, false
	}
	q, shift := quantise(coeffs[:order])
	res, ok := p.predict(q, shift)
	if !ok {
		return h, nil, false
	}
	return frame.SubHeader{
		Pred: frame.PredFIR, Order: order, CoeffPrec: lpcBits, CoeffShift: int32(shift), Coeffs: q,
	}, res, true
}

// weigh applies a Welch window, so that the block's ends do not pass for sound.
func (p *predictor) weigh() {
	n := len(p.samples)
	if len(p.window) != n {
		p.window = make([]float64, n)
		for i := range p.window {
			t := (float64(i) - float64(n-1)/2) / (float64(n+1) / 2)
			p.window[i] = 1 - float64(t*t)
		}
		p.windowed = make([]float64, n)
	}
	for i, v := range p.samples {
		p.windowed[i] = float64(v) * p.window[i]
	}
}

// levinson solves for every order up to len(r)-1 and returns the coefficients
// of the one whose residual and coefficients are expected to take the fewest
// bits; order 0 when nothing can be predicted.
func levinson(r []float64, n, width int) (best [maxLPC]float64, order int) {
	if r[0] <= 0 {
		return best, 0
	}
	var a [maxLPC]float64
	err, bestBits := r[0], math.Inf(1)
	for i := range maxLPC {
		k := r[i+1]
		for j := range i {
			k -= float64(a[j] * r[i-j])
		}
		k /= err
		next := a
		next[i] = k
		for j := range i {
			next[j] = a[j] - float64(k*a[i-1-j])
		}
		a = next
		err *= 1 - float64(k*k)
		if err <= 0 {
			return best, order
		}
		// a Laplacian of this power takes about so many bits a sample
		each := max(0, 0.5*math.Log2(err/float64(n)))
		if total := float64(each*float64(n-i-1)) + float64((i+1)*(width+lpcBits)); total < bestBits {
			best, order, bestBits = a, i+1, total
		}
	}
	return best, order
}

// quantise brings coefficients to integers of lpcBits bits over 2^shift. The
// error of one is carried to the next, so that their sum stays right.
func quantise(c []float64) (q []int32, shift int) {
	largest := 0.0
	for _, v := range c {
		largest = max(largest, math.Abs(v))
	}
	_, exp := math.Frexp(largest)
	shift = min(max(lpcBits-1-exp, 0), 15)
	const top = 1<<(lpcBits-1) - 1
	q = make([]int32, len(c))
	carry := 0.0
	for i, v := range c {
		carry += float64(v * float64(int64(1)<<shift))
		n := min(max(math.RoundToEven(carry), -top-1), top)
		carry -= n
		q[i] = int32(n)
	}
	return q, shift
}

// predict is the residual of linear prediction; not ok when it overflows.
func (p *predictor) predict(q []int32, shift int) ([]int32, bool) {
	x := p.samples
	out := p.residual[1][:0]
	var c [maxLPC]int64
	for j, v := range q {
		c[j] = int64(v)
	}
	for i := len(q); i < len(x); i++ {
		sum := int64(0)
		past := x[i-len(q) : i]
		for j := range q {
			sum += c[j] * int64(past[len(past)-1-j])
		}
		d := int64(x[i]) - sum>>shift
		if d != int64(int32(d)) {
			return nil, false
		}
		out = append(out, int32(d))
	}
	p.residual[1] = out
	return out, true
}

// rice finds partitions and their parameters for the residual of a block of n
// samples, and about how many bits they take.
func (p *predictor) rice(residual []int32, n, order int) (*frame.RiceSubframe, frame.ResidualCodingMethod, int) {
	depth := min(maxPartition, bits.TrailingZeros(uint(n)))
	for depth > 0 && n>>depth <= order {
		depth--
	}
	if need := 1 << depth; cap(p.sums) < need {
		p.sums = make([]uint64, need)
	}
	p.sums = p.sums[:1<<depth]
	from := 0
	for i := range p.sums {
		to := (i+1)*(n>>depth) - order
		var sum uint64
		for _, v := range residual[from:to] {
			sum += uint64(uint32(v<<1 ^ v>>31)) // zigzag
		}
		p.sums[i] = sum
		from = to
	}
	var best []frame.RicePartition
	var bestMethod frame.ResidualCodingMethod
	bestBits, bestDepth := math.MaxInt, 0
	for d := depth; d >= 0; d-- {
		parts := make([]frame.RicePartition, 1<<d)
		cost, largest := 0, uint(0)
		for i := range parts {
			count := n >> d
			if i == 0 {
				count -= order
			}
			k, c := riceParameter(p.sums[i], count)
			parts[i].Param = k
			largest = max(largest, k)
			cost += c
		}
		method, head := frame.ResidualCodingMethodRice1, 4
		if largest > 14 {
			method, head = frame.ResidualCodingMethodRice2, 5
		}
		if cost += head << d; cost < bestBits {
			best, bestBits, bestDepth, bestMethod = parts, cost, d, method
		}
		for i := range 1 << d >> 1 { // two partitions become one
			p.sums[i] = p.sums[2*i] + p.sums[2*i+1]
		}
	}
	return &frame.RiceSubframe{PartOrder: bestDepth, Partitions: best}, bestMethod, bestBits
}

// riceParameter is the parameter for count values of a sum, and the bits they
// are expected to take: k+1 each, and the sum of their upper parts, of which
// on average half a step is cut off.
func riceParameter(sum uint64, count int) (k uint, cost int) {
	if count <= 0 {
		return 0, 0
	}
	cost = math.MaxInt
	start := max(bits.Len64(sum/uint64(count))-2, 0)
	for c := start; c < start+4 && c <= 30; c++ {
		upper := int(sum>>c) - count/2
		if c == 0 {
			upper = int(sum)
		}
		if b := count*(c+1) + max(upper, 0); b < cost {
			k, cost = uint(c), b
		}
	}
	return k, cost
}
