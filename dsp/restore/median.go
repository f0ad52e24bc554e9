package restore

// A median is the middle one of the last n values, zeros before the first.
type median struct {
	values []float64 // a ring
	at     int
	sorted []float64
}

// newMedian makes a median over n values, n odd.
func newMedian(n int) *median {
	return &median{values: make([]float64, n), sorted: make([]float64, n)}
}

// next takes a value, not NaN, and gives the middle one.
func (m *median) next(v float64) float64 {
	old := m.values[m.at]
	m.values[m.at] = v
	if m.at++; m.at == len(m.values) {
		m.at = 0
	}
	i := 0
	for m.sorted[i] != old {
		i++
	}
	for ; i+1 < len(m.sorted) && m.sorted[i+1] < v; i++ {
		m.sorted[i] = m.sorted[i+1]
	}
	for ; i > 0 && m.sorted[i-1] > v; i-- {
		m.sorted[i] = m.sorted[i-1]
	}
	m.sorted[i] = v
	return m.sorted[len(m.sorted)/2]
}

func (m *median) reset() {
	clear(m.values)
	clear(m.sorted)
	m.at = 0
}
