package chain

import (
	"math"
	"slices"

	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// hasTone tells whether a session has room tone to count from: digital silence
// is none.
func hasTone(f pipeline.Facts) bool { return slices.ContainsFunc(f.RoomTone, known) }

// toneThrough is the level of a spectrum of sixth octaves, such as the room
// tone's, behind a response in dB by Hz, plain RMS dBFS: the powers of the
// bands, each as the response lets its middle through, summed from low to high.
// Bands that were not measured count as silence; -Inf for another spectrum.
func toneThrough(tone pipeline.Spectrum, rateHz float64, gainDB func(hz float64) float64) float64 {
	sixths := spectrum.SixthOctaves()
	if len(tone) != len(sixths) {
		return math.Inf(-1)
	}
	var power float64
	for i, b := range sixths {
		if known(tone[i]) && b.Mid < rateHz/2 {
			power += kernel.FromPowerDB(float64(tone[i]) + gainDB(b.Mid))
		}
	}
	return kernel.PowerDB(power)
}

// responseOf is what sections do, in dB by Hz.
func responseOf(sections []kernel.Biquad, rateHz float64) func(hz float64) float64 {
	return func(hz float64) float64 {
		db, _ := kernel.Response(sections, hz, rateHz)
		return db
	}
}
