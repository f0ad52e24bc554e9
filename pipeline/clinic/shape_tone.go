package clinic

import (
	"fmt"
	"math"

	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

const (
	mostLiftDB     = 2.0 // of a band that sweetens
	clearerHz      = 3000.0
	airHz          = 10000.0
	lighterDB      = 2.5
	lighterLeastHz = 280.0 // with keep-lows: an octave over what is kept
)

// sweetened is the eq that shapes the voice, by as much as asked and what was
// wished.
func (d *drafter) sweetened(airDB float64) (step, bool) {
	var items []fields
	if d.wants(LighterLowMids) {
		centre, q, why := d.lowMids(), 1.0, "lighter low mids were wished: here it has most of them"
		if d.wants(KeepLows) && centre < lighterLeastHz {
			centre, q, why = lighterLeastHz, 1.6, why+", as far up as its lows are left alone"
		}
		items = append(items, fields{{"shape", "bell"}, {"centre_hz", centre}, {"gain_db", -lighterDB}, {"q", q}, {"why", why}})
	}
	presence := overUsual(d.third, 2000, 4000)
	if lift := d.lift(half(2 - bounded(presence/2, 0, 1.5))); d.wants(Clearer) && lift > 0 {
		items = append(items, fields{{"shape", "bell"}, {"centre_hz", clearerHz}, {"gain_db", lift}, {"q", 0.9},
			{"why", fmt.Sprintf("clearer was wished; from 2 to 4 kHz it has %+.1f dB against speech on average", presence)}})
	}
	air := overUsual(d.third, 8000, 12500)
	if lift := d.lift(half(airDB - bounded(air/4, 0, airDB))); lift > 0 && !math.IsNaN(air) && airHz < 0.4*float64(d.r.RateHz) {
		items = append(items, fields{{"shape", "high-shelf"}, {"corner_hz", airHz}, {"gain_db", lift},
			{"why", fmt.Sprintf("a little air: over 8 kHz it has %+.1f dB against speech on average", air)}})
	}
	return step{stage: "eq", items: items}, len(items) > 0
}

// lift keeps a lift to what a house likes and what is bearable.
func (d *drafter) lift(db float64) float64 {
	return min(db, or(d.o.Habits.EQ.MostLiftDB, mostLiftDB), mostLiftDB)
}

// held are dynamic bands: low mids and presence, each only where it is louder than
// it mostly is.
func (d *drafter) held() (step, error) {
	var items []fields
	near, q := d.lowMids(), 1.0
	if d.wants(KeepLows) {
		near, q = max(near, lighterLeastHz), 1.6
	}
	for _, b := range []struct {
		hz, gain, q, over float64
		what              string
	}{
		{near, -1.5, q, 0.85, "where the voice comes close"},
		{clearerHz, -1, 0.9, 0.92, "where it presses"},
	} {
		levels, err := d.bandLevels(b.hz, b.q)
		if err != nil {
			return step{}, err
		}
		over := share(levels, b.over)
		items = append(items, fields{{"shape", "bell"}, {"centre_hz", b.hz}, {"gain_db", b.gain}, {"q", b.q},
			{"dynamic", fields{{"threshold_over_speech_db", half(bounded(over, -60, 20))}, {"attack_ms", 15.0}, {"release_ms", 160.0}}},
			{"why", fmt.Sprintf("%s: %.0f %% of the time the band is under %.1f dB against speech", b.what, 100*b.over, over)}})
	}
	return step{stage: "eq", items: items}, nil
}

// bandLevels are those of a bell's band while speaking, dB against the speech
// level.
func (d *drafter) bandLevels(hz, q float64) ([]float64, error) {
	sections, err := filter.Bandpass(hz, q, float64(d.r.RateHz))
	if err != nil {
		return nil, err
	}
	y := make([]float64, (len(d.r.x)+7)/8*8)
	copy(y, d.r.x)
	kernel.NewCascade(sections).Process(y)
	var out []float64
	for _, v := range levelsSpeaking(y, d.r, 0.02) {
		out = append(out, v-float64(d.r.speech()))
	}
	return out, nil
}

// harmonics are a little of both.
func (d *drafter) harmonics() (step, bool) {
	if never(d.o.Habits.Harmonics.Use) {
		return step{}, false
	}
	second, top := -42.0, overUsual(d.third, topFromHz, topToHz)
	why := "a little density, some 0.8 % of a tone at the speech level"
	if top > 2 {
		second, why = -46, fmt.Sprintf("a little density, less than usual: its top is %.1f dB over speech on average already", top)
	}
	return step{stage: "harmonics", params: fields{{"second_db", second}, {"third_db", second - 8}}, why: why}, true
}
