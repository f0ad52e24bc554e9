package clinic

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
)

const (
	keptFromHz, keptToHz = 80.0, 160.0
	keptNoticedDB        = 0.5
	mostKeptDB           = 2.0
	keptUnderDB          = 30.0 // under the strongest third octave lows still count
)

// keptLows brings 80 to 160 Hz back to where they were in the read, where they are
// to be kept: what the stages before took elsewhere lifts or lowers them against
// the voice at one speech level.
func (d *drafter) keptLows(steps []step) ([]step, error) {
	if !d.wants(KeepLows) {
		return steps, nil
	}
	y, _, err := d.sounded(steps)
	if err != nil {
		return nil, err
	}
	m := meter.New(d.r.RateHz, 1)
	m.Write(y)
	now := bandsDB(powerSpeaking(y, d.r.Marks.Phrases), d.r.RateHz, spectrum.ThirdOctaves())
	sum, n := 0.0, 0.0
	for i := thirdAt(keptFromHz); i <= thirdAt(keptToHz); i++ {
		if d.third[i] > slices.Max(d.third)-keptUnderDB {
			sum += now[i] - float64(m.Levels().Speech) - d.third[i]
			n++
		}
	}
	moved := sum / n
	if n == 0 || math.Abs(moved) < keptNoticedDB {
		return steps, nil
	}
	return append(steps, step{stage: "eq", items: []fields{{{"shape", "bell"}, {"centre_hz", math.Round(math.Sqrt(keptFromHz * keptToHz))}, {"gain_db", -tenth(bounded(moved, -mostKeptDB, mostKeptDB))}, {"q", 1.0},
		{"why", fmt.Sprintf("its lows are kept: at the same speech level the stages before moved them by %+.1f dB", moved)}}}, corrective: true}), nil
}
