package main

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/harmonics"
)

func overtones() []subject {
	add := func(rate float64, s harmonics.Settings) func() (dsp.Processor, error) {
		return func() (dsp.Processor, error) { return harmonics.New(s, rate) }
	}
	var list []subject
	for _, rate := range []float64{44100, 96000} {
		list = append(list,
			stage("harmonics.Harmonics", rate, add(rate, harmonics.Settings{ReferenceDBFS: -23, SecondDB: -40, ThirdDB: -46})),
			stage("harmonics.Harmonics, third", rate, add(rate, harmonics.Settings{ReferenceDBFS: -40, SecondDB: math.Inf(-1), ThirdDB: -20})))
	}
	return list
}
