package check

import (
	"encoding/json"
	"math"
	"slices"

	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

const (
	// floorHumDB is how much lower a floor has to be without the hum for hum to be
	// what makes it: half of its power.
	floorHumDB    = 3.0
	floorHumLines = 4 // of the mains and its multiples, where sixth octaves still part them
	floorHumWide  = 0.03
)

// humOfFloor is by how many decibels a chapter's room tone would be lower without
// the mains' hum, behind the chain's high-passes; 0 where no hum was heard, where
// it makes less than half of the floor, or where a stage takes it out already.
// Of several parts it is the least.
func humOfFloor(t Title, chapter int) (db float64) {
	ch := t.Chapters[chapter]
	heard := func(f pipeline.Finding) bool { return f.Check == "hum" && f.Weight != pipeline.Ready }
	if !slices.ContainsFunc(ch.Findings, heard) || len(ch.Parts) == 0 {
		return 0
	}
	least := math.Inf(1)
	for _, p := range ch.Parts {
		var stages []pipeline.Resolved
		if c := t.Narrators[p.Voice.Narrator].Setups[p.Voice.Setup].Chain; c != nil {
			stages = c.Stages
		}
		if slices.ContainsFunc(stages, func(s pipeline.Resolved) bool { return s.Stage == "hum" }) {
			return 0
		}
		least = min(least, humOf(p.Profile.RoomTone, stages))
	}
	if !(least >= floorHumDB) {
		return 0
	}
	return least
}

// humOf is by how much a room tone's level behind a chain's high-passes falls
// when the bands of the mains' lines come down to the lower of their neighbours.
func humOf(tone pipeline.Spectrum, stages []pipeline.Resolved) float64 {
	bands := spectrum.SixthOctaves()
	if len(tone) != len(bands) {
		return 0
	}
	power := make([]float64, len(bands))
	all := 0.0
	for k, v := range tone {
		power[k] = kernel.FromPowerDB(float64(v) - cut(stages, bands[k].Mid))
		all += power[k]
	}
	most := 0.0
	for _, mains := range []float64{50, 60} {
		without := slices.Clone(power)
		for n := 1; n <= floorHumLines; n++ {
			hz := mains * float64(n)
			in := func(b spectrum.Band) bool { return b.Upper > hz*(1-floorHumWide) && b.Lower < hz*(1+floorHumWide) }
			from := slices.IndexFunc(bands, in)
			to := from
			for in(bands[to]) {
				to++
			}
			around := min(power[from-1], power[to])
			for k := from; k < to; k++ {
				without[k] = min(without[k], around)
			}
		}
		rest := 0.0
		for _, v := range without {
			rest += v
		}
		if rest > 0 {
			most = max(most, 10*math.Log10(all/rest))
		}
	}
	return most
}

// cut is what a chain's high-passes take at a frequency, dB (Butterworth 1930).
func cut(stages []pipeline.Resolved, hz float64) (db float64) {
	for _, s := range stages {
		var p struct {
			CutoffHz float64 `json:"cutoff_hz"`
			Slope    float64 `json:"slope_db_per_octave"`
		}
		if s.Stage == "highpass" && json.Unmarshal(s.Params, &p) == nil {
			db += 10 * math.Log10(1+kernel.Pow(p.CutoffHz/hz, p.Slope/3)) // 6 dB per octave is order 1
		}
	}
	return db
}
