package spectrum

import "fmt"

// Welch averages the power spectrum of a long mono signal over Hann-windowed
// segments that overlap by half (P. D. Welch, IEEE Trans. Audio Electroacoust.
// AU-15(2), 1967). It does not remove a constant: a DC offset stands in bins 0
// and 1. Samples that do not fill a last segment are left out.
type Welch struct {
	fft     *FFT
	window  []float64
	held    []float64 // samples since the start of the segment being filled
	product []float64
	bins    []complex128
	sum     []float64
	count   int
}

// NewWelch prepares an average over segments of n samples, a power of two from
// MinSize to MaxSize. Bin k is k·rate/n Hz; the window makes every tone about
// two bins wide.
func NewWelch(n int) (*Welch, error) {
	fft, err := NewFFT(n)
	if err != nil {
		return nil, fmt.Errorf("power spectrum: %w", err)
	}
	return &Welch{
		fft:     fft,
		window:  Hann(n),
		held:    make([]float64, 0, n),
		product: make([]float64, n),
		bins:    make([]complex128, n/2+1),
		sum:     make([]float64, n/2+1),
	}, nil
}

// Write takes the next samples, full scale ±1, in blocks of any length. It does
// not allocate; the result does not depend on the length of the blocks.
func (w *Welch) Write(x []float64) {
	n := w.fft.n
	for len(x) > 0 {
		taken := min(n-len(w.held), len(x))
		w.held = append(w.held, x[:taken]...)
		x = x[taken:]
		if len(w.held) == n {
			w.add()
			copy(w.held, w.held[n/2:])
			w.held = w.held[:n/2]
		}
	}
}

func (w *Welch) add() {
	for i, v := range w.held {
		w.product[i] = v * w.window[i]
	}
	w.fft.Forward(w.bins, w.product)
	for k, v := range w.bins {
		w.sum[k] += float64(real(v)*real(v)) + float64(imag(v)*imag(v))
	}
	w.count++
}

// Break ends a stretch of signal: no segment holds samples from both sides of
// it. Use it where stretches that do not belong together are averaged.
func (w *Welch) Break() { w.held = w.held[:0] }

// Segments is the number of segments averaged so far.
func (w *Welch) Segments() int { return w.count }

// Power is the one-sided power spectrum so far, n/2+1 bins of mean square, so
// scaled that their sum is the mean square of the signal (1 for ±1 square
// waves, 0.5 for a full-scale sine). It is nil before the first segment.
func (w *Welch) Power() []float64 {
	if w.count == 0 {
		return nil
	}
	n := w.fft.n
	// The squares of a periodic Hann window sum to 3n/8.
	scale := 1 / (float64(n) * (0.375 * float64(n)) * float64(w.count))
	power := make([]float64, len(w.sum))
	for k, v := range w.sum {
		// Rounded here, for compilers take 2x as x+x and may fuse that.
		power[k] = float64(v * scale)
		if k > 0 && k < n/2 {
			power[k] *= 2 // stands for the negative frequency too
		}
	}
	return power
}

// Reset forgets everything written.
func (w *Welch) Reset() {
	w.Break()
	clear(w.sum)
	w.count = 0
}
