package restore

import "chapterhouse/dsp/kernel"

// A mouth is what there is from 2 to 10 kHz around what may be a mouth click: one
// power a control step, the middle one that of the residual's peak.
type mouth struct {
	band     *kernel.Cascade
	signal   []float64 // from warm samples earlier
	warm     int
	residual []float64 // powers under a model that has not heard the click
	sound    []float64 // powers of the sound itself
}

const (
	levelMS   = 2.0  // that the level of a click is the mean of
	shiftMS   = 2.0  // by which its peak may move under another model
	edgeMS    = 1.0  // that belongs neither to the click nor to what is around
	clickEnds = 0.05 // -13 dB: reflections of a booth lie below
	stands    = 2    // +3 dB, under a model that has heard the click, which hides it by up to 12 dB
	voiced    = 32   // +15 dB over the softest moment
	crowd     = 0.25 // -6 dB: more than crowdShare of what is around at that is no pause
	crowdPart = 0.03
	gapSteps  = 4 // control steps that a click may drop below its end
)

func newMouth(band []kernel.Biquad, reach, step int) *mouth {
	const warmSteps = 32 // for the filter to fill
	n := 2*reach + 1
	return &mouth{band: kernel.NewCascade(band), warm: warmSteps * step, signal: make([]float64, (warmSteps+n)*step),
		residual: make([]float64, n), sound: make([]float64, n)}
}

// mendMouth judges control step i, and mends it if a mouth click is there.
// softest is the power of the softest moment in the voice's band.
func (c *Clicks) mendMouth(i int, softest float64) {
	longest, edge, shift := c.controls(c.s.LongestMS), c.controls(edgeMS), c.controls(shiftMS)
	reach := c.controls(contextMS) - longest - edge - shift
	before, _ := around(c.tonePowers, i-longest-edge, i+longest+edge, reach)
	if c.level(c.tonePowers, i) < stands*before || c.voicedAround(i, voiced*softest) {
		return
	}
	c.withoutClick(i, longest)
	m := c.mouth
	middle := len(m.residual) / 2
	top := strongest(m.residual, middle-shift, middle+shift)
	start, end := extent(m.residual, top, longest)
	if end-start > longest || crowded(m.residual, start-edge, end+edge, reach, crowd*m.residual[top]) {
		return
	}
	mean, _ := around(m.residual, start-edge, end+edge, reach)
	plain, _ := around(m.sound, start-edge, end+edge, reach)
	if c.level(m.residual, start+1) < c.overLocal*mean && c.level(m.sound, start+1) < c.overLocal*plain {
		return
	}
	for end < top+longest && m.residual[end] > 2*mean { // what rings on
		end++
	}
	const early, late = 3, 2 // control steps: the band's filter is slow
	start, end = i-middle+start-early, i-middle+end+late
	c.fill(i, c.sample(start), c.sample(end))
	whole, _ := around(c.wholePowers, i-longest-edge, i+longest+edge, reach)
	c.mended(start, end+arOrder/c.step+1, whole, before)
}

// level is the mean of the powers over levelMS from one control step before i.
func (c *Clicks) level(powers []float64, i int) float64 {
	var sum float64
	n := c.controls(levelMS)
	for _, p := range powers[i-2 : i-2+n] {
		sum += p
	}
	return sum / float64(n)
}

// voicedAround tells whether the voice's band goes over limit near control step
// i, but not at it.
func (c *Clicks) voicedAround(i int, limit float64) bool {
	i -= c.perQuantum // these powers go on to a later time
	longest := c.controls(c.s.LongestMS)
	context := c.controls(contextMS)
	for _, p := range c.voicePowers[i-context : i-c.controls(edgeMS)] {
		if p > limit {
			return true
		}
	}
	for _, p := range c.voicePowers[i+longest+c.controls(voiceMeanMS+edgeMS) : i+context] {
		if p > limit {
			return true
		}
	}
	return false
}

// withoutClick makes the powers of c.mouth around control step i, the residual by
// a model for which longest control steps on either side are silent.
func (c *Clicks) withoutClick(i, longest int) {
	from, to := c.sample(i-longest), c.sample(i+longest)
	copy(c.tried, c.x[from:to])
	clear(c.x[from:to])
	c.refit(i)
	copy(c.x[from:to], c.tried)
	m := c.mouth
	at := c.sample(i-len(m.residual)/2) - m.warm
	c.model.residual(m.signal, c.x, at)
	m.powers(m.residual, c.step)
	copy(m.signal, c.x[at:])
	m.powers(m.sound, c.step)
}

// powers are those of the band of m.signal.
func (m *mouth) powers(dst []float64, step int) {
	m.band.Reset()
	m.band.Process(m.signal)
	kernel.Powers(dst, m.signal[m.warm:], step)
}

// strongest is the index of the greatest of powers[from:to].
func strongest(powers []float64, from, to int) int {
	top := from
	for k := from; k < to; k++ {
		if powers[k] > powers[top] {
			top = k
		}
	}
	return top
}

// extent is from where to where the powers around top lie over its click's end.
func extent(powers []float64, top, longest int) (start, end int) {
	p := powers[top]
	start, end = top, top+1
	for k, below := top-1, 0; k > top-longest && below < gapSteps; k-- {
		if below++; powers[k] > clickEnds*p {
			start, below = k, 0
		}
	}
	for k, below := top+1, 0; k < top+longest+gapSteps && below < gapSteps; k++ {
		if below++; powers[k] > clickEnds*p {
			end, below = k+1, 0
		}
	}
	return start, end
}

// crowded tells whether many of the reach powers before from and after to lie
// over limit.
func crowded(powers []float64, from, to, reach int, limit float64) bool {
	n := 0
	for _, part := range [2][]float64{powers[from-reach : from], powers[to : to+reach]} {
		for _, p := range part {
			if p > limit {
				n++
			}
		}
	}
	return float64(n) > crowdPart*float64(2*reach)
}
