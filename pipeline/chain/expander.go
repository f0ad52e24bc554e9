package chain

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dynamics"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

type expanderParams struct {
	CrossoversHz []float64      `json:"crossovers_hz" default:"" len:"0..3" range:"20..16000" doc:"rising, a third of an octave apart or more; none: one band"`
	Bands        []expanderBand `json:"bands" len:"1..4" doc:"one more than crossovers, lowest first"`
	KneeDB       float64        `json:"knee_db" default:"0" range:"0..24" doc:"width of the knee; 0 is hard"`
	LookAheadMS  float64        `json:"look_ahead_ms" default:"8" range:"0..50" doc:"how much earlier than the word it opens"`
	AttackMS     float64        `json:"attack_ms" default:"3" range:"0..200" doc:"time constant of opening"`
	HoldMS       float64        `json:"hold_ms" default:"120" range:"0..1000" doc:"common practice for narration 80 to 150"`
	ReleaseMS    float64        `json:"release_ms" default:"200" range:"1..450" doc:"time constant of closing; common practice for narration 120 to 300"`
	HysteresisDB float64        `json:"hysteresis_db" default:"0" range:"0..12" doc:"how much deeper an open band must fall to close"`
}

type expanderBand struct {
	OverRoomToneDB float64 `json:"over_room_tone_db" range:"0..40" doc:"threshold, counted from the session's room tone in this band, plain RMS"`
	Ratio          float64 `json:"ratio" range:"1..10" doc:"common practice for narration 1.3 to 2"`
	RangeDB        float64 `json:"range_db" range:"0..40" doc:"the most it takes; common practice for narration 6 to 10"`
}

// Check wants one band more than crossovers, and crossovers apart.
func (p expanderParams) Check() []Fault {
	if n := len(p.CrossoversHz); len(p.Bands) != n+1 {
		return []Fault{{Path: "bands", Text: fmt.Sprintf("bands has %d entries and crossovers_hz %d; give one band more than crossovers", len(p.Bands), n)}}
	}
	for i := 1; i < len(p.CrossoversHz); i++ {
		if low, high := p.CrossoversHz[i-1], p.CrossoversHz[i]; high < low*math.Cbrt(2) {
			return []Fault{{Path: fmt.Sprintf("crossovers_hz[%d]", i), Text: fmt.Sprintf("crossovers_hz[%d] is %g; give %.0f or more, a third of an octave above the one before", i, high, math.Ceil(low*math.Cbrt(2)))}}
		}
	}
	return nil
}

func (p expanderParams) settings() dynamics.ExpanderSettings {
	s := dynamics.ExpanderSettings{CrossoversHz: p.CrossoversHz, KneeDB: p.KneeDB, LookAheadMS: p.LookAheadMS,
		AttackMS: p.AttackMS, HoldMS: p.HoldMS, ReleaseMS: p.ReleaseMS, HysteresisDB: p.HysteresisDB}
	for _, b := range p.Bands {
		s.Bands = append(s.Bands, dynamics.ExpanderBand{Ratio: b.Ratio, RangeDB: b.RangeDB})
	}
	return s
}

func expander() Stage {
	return definition[expanderParams]{
		name:  "expander",
		about: []described{{dynamics.Sources, "Expander"}},
		rev:   2,
		doc: `Makes pauses quieter, band by band, by a range at most, and leaves words alone. Thresholds
count from the room tone that was measured in each band, so that they hold on every recording day,
and stay 6 dB under the quietest words measured there: where those are nearer, a band does less.
Idle for a session without room tone.
Latency: the look-ahead. See dsp/dynamics.Expander for formula and source.`,
		make: func(p expanderParams, rateHz float64, f Facts) (dsp.Processor, error) {
			if !hasTone(f.Facts) {
				return delayed(p, rateHz)
			}
			thresholds, _, err := p.thresholds(f.Facts, rateHz)
			if err != nil {
				return nil, err
			}
			s := p.settings()
			for i, at := range thresholds {
				s.Bands[i].ThresholdDBFS = max(-120, min(0, at))
			}
			return dynamics.NewExpander(s, rateHz)
		},
		settle: func(p expanderParams, rateHz float64) int { return p.settings().Settle(rateHz) },
		idle: func(p expanderParams, f pipeline.Facts) []string {
			if !hasTone(f) {
				return []string{noTone}
			}
			return p.spared(f)
		},
		practice: func(p expanderParams) []string {
			var lines []string
			for i, b := range p.Bands {
				lines = append(lines, usual(fmt.Sprintf("bands[%d].ratio", i), b.Ratio, 1.3, 2, "steeper is heard as a gate")...)
				lines = append(lines, usual(fmt.Sprintf("bands[%d].range_db", i), b.RangeDB, 6, 10, "more is heard as a hole between words")...)
			}
			lines = append(lines, usual("hold_ms", p.HoldMS, 80, 150, "shorter chatters, longer lets the room be heard after words")...)
			return append(lines, usual("release_ms", p.ReleaseMS, 120, 300, "shorter cuts word ends, longer lets the room be heard after words")...)
		},
	}.stage()
}

// underQuietWords is how far under the quietest words of a band its threshold
// stays: they are not to be touched.
const underQuietWords = 6

// thresholds are the bands' thresholds in dBFS, and how much lower each is than
// was asked for, because the quietest words are so near to the room tone.
func (p expanderParams) thresholds(f pipeline.Facts, rateHz float64) (dbfs, lowerDB []float64, err error) {
	tone, err := bandLevels(f.RoomTone, p.CrossoversHz, rateHz)
	if err != nil {
		return nil, nil, err
	}
	words := make([]float64, len(tone))
	if len(f.QuietWords) > 0 {
		if words, err = bandLevels(f.QuietWords, p.CrossoversHz, rateHz); err != nil {
			return nil, nil, err
		}
	}
	for i, b := range p.Bands {
		asked := tone[i] + b.OverRoomToneDB
		at := min(asked, words[i]-underQuietWords)
		dbfs, lowerDB = append(dbfs, at), append(lowerDB, asked-at)
	}
	return dbfs, lowerDB, nil
}

// spared says which bands of an expander do less than was asked for.
func (p expanderParams) spared(f pipeline.Facts) (lines []string) {
	_, lowerDB, err := p.thresholds(f, lowestRateHz)
	if err != nil {
		return nil // New says so
	}
	for i, b := range p.Bands {
		if lowerDB[i] < 0.5 {
			continue
		}
		lines = append(lines, fmt.Sprintf("bands[%d] does less: its threshold stands %.1f dB over the room tone instead of %g, 6 dB under the quietest words there", i, b.OverRoomToneDB-lowerDB[i], b.OverRoomToneDB))
	}
	return lines
}

// delayed is an expander that takes nothing: the bits of its input, late by
// the look-ahead.
func delayed(p expanderParams, rateHz float64) (dsp.Processor, error) {
	return dynamics.NewExpander(dynamics.ExpanderSettings{Bands: []dynamics.ExpanderBand{{Ratio: 1}},
		LookAheadMS: p.LookAheadMS, ReleaseMS: 1}, rateHz)
}

// bandLevels is the level of a spectrum in each band of a crossover, plain RMS
// dBFS; see toneThrough.
func bandLevels(tone pipeline.Spectrum, crossoversHz []float64, rateHz float64) ([]float64, error) {
	if want := len(spectrum.SixthOctaves()); len(tone) != want {
		return nil, pipeline.Errorf(pipeline.Bug, "expander", "a spectrum has %d bands, want %d sixth octaves", len(tone), want)
	}
	gainDB := func(int, float64) float64 { return 0 }
	if len(crossoversHz) > 0 {
		c, err := filter.NewCrossover(crossoversHz, rateHz)
		if err != nil {
			return nil, err
		}
		gainDB = c.BandGainDB
	}
	levels := make([]float64, len(crossoversHz)+1)
	for band := range levels {
		levels[band] = toneThrough(tone, rateHz, func(hz float64) float64 { return gainDB(band, hz) })
	}
	return levels, nil
}
