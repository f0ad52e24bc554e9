package kernel

// A Delay gives a signal back n samples late, silence before it.
type Delay struct {
	n    int
	line []float64 // the n samples kept, then room for a block
}

// NewDelay makes a Delay of n ≥ 0 samples for blocks of at most block samples.
func NewDelay(n, block int) *Delay {
	return &Delay{n: n, line: make([]float64, n+block)}
}

// Process delays x in place.
func (d *Delay) Process(x []float64) {
	copy(d.line[d.n:], x)
	copy(x, d.line)
	copy(d.line[:d.n], d.line[len(x):])
}

// Reset fills the line with silence.
func (d *Delay) Reset() { clear(d.line) }
