package clinic

import (
	"fmt"
	"math"

	"chapterhouse/dsp/spectrum"
)

const (
	keptLowHz       = 60.0 // corner with keep-lows at most
	lowestCutoffHz  = 40.0
	highestCutoffHz = 90.0
	underPitch      = 0.6 // of the lowest pitch: there a slope of 12 dB an octave takes 0.5 dB
)

// highpass takes what is under the voice.
func (d *drafter) highpass() step {
	pitches := d.voice.pitches()
	cutoff, why := 70.0, "no pitch was found to go by: a corner under most voices"
	if len(pitches) >= 50 {
		lowest := share(pitches, 0.02)
		cutoff = bounded(underPitch*lowest, lowestCutoffHz, highestCutoffHz)
		why = fmt.Sprintf("the voice begins at %.0f Hz", lowest)
	}
	if most := d.o.Habits.Highpass.MostCutoffHz; most > 0 && cutoff > most {
		cutoff, why = most, why+fmt.Sprintf(", and the house goes no higher than %g Hz", most)
	}
	slope := 12
	if rumble := d.rumble(cutoff); rumble > -78 {
		slope = 18
		if rumble > -66 {
			slope = 24
		}
		why += fmt.Sprintf("; the room has %.0f dBFS under %.0f Hz at the speech level of the chain", rumble, cutoff)
	}
	if d.wants(KeepLows) && cutoff > keptLowHz {
		cutoff, slope, why = keptLowHz, max(slope, 18), why+fmt.Sprintf("; its lows are kept: no corner over %.0f Hz", keptLowHz)
	}
	slope = or(d.o.Habits.Highpass.SlopeDBPerOctave, slope)
	return step{stage: "highpass", params: fields{{"cutoff_hz", math.Round(cutoff)}, {"slope_db_per_octave", slope}}, why: why, corrective: true}
}

// rumble is what the room has under a frequency, dBFS at the chain's input.
func (d *drafter) rumble(hz float64) float64 {
	sum := 0.0
	for i, b := range spectrum.SixthOctaves() {
		if i < len(d.fit.Facts.RoomTone) && b.Mid < hz {
			sum += math.Pow(10, float64(d.fit.Facts.RoomTone[i])/10)
		}
	}
	return 10 * math.Log10(sum)
}

// restored are the stages that take faults of a moment and the hum away, where
// there are some.
func (d *drafter) restored() (all []step) {
	if says, ok := d.found("mouth-noise", "clicks"); ok {
		all = append(all, step{stage: "clicks", params: fields{{"over_local_db", 12.0}}, why: says, corrective: true})
	}
	if says, ok := d.found("hum"); ok && len(d.r.Marks.Mains) > 0 {
		all = append(all, step{stage: "hum", params: fields{{"up_to_hz", 1000.0}}, why: says, corrective: true})
	}
	if says, ok := d.found("plosives"); ok {
		all = append(all, step{stage: "plosives", params: fields{{"threshold_over_speech_db", -18.0}, {"max_cut_db", 15.0}}, why: says, corrective: true})
	}
	return all
}
