package main

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/dynamics"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/level"
	"chapterhouse/dsp/meter"
)

func compressor(rate float64, s dynamics.CompressorSettings) func() (dsp.Processor, error) {
	return func() (dsp.Processor, error) { return dynamics.NewCompressor(s, rate) }
}

func expander(rate float64) func() (dsp.Processor, error) {
	return func() (dsp.Processor, error) {
		band := dynamics.ExpanderBand{ThresholdDBFS: -55, Ratio: 1.5, RangeDB: 8}
		return dynamics.NewExpander(dynamics.ExpanderSettings{
			CrossoversHz: []float64{160, 1800, 6000},
			Bands:        []dynamics.ExpanderBand{band, band, band, band},
			KneeDB:       4, LookAheadMS: 8, AttackMS: 3, HoldMS: 120, ReleaseMS: 200, HysteresisDB: 2,
		}, rate)
	}
}

func dynamicEQ(rate float64) func() (dsp.Processor, error) {
	return func() (dsp.Processor, error) {
		move := func(gainDB float64, under bool, listen []kernel.Biquad, err error) *dynamics.Movement {
			return &dynamics.Movement{Listen: must(listen, err), GainDB: gainDB, ThresholdDBFS: -40, Under: under,
				FloorDBFS: -65, AttackMS: 5, ReleaseMS: 120}
		}
		ring, ringing := filter.Bandpass(3200, 2, rate)
		low, lowing := filter.Lowpass(200, 12, rate)
		return dynamics.NewDynamicEQ([]dynamics.EQBand{
			{Sections: must(filter.Bell(3200, -5, 2, rate)), Movement: move(-5, false, ring, ringing)},
			{Sections: must(filter.HighShelf(10000, 1, 1, rate))},
			{Sections: must(filter.LowShelf(200, 4, 1, rate)), Movement: move(4, true, low, lowing)},
		}, rate)
	}
}

func deEsser(rate float64) func() (dsp.Processor, error) {
	return func() (dsp.Processor, error) {
		return dynamics.NewDeEsser(dynamics.DeEsserSettings{
			FromHz: 5800, ToHz: 9800, ThresholdOverSpeechDB: -10, MaxCutDB: 5, AttackMS: 1, ReleaseMS: 60,
		}, rate)
	}
}

// ride has phrases where a subject speaks, one soft and one loud.
func ride(rate float64) func() (dsp.Processor, error) {
	at := func(seconds float64) dsp.Frames { return dsp.Frames(seconds * rate) }
	return func() (dsp.Processor, error) {
		return dynamics.NewRide(dynamics.RideSettings{ReferenceDBFS: -23, SharePercent: 50, MaxDB: 5, RampMS: 150, Phrases: []meter.Phrase{
			{From: at(0.2), To: at(1.3), Level: -31}, {From: at(1.8), To: at(3), Level: -17}}}, rate)
	}
}

func limiter(rate float64) func() (dsp.Processor, error) {
	return func() (dsp.Processor, error) {
		return level.NewLimiter(level.LimiterSettings{CeilingDBTP: -12, ReleaseMS: 80}, rate)
	}
}

func dynamicsStages() []subject {
	var list []subject
	for _, rate := range []float64{44100, 96000} {
		list = append(list,
			stage("dynamics.Compressor, peak", rate, compressor(rate, dynamics.CompressorSettings{
				ThresholdDBFS: -20, Ratio: 4, KneeDB: 6, AttackMS: 2, ReleaseMS: 40, Detector: dynamics.DetectorPeak})),
			stage("dynamics.Compressor, RMS", rate, compressor(rate, dynamics.CompressorSettings{
				ThresholdDBFS: -26, Ratio: 2, KneeDB: 8, AttackMS: 10, ReleaseMS: 150, Detector: dynamics.DetectorRMS})),
			stage("dynamics.Compressor, program, part, parallel", rate, compressor(rate, dynamics.CompressorSettings{
				ThresholdDBFS: -30, Ratio: 3, KneeDB: 6, AttackMS: 3, ReleaseMS: 100, Detector: dynamics.DetectorPeak,
				LookAheadMS: 4, RangeDB: 9, Timing: dynamics.TimingProgram, AboveHz: 300, BelowHz: 3000, ParallelPercent: 30})),
			stage("dynamics.DynamicEQ", rate, dynamicEQ(rate)),
			stage("dynamics.Expander", rate, expander(rate)),
			stage("dynamics.DeEsser", rate, deEsser(rate)),
			stage("level.Limiter", rate, limiter(rate)),
			stage("dynamics.Ride", rate, ride(rate)),
			stage("level.Gain", rate, func() (dsp.Processor, error) { return level.NewGain(-3.1), nil }))
	}
	return list
}

// chains is a whole narrator's chain, from an odd frame far into a source.
func chains() []subject {
	const rate = 44100
	return []subject{chain("a chain", 123_456_789, rate,
		filtered(filter.Highpass(65, 18, rate)),
		expander(rate),
		filtered(filter.Bell(178, -3.5, 3, rate)),
		compressor(rate, dynamics.CompressorSettings{
			ThresholdDBFS: -24, Ratio: 2, KneeDB: 8, AttackMS: 10, ReleaseMS: 150, Detector: dynamics.DetectorRMS}),
		filtered(filter.HighShelf(10000, 1, 1, rate)),
		deEsser(rate),
		func() (dsp.Processor, error) { return level.NewGain(3.1), nil },
		limiter(rate),
	)}
}
