package kernel

// A Mean replaces each value by the mean of the last n, itself included; before
// the first one stand zeros. No running sum lives longer than n values, so that
// rounding errors can't pile up and nothing older than the window is left in
// the result; the stretches are those of Hold.
type Mean struct {
	stretch []float64 // values of the present stretch; its filled part is [0:filled]
	rest    []float64 // rest[i]: sum of the previous stretch from i on
	running float64   // sum of the present stretch
	filled  int
	n       float64
}

// NewMean makes a Mean over n ≥ 1 values.
func NewMean(n int) *Mean {
	return &Mean{stretch: make([]float64, n), rest: make([]float64, n+1), n: float64(n)}
}

// Process replaces the values of v.
func (m *Mean) Process(v []float64) {
	running, filled := m.running, m.filled
	for i, x := range v {
		running += x
		m.stretch[filled] = x
		filled++
		v[i] = (running + m.rest[filled]) / m.n
		if filled == len(m.stretch) {
			m.turn()
			running, filled = 0, 0
		}
	}
	m.running, m.filled = running, filled
}

// turn makes the full stretch the previous one.
func (m *Mean) turn() {
	sum := 0.0
	for i := len(m.stretch) - 1; i >= 0; i-- {
		sum += m.stretch[i]
		m.rest[i] = sum
	}
}

// Reset forgets all values.
func (m *Mean) Reset() {
	clear(m.stretch)
	clear(m.rest)
	m.running, m.filled = 0, 0
}
