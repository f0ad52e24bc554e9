package chain

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dynamics"
	"chapterhouse/dsp/filter"
)

// Keys that came later are left out of the canonical text where they are not
// given, so that a chain without them keeps its digest.
type compressorParams struct {
	ThresholdOverSpeechDB float64           `json:"threshold_over_speech_db" range:"-50..30" doc:"counts from the session's speech level; common practice for narration 1 to 3 with detector rms, 5 to 7 with peak; a part of the spectrum is softer than the whole, by 10 to 25 above 3 kHz"`
	Ratio                 float64           `json:"ratio" range:"1..20"`
	KneeDB                float64           `json:"knee_db" default:"6" range:"0..24" doc:"width of the knee; 0 is hard"`
	AttackMS              float64           `json:"attack_ms" range:"0..500" doc:"time constant of a fall of the gain in dB"`
	ReleaseMS             float64           `json:"release_ms" range:"1..800" doc:"time constant of a rise; to 250 with timing program"`
	Detector              dynamics.Detector `json:"detector" default:"rms" oneof:"peak,rms" doc:"rms follows what a voice carries, peak its crests"`
	LookAheadMS           float64           `json:"look_ahead_ms,omitempty" default:"" range:"0..50" doc:"how much earlier than the level the gain moves; left out: 0"`
	RangeDB               float64           `json:"range_db,omitempty" default:"" range:"1..40" doc:"the most it takes; left out: no limit"`
	Timing                dynamics.Timing   `json:"timing,omitempty" default:"" oneof:"fixed,program" doc:"program lets go in release_ms after a word, within 3.5 s after seconds of compression; left out: fixed"`
	AboveHz               float64           `json:"above_hz,omitempty" default:"" range:"100..12000" doc:"only what is above is heard and compressed, the rest stays; with below_hz, a band; left out: no edge"`
	BelowHz               float64           `json:"below_hz,omitempty" default:"" range:"100..16000" doc:"only what is below"`
	ParallelPercent       float64           `json:"parallel_percent,omitempty" default:"" range:"0..90" doc:"share of the untouched signal that is mixed in; left out: 0"`
}

// Check wants a band between the edges, and a release that a program can begin
// with.
func (p compressorParams) Check() []Fault {
	var faults []Fault
	if p.AboveHz > 0 && p.BelowHz > 0 && p.BelowHz < 2*p.AboveHz {
		faults = append(faults, Fault{Path: "below_hz", Text: fmt.Sprintf("below_hz is %g; give %g or more, an octave over above_hz", p.BelowHz, 2*p.AboveHz)})
	}
	if p.Timing == dynamics.TimingProgram && p.AttackMS > 250 {
		faults = append(faults, Fault{Path: "attack_ms", Text: fmt.Sprintf("attack_ms is %g; with timing program give 250 or less", p.AttackMS)})
	}
	if p.Timing == dynamics.TimingProgram && p.ReleaseMS > 250 {
		faults = append(faults, Fault{Path: "release_ms", Text: fmt.Sprintf("release_ms is %g; with timing program give 250 or less, the release after a word", p.ReleaseMS)})
	}
	return faults
}

func (p compressorParams) settings(thresholdDBFS float64) dynamics.CompressorSettings {
	return dynamics.CompressorSettings{ThresholdDBFS: thresholdDBFS, Ratio: p.Ratio, KneeDB: p.KneeDB,
		AttackMS: p.AttackMS, ReleaseMS: p.ReleaseMS, Detector: p.Detector,
		LookAheadMS: p.LookAheadMS, RangeDB: p.RangeDB, Timing: p.Timing,
		AboveHz: p.AboveHz, BelowHz: p.BelowHz, ParallelPercent: p.ParallelPercent}
}

// idle is a compressor that takes nothing: the bits of its input, late by the
// look-ahead.
func (p compressorParams) idle(rateHz float64) (dsp.Processor, error) {
	if p.LookAheadMS == 0 {
		return filter.New(nil), nil
	}
	return dynamics.NewCompressor(dynamics.CompressorSettings{Ratio: 1, Detector: p.Detector, LookAheadMS: p.LookAheadMS}, rateHz)
}

func compressor() Stage {
	return definition[compressorParams]{
		name:  "compressor",
		about: []described{{dynamics.Sources, "Compressor"}},
		rev:   1,
		doc: `Brings loud and soft speech closer together by turning down what is over a threshold.
Above, below or between frequencies it compresses that part alone; some of the untouched signal can
be mixed in. Without make-up gain: level comes at the end. Idle for a session without speech. Common
practice for narration: 2 to 4 dB on typical lines, at most 6 on the loudest.
Latency: the look-ahead. See dsp/dynamics.Compressor for formula and source.`,
		make: func(p compressorParams, rateHz float64, f Facts) (dsp.Processor, error) {
			if !known(f.SpeechDBFS) {
				return p.idle(rateHz)
			}
			return dynamics.NewCompressor(p.settings(overSpeech(f, p.ThresholdOverSpeechDB)), rateHz)
		},
		settle: func(p compressorParams, rateHz float64) int {
			return p.settings(-80).Settle(rateHz) // the lowest threshold has the longest way back
		},
		idle: idleWithoutSpeech[compressorParams],
		practice: func(p compressorParams) []string {
			if p.AboveHz > 0 || p.BelowHz > 0 {
				return nil // there is none for parts
			}
			low, high := 1.0, 3.0
			if p.Detector == dynamics.DetectorPeak {
				low, high = 5, 7
			}
			return usual("threshold_over_speech_db", p.ThresholdOverSpeechDB, low, high,
				fmt.Sprintf("lower turns down every word, higher hardly any, with detector %s", p.Detector))
		},
	}.stage()
}

// known tells whether a level was measured and is not silence.
func known(v dsp.DBFS) bool {
	return !math.IsNaN(float64(v)) && !math.IsInf(float64(v), 0)
}
