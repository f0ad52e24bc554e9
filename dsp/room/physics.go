package room

import (
	"math"

	"chapterhouse/dsp/kernel"
)

// SpeedOfSound is that of dry air at a temperature in degrees Celsius, in metres
// a second: 343.2·√(T/293.15), T in kelvin (ISO 9613-1:1993, annex A).
func SpeedOfSound(tempC float64) float64 {
	return 343.2 * math.Sqrt((tempC+273.15)/293.15)
}

// QuarterWave is the frequency from which up a porous layer on a rigid wall
// absorbs strongly: c/(4·d), where the air moves most at its face. depthM is its
// thickness with the air gap behind it, in metres, over 0.
func QuarterWave(depthM, c float64) float64 { return c / (4 * depthM) }

// TenthWave is the frequency at which such a layer begins to be of use, c/(10·d):
// a rule of thumb (*common practice*).
func TenthWave(depthM, c float64) float64 { return c / (10 * depthM) }

// Sabine is how long a room takes to fall by 60 dB, in seconds, for its volume in
// cubic metres and its absorption area in square metres: 24·ln 10/c · V/A
// (W. C. Sabine 1900; ISO 354:2003, equation 5, without absorption by the air).
// It is +Inf where nothing absorbs.
func Sabine(volumeM3, areaM2, c float64) float64 {
	return 24 * math.Ln10 / c * volumeM3 / areaM2
}

// Eyring is Sabine for walls that absorb much: 24·ln 10/c · V/(−S·ln(1−α)), S all
// surfaces in square metres, α their mean absorption from 0 to 1 (C. F. Eyring,
// JASA 1(2), 1930). Laboratories give values over 1, which are edges of their
// samples: a mean is cut to 1 first, where the time is 0.
func Eyring(volumeM3, surfaceM2, absorption, c float64) float64 {
	a := min(max(absorption, 0), 1)
	return 24 * math.Ln10 / c * volumeM3 / -float64(surfaceM2*kernel.Log(1-a))
}

// Schroeder is the frequency from which up resonances overlap so much that a room
// is heard by its reverberation, not by single peaks: 2000·√(T/V), T in seconds
// to −60 dB, V in cubic metres (M. R. Schroeder, Acustica 4, 1954; the factor is
// that of his JASA 34, 1962).
func Schroeder(seconds, volumeM3 float64) float64 {
	return 2000 * math.Sqrt(seconds/volumeM3)
}
