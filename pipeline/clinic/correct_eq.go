package clinic

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp/spectrum"
)

const (
	cutShare      = 0.7 // of a peak's height: the rest may be the voice's own
	mostCutDB     = 7.0
	mostAloneDB   = 2.0 // of a cut that rests on speech alone, which a voice may owe to itself
	leastCutDB    = 1.0
	mostCutQ      = 12.0 // wider ones took more of the trend around than of the peak
	mostPeaks     = 6
	signPeakDB    = 2.0 // that a resonance found elsewhere has to show in speech
	toneShowsDB   = 5.0 // of room tone, over the octave around
	sameWithin    = 1.06
	keptHighestHz = 190.0 // under which keep-lows leaves peaks alone

	lowMidsToHz        = 500.0
	topFromHz, topToHz = 5000.0, 10000.0
	leastBlindDB       = 0.5
	mostBlindDB        = 1.5 // of a broad correction that rests on speech on average
)

// A cut is a peak that is taken down, and what speaks for it.
type cut struct {
	peak
	why string
}

// corrected is the corrective eq: still peaks, then what is broad.
func (d *drafter) corrected() (step, bool) {
	var items []fields
	for _, c := range d.cuts() {
		gain := -min(cutShare*c.db, or(d.o.Habits.EQ.MostCutDB, mostCutDB))
		if gain > -leastCutDB || d.wants(KeepLows) && c.hz < keptHighestHz {
			continue
		}
		items = append(items, fields{{"shape", "bell"}, {"centre_hz", math.Round(c.hz)}, {"gain_db", half(gain)}, {"q", round1(c.q)}, {"why", c.why}})
	}
	if d.earlier == nil { // else likeEarlier does it
		items = append(items, d.broad()...)
	}
	return step{stage: "eq", items: items, corrective: true}, len(items) > 0
}

// cuts are the peaks that stand out of speech and of something else that doesn't
// share its cause: of the harmonics whatever the pitch, of the room tone, or of
// what the diagnosis found, lowest first. A peak is taken for as high as the
// weaker of both says.
func (d *drafter) cuts() (all []cut) {
	add := func(p peak, why string) {
		for i, c := range all {
			if p.hz < c.hz*sameWithin && c.hz < p.hz*sameWithin {
				if p.db > c.db {
					all[i].db = p.db
				}
				return
			}
		}
		all = append(all, cut{p, why})
	}
	for _, s := range d.r.signsNamed("resonance") {
		if s.Remedy == Good || s.Confidence == Unsure || s.LowHz <= 0 {
			continue
		}
		hz := math.Sqrt(s.LowHz * max(s.LowHz, s.HighHz))
		if heard := d.fineAt(hz); heard >= signPeakDB {
			add(peak{hz, heard, bounded(or(s.Q, 6), 2, mostCutQ)}, s.Says)
		}
	}
	for _, p := range d.still.peaks() {
		if heard := d.fineAt(p.hz); heard >= stillPeakDB {
			db := min(p.db, heard)
			if !d.rings(p.hz) {
				db = min(db, mostAloneDB/cutShare)
			}
			add(peak{p.hz, db, bounded(p.q, 2, mostCutQ)},
				fmt.Sprintf("%.1f dB over the octave around whatever the pitch, %.1f in all of the speech", p.db, heard))
		}
	}
	for _, p := range (still{bands: d.still.bands, db: d.fine}).peaks() {
		if tone := d.toneAt(p.hz); tone >= toneShowsDB {
			add(peak{p.hz, min(p.db, tone), bounded(p.q, 2, mostCutQ)},
				fmt.Sprintf("%.1f dB over the octave around in speech and %.1f in room tone", p.db, tone))
		}
	}
	slices.SortStableFunc(all, func(a, b cut) int { return cmp.Compare(b.db, a.db) })
	all = all[:min(len(all), mostPeaks)]
	slices.SortStableFunc(all, func(a, b cut) int { return cmp.Compare(a.hz, b.hz) })
	return all
}

// rings tells whether the diagnosis names a resonance there, however unsure.
func (d *drafter) rings(hz float64) bool {
	return slices.ContainsFunc(d.r.signsNamed("resonance"), func(s Sign) bool {
		return s.LowHz > 0 && hz < s.HighHz*sameWithin && s.LowHz < hz*sameWithin
	})
}

// fineAt is how far speech stands over the octave around at a frequency, or
// beside it.
func (d *drafter) fineAt(hz float64) float64 { return highestAt(d.still.bands, d.fine, hz) }

// toneAt is the same of room tone.
func (d *drafter) toneAt(hz float64) float64 { return highestAt(d.still.bands, d.tone, hz) }

func highestAt(bands []spectrum.Band, db []float64, hz float64) float64 {
	most := math.Inf(-1)
	for i, b := range bands {
		if i < len(db) && hz > b.Lower/sameWithin && hz < b.Upper*sameWithin && !math.IsNaN(db[i]) {
			most = max(most, db[i])
		}
	}
	return most
}

// broad are corrections of what the diagnosis says to lie further off the average
// voice than voices do. A voice's own slope can't be told from a room's, so they
// take half of what is over that border, and little.
func (d *drafter) broad() (items []fields) {
	for _, s := range d.r.signsNamed("low-mids") {
		if s.Remedy == Processing {
			gain := -min(mostBlindDB, (s.Value-buildUpDB)/2+leastBlindDB)
			items = append(items, fields{{"shape", "bell"}, {"centre_hz", d.lowMids()}, {"gain_db", half(gain)}, {"q", 0.8}, {"why", s.Says}})
		}
	}
	for _, s := range d.r.signsNamed("top") {
		if s.Remedy == Processing {
			border := harshDB
			if s.Value < 0 {
				border = dullDB
			}
			gain := bounded((border-s.Value)/2, -mostBlindDB+leastBlindDB, mostBlindDB-leastBlindDB)
			gain += math.Copysign(leastBlindDB, gain)
			items = append(items, fields{{"shape", "high-shelf"}, {"corner_hz", s.LowHz}, {"gain_db", half(gain)}, {"slope", 0.7}, {"why", s.Says}})
		}
	}
	return items
}

// lowMids is where the low mids have most, against speech on average.
func (d *drafter) lowMids() float64 {
	best, at := math.Inf(-1), 250.0
	for i, b := range spectrum.ThirdOctaves() {
		if b.Mid < 200 || b.Mid > lowMidsToHz {
			continue
		}
		if over := d.third[i] - usualDB()[i-thirdAt(usualFromHz)]; over > best {
			best, at = over, math.Round(b.Mid/10)*10
		}
	}
	return at
}
