package clinic

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

const (
	floorMarginDB    = 1.0  // under the spec's floor: another day's room is not this one's
	quieterFloorDB   = 6.0  // of quieter-floor, the same
	mostTakenDB      = 12.0 // by noise reduction and expander together; what takes more is for an ear
	mostRoomNoiseDB  = 9.0
	leastRoomNoiseDB = 4.0 // less is hardly heard (common practice)
	expanderLeastDB  = 4.0 // common practice is 6 to 10; where less is enough, less
	expanderMostDB   = 8.0
	expanderRatio    = 1.5
	overRoomDB       = 5.0 // threshold over room tone, where words leave so much
	leastOverRoomDB  = 3.0
	underWordsDB     = 6.0 // threshold under the quietest words: the stage keeps it too
)

// floorAfter is the noise floor that the read would be delivered with after
// steps and a night's level: the middle of its stretches of room tone, plain RMS
// dBFS; NaN where it has none.
func (d *drafter) floorAfter(steps []step) (float64, error) {
	if len(d.r.Room.Tone) == 0 {
		return math.NaN(), nil
	}
	y, levelDB, err := d.sounded(steps)
	if err != nil {
		return 0, err
	}
	var floors []float64
	for _, t := range d.r.Room.Tone {
		floors = append(floors, decibelsRMS(y[max(0, t.From):min(dsp.Frames(len(y)), t.To)]))
	}
	return share(floors, 0.5) + levelDB, nil
}

// quieted puts in front of the stages at at what the floor needs so that the spec
// is met after all of them: an expander first, and noise reduction for what that
// leaves.
func (d *drafter) quieted(steps []step, at int) ([]step, error) {
	if len(d.fit.Facts.RoomTone) == 0 {
		return steps, nil
	}
	for _, name := range []string{"gated", "denoised"} {
		for _, s := range d.r.signsNamed(name) {
			if s.Remedy == Booth && s.Confidence != Unsure {
				d.told = append(d.told, s.Says+"; the draft takes no more from the room: what was taken once sounds worse the second time")
				return steps, nil
			}
		}
	}
	bare, err := d.floorAfter(steps)
	if err != nil || math.IsNaN(bare) {
		return steps, err
	}
	goal, whose := retailFloorDBFS-floorMarginDB, fmt.Sprintf("audiobook retail asks for %.0f", retailFloorDBFS)
	if d.wants(QuieterFloor) {
		goal, whose = retailFloorDBFS-quieterFloorDB, fmt.Sprintf("a quieter floor was wished, %.0f", retailFloorDBFS-quieterFloorDB)
	}
	need := bare - goal
	if need <= 0 {
		return steps, nil
	}
	why := fmt.Sprintf("the room would be at %.1f dBFS after level, and %s", bare, whose)
	noise, rangeDB, widest := 0.0, 0.0, 0.0
	if e := d.o.Habits.Expander; !never(e.Use) {
		widest = or(e.MostDB, expanderMostDB)
		rangeDB = bounded(math.Ceil(need)+1, min(expanderLeastDB, widest), widest)
	}
	// What the two take depends on the voice; so it is measured, and mended twice.
	for try := 0; ; try++ {
		var front []step
		if noise > 0 {
			front = append(front, step{stage: "room-noise", params: fields{{"reduction_db", noise}}, why: why + ", more than pauses that close can give", corrective: true})
		}
		if e, ok := d.expander(rangeDB, why); ok && rangeDB > 0 {
			front = append(front, e)
		}
		with := slices.Insert(slices.Clone(steps), at, front...)
		got, err := d.floorAfter(with)
		if err != nil {
			return nil, err
		}
		short := math.Ceil(got - goal)
		most := min(mostRoomNoiseDB, mostTakenDB-rangeDB+noiseUnderExpanderDB)
		most = min(most, or(d.o.Habits.RoomNoise.MostDB, most))
		switch {
		case try == 3 || short <= 0:
			return with, nil
		case noise == 0 && rangeDB < widest:
			rangeDB = min(widest, rangeDB+short)
		case noise < most && !never(d.o.Habits.RoomNoise.Use):
			noise = min(most, max(leastRoomNoiseDB, noise+short))
		default:
			return with, nil
		}
	}
}

// noiseUnderExpanderDB is what noise reduction and expander overlap by: the
// expander's thresholds count from the room before it.
const noiseUnderExpanderDB = 3.0

// expander has a band for each part of the spectrum in which words stand far
// enough out of the room; ok is false where none does.
func (d *drafter) expander(rangeDB float64, why string) (s step, ok bool) {
	crossovers := []float64{200, 1800, 6000}
	edges := append(append([]float64{0}, crossovers...), math.Inf(1))
	ratio := or(d.o.Habits.Expander.Ratio, expanderRatio)
	var bands []fields
	var told string
	for i := range edges[1:] {
		room := levelWithin(d.fit.Facts.RoomTone, edges[i], edges[i+1])
		over, takes := overRoomDB, rangeDB
		if words := levelWithin(d.fit.Facts.QuietWords, edges[i], edges[i+1]); len(d.fit.Facts.QuietWords) > 0 {
			over = min(over, math.Floor(2*(words-underWordsDB-room))/2)
		}
		if over < leastOverRoomDB {
			over, takes = leastOverRoomDB, 0 // words are as soft as the room: hands off
		}
		ok = ok || takes > 0
		told += fmt.Sprintf(" %.0f", room)
		bands = append(bands, fields{{"over_room_tone_db", over}, {"ratio", ratio}, {"range_db", takes}})
	}
	return step{stage: "expander", params: fields{{"crossovers_hz", crossovers}, {"bands", bands}, {"look_ahead_ms", 8.0}, {"attack_ms", 3.0}, {"hold_ms", 120.0}, {"release_ms", 200.0}},
		why: why + "; room tone by band, dBFS:" + told, corrective: true}, ok
}

// levelWithin is the level of a spectrum of sixth octaves between two frequencies.
func levelWithin(s pipeline.Spectrum, fromHz, toHz float64) float64 {
	sum := 0.0
	for i, b := range spectrum.SixthOctaves() {
		if i < len(s) && b.Mid >= fromHz && b.Mid < toHz && !math.IsNaN(float64(s[i])) {
			sum += math.Pow(10, float64(s[i])/10)
		}
	}
	return 10 * math.Log10(sum)
}
