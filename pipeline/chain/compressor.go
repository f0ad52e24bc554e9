package chain

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dynamics"
	"chapterhouse/dsp/filter"
)

type compressorParams struct {
	ThresholdOverSpeechDB float64           `json:"threshold_over_speech_db" range:"-30..30" doc:"counts from the session's speech level; common practice for narration 1 to 3 with detector rms, 5 to 7 with peak"`
	Ratio                 float64           `json:"ratio" range:"1..20"`
	KneeDB                float64           `json:"knee_db" default:"6" range:"0..24" doc:"width of the knee; 0 is hard"`
	AttackMS              float64           `json:"attack_ms" range:"0..500" doc:"time constant of a fall of the gain in dB"`
	ReleaseMS             float64           `json:"release_ms" range:"1..800" doc:"time constant of a rise"`
	Detector              dynamics.Detector `json:"detector" default:"rms" oneof:"peak,rms" doc:"rms follows what a voice carries, peak its crests"`
}

func (p compressorParams) settings(thresholdDBFS float64) dynamics.CompressorSettings {
	return dynamics.CompressorSettings{ThresholdDBFS: thresholdDBFS, Ratio: p.Ratio, KneeDB: p.KneeDB,
		AttackMS: p.AttackMS, ReleaseMS: p.ReleaseMS, Detector: p.Detector}
}

func compressor() Stage {
	return definition[compressorParams]{
		name:  "compressor",
		about: []described{{dynamics.Sources, "Compressor"}},
		rev:   1,
		doc: `Brings loud and soft speech closer together by turning down what is over a threshold.
Without make-up gain: level comes at the end. Idle for a session without speech. Common practice
for narration: 2 to 4 dB on typical lines, at most 6 on the loudest.
No latency. See dsp/dynamics.Compressor for formula and source.`,
		make: func(p compressorParams, rateHz float64, f Facts) (dsp.Processor, error) {
			if !known(f.SpeechDBFS) {
				return filter.New(nil), nil
			}
			return dynamics.NewCompressor(p.settings(overSpeech(f, p.ThresholdOverSpeechDB)), rateHz)
		},
		settle: func(p compressorParams, rateHz float64) int {
			return p.settings(-80).Settle(rateHz) // the lowest threshold has the longest way back
		},
		practice: func(p compressorParams) []string {
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
