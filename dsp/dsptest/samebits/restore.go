package main

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/restore"
	"chapterhouse/dsp/spectrum"
)

func restoration() []subject {
	var list []subject
	for _, rate := range []float64{44100, 96000} {
		list = append(list,
			stage("restore.Clicks", rate, func() (dsp.Processor, error) {
				return newClicked(rate)
			}),
			stage("restore.Hum", rate, func() (dsp.Processor, error) {
				tone := make([]dsp.DBFS, len(spectrum.SixthOctaves()))
				for i := range tone {
					tone[i] = -40
				}
				points := []meter.MainsPoint{{At: 9_000, Hz: 49.9}, {At: 50_000, Hz: 50.1}, {At: 90_000, Hz: 50}}
				return restore.NewHum(restore.HumSettings{UpToHz: 1000, Points: points, RoomTone: tone}, rate)
			}),
			stage("restore.Plosives", rate, func() (dsp.Processor, error) {
				return restore.NewPlosives(restore.PlosivesSettings{ThresholdDBFS: -70, MaxCutDB: 15, ReleaseMS: 30}, rate)
			}),
			stage("restore.Noise", rate, func() (dsp.Processor, error) {
				tone := make([]dsp.DBFS, len(spectrum.SixthOctaves()))
				for i := range tone {
					tone[i] = dsp.DBFS(-80 - i/4)
				}
				return restore.NewNoise(restore.NoiseSettings{RoomTone: tone, ReductionDB: 10}, rate)
			}),
			stage("restore.Breaths", rate, func() (dsp.Processor, error) {
				return restore.NewBreaths(restore.BreathsSettings{CutDB: 8, RampMS: 20, RoomToneDBFSA: -60,
					Breaths: []meter.Window{{From: 9000, To: 20000}, {From: 50000, To: 90000}}}, rate)
			}))
	}
	return list
}

// clicked puts clicks into its input before they are mended: into what has none
// nothing is written.
type clicked struct {
	*restore.Clicks
	at int
}

func newClicked(rateHz float64) (dsp.Processor, error) {
	c, err := restore.NewClicks(restore.ClicksSettings{OverLocalDB: 12, LongestMS: 4, MouthClicks: true, Ticks: true}, rateHz)
	return &clicked{Clicks: c}, err
}

func (c *clicked) Process(block []float64) {
	if c.at%3 == 0 {
		for i, v := range dsptest.Noise(uint64(c.at), 40) {
			block[300+i] += float64(0.1 * v)
		}
		block[900] += 0.7
	}
	c.at++
	c.Clicks.Process(block)
}
