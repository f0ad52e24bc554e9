package kernel

// A Hold replaces each value by the greatest of the last n, itself included:
// a sliding maximum. Values are not negative; before the first one stands 0.
//
// The window always straddles two stretches of n values: the running maximum
// of the present one and the maxima of what is left of the one before, worked
// out backwards once every n values (van Herk 1992; Gil and Werman 1993).
type Hold struct {
	stretch []float64 // values of the present stretch; its filled part is [0:filled]
	rest    []float64 // rest[i]: greatest of the previous stretch from i on
	running float64   // greatest of the present stretch
	filled  int
}

// NewHold makes a Hold over n ≥ 1 values.
func NewHold(n int) *Hold {
	return &Hold{stretch: make([]float64, n), rest: make([]float64, n+1)}
}

// Process replaces the values of v.
func (h *Hold) Process(v []float64) {
	running, filled := h.running, h.filled
	for i, x := range v {
		if x > running {
			running = x
		}
		h.stretch[filled] = x
		filled++
		m := h.rest[filled]
		if running > m {
			m = running
		}
		v[i] = m
		if filled == len(h.stretch) {
			h.turn()
			running, filled = 0, 0
		}
	}
	h.running, h.filled = running, filled
}

// turn makes the full stretch the previous one.
func (h *Hold) turn() {
	m := 0.0
	for i := len(h.stretch) - 1; i >= 0; i-- {
		if h.stretch[i] > m {
			m = h.stretch[i]
		}
		h.rest[i] = m
	}
}

// Reset forgets all values.
func (h *Hold) Reset() {
	clear(h.stretch)
	clear(h.rest)
	h.running, h.filled = 0, 0
}
