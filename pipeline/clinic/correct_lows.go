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
	keptNoticedDB        = 0.4
	mostKeptDB           = 5.0  // of one cut; a lift is bounded as one that sweetens
	keptUnderDB          = 30.0 // under the strongest third octave lows still count
)

// keptLows brings 80 to 160 Hz back to where they were in the read, where they are
// to be kept: what the stages before took elsewhere lifts or lowers them against
// the voice at one speech level. A wide bell first, then the third octave that is
// furthest off.
func (d *drafter) keptLows(steps []step) ([]step, error) {
	if !d.wants(KeepLows) {
		return steps, nil
	}
	var items []fields
	with := steps
	for try := range 6 {
		moved, err := d.lowsMoved(with)
		if err != nil || len(moved) == 0 {
			return steps, err
		}
		low, high, worst := math.Inf(1), math.Inf(-1), 0
		for i, m := range moved {
			low, high = min(low, m.db), max(high, m.db)
			if math.Abs(m.db) > math.Abs(moved[worst].db) {
				worst = i
			}
		}
		hz, db, q := math.Sqrt(keptFromHz*keptToHz), (low+high)/2, 1.0
		if try > 0 {
			hz, db, q = moved[worst].hz, moved[worst].db, 3
		}
		if math.Abs(db) < keptNoticedDB {
			if try == 0 {
				continue // nothing in common: one by one
			}
			break
		}
		items = append(items, fields{{"shape", "bell"}, {"centre_hz", math.Round(hz)}, {"gain_db", -round1(bounded(db, -d.lift(mostLiftDB), mostKeptDB))}, {"q", q},
			{"why", fmt.Sprintf("its lows are kept: at the same speech level the stages before moved them by %+.1f dB", db)}})
		with = append(slices.Clone(steps), step{stage: "eq", items: items, corrective: true})
	}
	return with, nil
}

// A moved is a third octave and how far it moved at the same speech level.
type moved struct{ hz, db float64 }

// lowsMoved is how far those from 80 to 160 Hz that the voice has do through steps.
func (d *drafter) lowsMoved(steps []step) (all []moved, err error) {
	y, _, err := d.sounded(steps)
	if err != nil {
		return nil, err
	}
	m := meter.New(d.r.RateHz, 1)
	m.Write(y)
	speech := float64(m.Levels().Speech)
	now := bandsDB(powerSpeaking(y, d.r.Marks.Phrases), d.r.RateHz, spectrum.ThirdOctaves())
	for i := thirdAt(keptFromHz); i <= thirdAt(keptToHz); i++ {
		if d.third[i] > slices.Max(d.third)-keptUnderDB {
			all = append(all, moved{spectrum.ThirdOctaves()[i].Mid, now[i] - speech - d.third[i]})
		}
	}
	return all, nil
}
