package restore

import "math"

// A drift follows noise that has grown over its profile, by 6 dB at most. What
// is followed is the least of a bin's mean power over three whole seconds:
// speech falls to the noise between its syllables much oftener, so it is never
// taken for noise (minimum statistics: Martin, IEEE Trans. SAP 9(5), 2001).
// Stretches of half a second lie on the absolute grid, so that what was longer
// ago leaves nothing behind. Noise that has become softer needs no following:
// the gain is at its lowest then.
type drift struct {
	grown   []float64 // noise as a multiple of its profile, 1 to mostGrown
	least   [driftStretches][]float64
	stretch int // frames in one
	frame   int // on the absolute grid
	next    int // the stretch that is being heard
	whole   int // stretches heard from their first frame on, and to their end
	inside  bool
}

const (
	driftStretches = 6
	driftStretchS  = 0.5
	mostGrown      = 4.0
	// leastToMean is what turns the least of three seconds of noise into its
	// mean, or somewhat less: never more, so that a right profile stays.
	leastToMean = 1.4
)

func newDrift(bins int, hopsPerS float64) *drift {
	d := &drift{grown: make([]float64, bins), stretch: int(math.Round(driftStretchS * hopsPerS))}
	for i := range d.least {
		d.least[i] = make([]float64, bins)
	}
	d.reset()
	return d
}

func (d *drift) reset() {
	for k := range d.grown {
		d.grown[k] = 1
	}
	d.frame, d.next, d.whole, d.inside = 0, 0, 0, false
}

// hear takes the means of one frame, against the profile.
func (d *drift) hear(means []float64) {
	if d.frame == 0 {
		d.turn()
	}
	if d.inside {
		least := d.least[d.next]
		for k, v := range means {
			if v < least[k] {
				least[k] = v
			}
		}
	}
	if d.frame++; d.frame == d.stretch {
		d.frame = 0
	}
}

// turn ends a stretch and begins the next.
func (d *drift) turn() {
	if d.inside {
		d.whole = min(d.whole+1, driftStretches)
		d.next = (d.next + 1) % driftStretches
	}
	d.inside = true
	if d.whole == driftStretches {
		for k := range d.grown {
			v := d.least[0][k]
			for _, other := range d.least[1:] {
				if other[k] < v {
					v = other[k]
				}
			}
			v *= leastToMean
			if v < 1 {
				v = 1
			}
			if v > mostGrown {
				v = mostGrown
			}
			d.grown[k] = v
		}
	}
	least := d.least[d.next]
	for k := range least {
		least[k] = math.Inf(1)
	}
}
