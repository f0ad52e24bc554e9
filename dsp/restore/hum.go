package restore

import (
	"cmp"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
)

// HumSettings are the parameters of Hum; see there.
type HumSettings struct {
	UpToHz   float64
	Points   []meter.MainsPoint
	RoomTone []dsp.DBFS
}

// Hum takes the mains' hum away by subtracting it: what is left is the voice with
// nothing cut out of it. A listener no longer hears the hum in pauses; where a
// harmonic doesn't stand out of the noise around it, it stays as it is.
//
// The frequency f0(t) runs straight between the points, and its integral φ(t) is
// the phase. Over cells of about 93 ms under a Hann window h, half over each
// other, at the control rate,
//
//	c[k,i] = Σ h·x·exp(-j·k·φ) / Σ h                 k: order of the harmonic
//	a[k]   = Σ w[i]·c[k,i] / Σ w[i]                  w[i] = u[i] / p[i]²
//	y      = x - Σ g[k]·2·Re(a[k]·exp(j·k·φ))
//
// which is the least-squares fit of all harmonics, for cells of such windows keep
// them apart; [humFit] says what cells weigh, and how the course is set right
// around now before the mean is taken. With v the variance of a[k] that the
// cells' scatter tells,
//
//	g[k] = max(0, 1 - (4·v/|a[k]|²)²)
//
// and no harmonic is taken for louder than 3 dB over the room tone's sixth octave
// that it lies in: a voice that holds the pitch of the hum is no hum.
//
// Parameters:
//   - UpToHz: the highest harmonic, 100 to 2000; no default. None over a fifth of
//     the control rate is taken: 1102 Hz at 44.1 kHz.
//   - Points: frequencies of the fundamental, at frames of the part, in order. None:
//     the bits stay.
//   - RoomTone: dBFS in sixth octaves from 20 Hz. Empty: the bits stay.
//
// Latency: 2 s and two cells, in quanta: 93,184 samples at 44.1 kHz, so that a part
// that begins with a word has a pause to learn from.
//
// Source: least squares of sinusoids of known frequency: Kay, Fundamentals of
// Statistical Signal Processing: Estimation Theory, 1993, example 4.2; variance
// from scatter: White, Econometrica 48(4), 1980. Weights are this project's own.
type Hum struct {
	s      HumSettings
	rateHz float64
	step   int
	hop    int // quanta from cell to cell
	ahead  int // cells
	orders int
	turns  []float64 // of the phase, at each point
	droop  []float64 // what the mean of a control step leaves of an order

	at     dsp.Frames
	line   *kernel.Delay
	rising []float64 // half a Hann window, at the control rate
	last   float64   // control sample before the block
	zeros  int       // control samples of digital silence up to it

	// The cell that is ending and the one that has begun.
	old, young cellSums
	fit        *humFit
	from, by   []complex128
	to         []complex128 // amplitudes at the hop's end, gains in them
	values     []float64    // hum and its slope at control steps
	slopes     []float64
	low        []float64
}

// cellSums are the sums of a cell as it grows.
type cellSums struct {
	harmonics []complex128
	power     float64
	hollow    bool // digital silence in part of it: less hum than there was
}

const (
	humHopS     = 0.0464
	humOverTone = 3.0 // dB
	humZeros    = 16  // control steps of digital silence that spoil a cell
)

// NewHum makes the processor at the start of its part.
func NewHum(s HumSettings, rateHz float64) (*Hum, error) {
	err := cmp.Or(dsp.CheckRate(rateHz), dsp.Within("up_to_hz", s.UpToHz, 100, 2000))
	for _, p := range s.Points {
		err = cmp.Or(err, dsp.Within("the mains' frequency", p.Hz, 40, 70))
	}
	if err != nil {
		return nil, err
	}
	h := &Hum{s: s, rateHz: rateHz, step: dsp.ControlStep(rateHz)}
	h.hop = humHop(rateHz)
	h.ahead = int(math.Ceil(humAheadS * rateHz / float64(h.hop*dsp.Quantum)))
	h.line = kernel.NewDelay(h.Latency(), dsp.Quantum)
	if len(s.Points) == 0 || len(s.RoomTone) != len(spectrum.SixthOctaves()) {
		return h, nil // orders is 0: nothing to take away
	}
	top := min(s.UpToHz, 0.2*dsp.ControlRate(rateHz))
	h.orders = int(top / s.Points[0].Hz)
	mostPower := h.findLimits()
	h.turns = make([]float64, len(s.Points))
	for i := 1; i < len(s.Points); i++ {
		a, b := s.Points[i-1], s.Points[i]
		h.turns[i] = fraction(h.turns[i-1] + float64((b.At-a.At).Seconds(1)*(a.Hz+b.Hz)/2)/rateHz)
	}
	n := dsp.Quantum / h.step
	h.rising = make([]float64, h.hop*n)
	for i := range h.rising {
		h.rising[i] = 0.5 - float64(0.5*kernel.Cos(math.Pi*(float64(i)+0.5)/float64(len(h.rising))))
	}
	h.fit = newHumFit(h.ahead, float64(h.hop*dsp.Quantum)/rateHz, mostPower)
	for _, v := range []*[]complex128{&h.old.harmonics, &h.young.harmonics, &h.from, &h.to, &h.by} {
		*v = make([]complex128, h.orders)
	}
	h.low, h.values, h.slopes = make([]float64, n), make([]float64, n+1), make([]float64, n+1)
	return h, nil
}

// humHop is the number of quanta from cell to cell.
func humHop(rateHz float64) int { return max(1, int(math.Round(humHopS*rateHz/dsp.Quantum))) }

// findLimits finds how much of an order's |a|² the room tone allows.
func (h *Hum) findLimits() (mostPower []float64) {
	mostPower, h.droop = make([]float64, h.orders), make([]float64, h.orders)
	bands := spectrum.SixthOctaves()
	for k := range h.orders {
		hz := float64(k+1) * h.s.Points[0].Hz
		b := 0
		for b < len(bands)-1 && bands[b].Upper < hz {
			b++
		}
		level := float64(h.s.RoomTone[b])
		for _, near := range []int{b - 1, b + 1} { // the band's edge may lie in the hum's drift
			if near >= 0 && near < len(bands) && (math.Abs(bands[near].Upper/hz-1) < 0.01 || math.Abs(bands[near].Lower/hz-1) < 0.01) {
				level = max(level, float64(h.s.RoomTone[near]))
			}
		}
		if level > -200 { // a is half of a sine's amplitude: |a|² is half its power
			mostPower[k] = 0.5 * kernel.FromPowerDB(level+humOverTone)
		}
		x := math.Pi * hz / h.rateHz
		h.droop[k] = kernel.Sin(float64(h.step)*x) / (float64(h.step) * kernel.Sin(x))
	}
	return mostPower
}

// Settle is the number of samples after which a cold start is within -60 dB of
// a warm one.
func (s HumSettings) Settle(rateHz float64) int {
	return int((humAheadS+humBackS)*rateHz) + 4*humHop(rateHz)*dsp.Quantum
}

// Place says where the next quantum is.
func (h *Hum) Place(at dsp.Frames) { h.at = at }

// Process takes the hum out of one quantum in place.
func (h *Hum) Process(block []float64) {
	if h.orders == 0 {
		h.line.Process(block)
		return
	}
	q := int(floorDiv(h.at, dsp.Quantum) % dsp.Frames(h.hop))
	if q < 0 {
		q += h.hop
	}
	h.hear(block, q)
	if q == h.hop-1 {
		h.endCell()
	}
	h.line.Process(block)
	h.subtract(block)
	h.at += dsp.Quantum
}

// hear adds a quantum, the q-th of its hop, to the two cells it lies in.
func (h *Hum) hear(block []float64, q int) {
	n := len(h.low)
	scale := 1 / float64(h.step)
	for i := range h.low {
		sum := 0.0
		for _, v := range block[i*h.step : (i+1)*h.step] {
			sum += v
		}
		h.low[i] = scale * sum
	}
	turns, hz := h.phase(float64(h.at) + float64(float64(h.step-1)/2))
	re, im := kernel.Cos(2*math.Pi*turns), -kernel.Sin(2*math.Pi*turns)
	angle := float64(2*math.Pi*hz) * float64(h.step) / h.rateHz
	dRe, dIm := kernel.Cos(angle), -kernel.Sin(angle)
	old, young := h.old.harmonics, h.young.harmonics[:len(h.old.harmonics)]
	for i, v := range h.low {
		w := h.rising[q*n+i]
		if h.zeros++; v != 0 {
			h.zeros = 0
		}
		if h.zeros > humZeros {
			h.old.hollow, h.young.hollow = true, true
		}
		d := v - h.last
		h.last = v
		d *= d
		h.young.power += float64(w * d)
		h.old.power += float64((1 - w) * d)
		up := w * v
		down := v - up
		zRe, zIm := re, im
		for k := range old {
			a, b := old[k], young[k]
			old[k] = complex(real(a)+float64(down*zRe), imag(a)+float64(down*zIm))
			young[k] = complex(real(b)+float64(up*zRe), imag(b)+float64(up*zIm))
			zRe, zIm = float64(zRe*re)-float64(zIm*im), float64(zRe*im)+float64(zIm*re)
		}
		re, im = float64(re*dRe)-float64(im*dIm), float64(re*dIm)+float64(im*dRe)
	}
}

// endCell keeps the cell that has ended, and fits the hum ahead cells before it.
func (h *Hum) endCell() {
	scale := 1 / float64(len(h.rising)) // the window's sum
	c := h.fit.next()
	for k, v := range h.old.harmonics {
		by := scale / h.droop[k]
		c.harmonics[k] = complex(by*real(v), by*imag(v))
	}
	c.power = scale * h.old.power
	if h.old.hollow {
		c.power = 0
	}
	h.old, h.young = h.young, h.old
	clear(h.young.harmonics)
	h.young.power, h.young.hollow = 0, false
	h.from, h.to = h.to, h.from
	h.fit.solve(h.to)
	for k := range h.by {
		h.by[k] = complex(scale*(real(h.to[k])-real(h.from[k])), scale*(imag(h.to[k])-imag(h.from[k])))
	}
}

// subtract takes from a quantum that left the line what was fitted. Between
// control steps the hum runs along the cubic of its values and slopes.
func (h *Hum) subtract(block []float64) {
	turns, hz := h.phase(float64(h.at) - float64(h.Latency()))
	re, im := kernel.Cos(2*math.Pi*turns), kernel.Sin(2*math.Pi*turns)
	angle := float64(2*math.Pi*hz) * float64(h.step) / h.rateHz
	dRe, dIm := kernel.Cos(angle), kernel.Sin(angle)
	for i := range h.values {
		var value, slope float64
		zRe, zIm := re, im
		order := 0.0
		for k, a := range h.from {
			order++
			value += float64(real(a)*zRe) - float64(imag(a)*zIm)
			slope -= float64(order * (float64(real(a)*zIm) + float64(imag(a)*zRe)))
			zRe, zIm = float64(zRe*re)-float64(zIm*im), float64(zRe*im)+float64(zIm*re)
			if i < len(h.values)-1 {
				h.from[k] = complex(real(a)+real(h.by[k]), imag(a)+imag(h.by[k]))
			}
		}
		h.values[i], h.slopes[i] = 2*value, float64(2*angle*slope)
		re, im = float64(re*dRe)-float64(im*dIm), float64(re*dIm)+float64(im*dRe)
	}
	share := 1 / float64(h.step)
	for i := range len(h.values) - 1 {
		a, b, c, d := cubic(h.values[i], h.values[i+1], h.slopes[i], h.slopes[i+1])
		x := block[i*h.step : (i+1)*h.step]
		for j := range x {
			t := share * float64(j)
			x[j] -= a + float64(t*(b+float64(t*(c+float64(t*d)))))
		}
	}
}

// cubic is a + b·t + c·t² + d·t³ with values and slopes given at 0 and 1.
func cubic(y0, y1, s0, s1 float64) (a, b, c, d float64) {
	rise := y1 - y0
	return y0, s0, float64(3*rise) - float64(2*s0) - s1, s0 + s1 - float64(2*rise)
}

// phase is how far the fundamental has turned at a frame, in turns, and its
// frequency there.
func (h *Hum) phase(at float64) (turns, hz float64) {
	p := h.s.Points
	i := 0
	for i < len(p)-1 && float64(p[i+1].At) <= at {
		i++
	}
	since := at - float64(p[i].At)
	drift := 0.0 // Hz a frame
	if since > 0 && i < len(p)-1 {
		drift = (p[i+1].Hz - p[i].Hz) / float64(p[i+1].At-p[i].At)
	}
	hz = p[i].Hz + float64(drift*since)
	return fraction(h.turns[i] + float64(since*(p[i].Hz+hz)/2)/h.rateHz), hz
}

// fraction is what a number of turns has beyond whole ones.
func fraction(turns float64) float64 { return turns - math.Floor(turns) }

func floorDiv(a, b dsp.Frames) dsp.Frames {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// Latency is in samples.
func (h *Hum) Latency() int { return ((h.ahead+2)*h.hop - 1) * dsp.Quantum }

// Reset goes back to the start of the part.
func (h *Hum) Reset() {
	h.at, h.last, h.zeros = 0, 0, 0
	h.line.Reset()
	for _, v := range [][]complex128{h.old.harmonics, h.young.harmonics, h.from, h.to, h.by} {
		clear(v)
	}
	h.old.power, h.young.power = 0, 0
	h.old.hollow, h.young.hollow = false, false
	if h.fit != nil {
		h.fit.reset()
	}
}
