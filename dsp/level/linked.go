package level

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// A Linked limiter is a Limiter over several channels that takes the same gain
// off all of them, so that nothing moves between the loudspeakers: that of the
// channel whose peak needs the most. With one channel, and with channels that
// are alike, its bits are those of Limiter.
type Linked struct {
	*Limiter // decides, and limits the first channel
	others   []*lane
}

// lane is what each further channel has of its own.
type lane struct {
	detector *kernel.PeakDetector
	delay    *kernel.Delay
	ramp     *kernel.Ramp
	peaks    []float64
}

// NewLinked makes a limiter at rest for so many channels, 1 or more.
func NewLinked(s LimiterSettings, rateHz float64, channels int) (*Linked, error) {
	first, err := NewLimiter(s, rateHz)
	if err != nil {
		return nil, err
	}
	l := &Linked{Limiter: first}
	step := dsp.ControlStep(rateHz)
	for range channels - 1 {
		l.others = append(l.others, &lane{
			detector: kernel.NewPeakDetector(step, dsp.Quantum), delay: kernel.NewDelay(first.latency, dsp.Quantum),
			ramp: kernel.NewRamp(step, 1), peaks: make([]float64, dsp.Quantum/step),
		})
	}
	return l, nil
}

// Process limits one quantum of every channel in place.
func (l *Linked) Process(ch [][]float64) {
	l.detector.Process(l.gainsDB, ch[0], l.ceiling)
	for i, o := range l.others {
		o.detector.Process(o.peaks, ch[i+1], l.ceiling)
		for j, p := range o.peaks {
			l.gainsDB[j] = max(l.gainsDB[j], p)
		}
	}
	l.decide()
	l.delay.Process(ch[0])
	l.ramp.Process(ch[0], l.gains)
	for i, o := range l.others {
		o.delay.Process(ch[i+1])
		o.ramp.Process(ch[i+1], l.gains)
	}
}
