package pipeline

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

// Measure names how a spec reads level.
type Measure string

const (
	MeasureRMSPlain Measure = "rms-plain" // 20 log10 of the whole file's RMS, full-scale sine = -3.01
	MeasureLoudness Measure = "loudness"  // integrated, ITU-R BS.1770-5; see Counted for files of one channel
)

// Counted is what a loudness means for a file of one channel. BS.1770 adds up
// channels: on two loudspeakers it is as loud as its twin of two channels, which
// reads 3.01 LU more. For files of more channels nothing hangs on it.
type Counted string

const (
	CountedOnce  Counted = "one-channel" // as the file is read
	CountedTwice Counted = "two-channel" // as the twin is read
)

// twinLU is how much more two channels of one signal read: 10·log10(2).
const twinLU = 3.010299956639812

// Format is a file format a spec can ask for.
type Format string

const (
	FLAC Format = "flac"
	WAV  Format = "wav"
	MP3  Format = "mp3"
)

// A Spec is what a receiver asks: sound (made), limits (judged), packaging (names).
type Spec struct {
	Spec      string    `json:"spec"`
	Source    string    `json:"source"` // the published source, or "common practice"
	Sound     Sound     `json:"sound"`
	Limits    Limits    `json:"limits"`
	Packaging Packaging `json:"packaging"`
}

// Sound is the part of a spec that determines samples.
type Sound struct {
	Level Level        `json:"level"`
	Peak  Peak         `json:"peak"`
	Edges Edges        `json:"edges"`
	Files []FileFormat `json:"files"`
}

// Level is the level a file is brought to. Window and aim are in the unit of
// the measure: dBFS for rms-plain, LUFS for loudness.
type Level struct {
	Measure   Measure    `json:"measure"`
	CountedAs Counted    `json:"counted_as,omitempty"` // with loudness
	Window    [2]float64 `json:"window"`
	Aim       float64    `json:"aim"`
}

// Of is what l's measure reads in levels.
func (l Level) Of(levels meter.Levels) float64 {
	if l.Measure != MeasureLoudness {
		return float64(levels.RMS)
	}
	if levels.Channels > 1 {
		return float64(levels.Integrated)
	}
	return dsp.Round2(float64(levels.Integrated) + l.monoLU())
}

// monoLU is what a loudness of one channel counts more than it reads.
func (l Level) monoLU() float64 {
	if l.Measure == MeasureLoudness && l.CountedAs == CountedTwice {
		return twinLU
	}
	return 0
}

// Unit is the unit of l's measure.
func (l Level) Unit() string {
	if l.Measure == MeasureLoudness {
		return "LUFS"
	}
	return "dBFS"
}

// Meaning is what should be said beside a figure of l: how a loudness counts;
// empty for other measures.
func (l Level) Meaning() string {
	switch l.CountedAs {
	case CountedOnce:
		return "counted as one channel"
	case CountedTwice:
		return "counted as two channels"
	}
	return ""
}

// Peak is the ceiling, true peak of the decoded file.
type Peak struct {
	MaxDBTP dsp.DBTP `json:"max_dbtp"`
}

// Edges are head and tail of a file: room tone before the first and after the last sound.
type Edges struct {
	HeadS    [2]float64 `json:"head_s"`
	HeadAimS float64    `json:"head_aim_s"`
	TailS    [2]float64 `json:"tail_s"`
	TailAimS float64    `json:"tail_aim_s"`
}

// FileFormat is one file of a chapter.
type FileFormat struct {
	Format   Format `json:"format"`
	RateHz   int    `json:"rate_hz"`
	Channels int    `json:"channels"`
	Bits     int    `json:"bits,omitempty"` // flac, wav: 16 (dithered) or 24
	Mode     string `json:"mode,omitempty"` // mp3: cbr
	Kbps     int    `json:"kbps,omitempty"` // mp3
}

// Limits are judged; changing one renders nothing. A zero limit is none.
type Limits struct {
	NoiseFloorDBFS    dsp.DBFS `json:"noise_floor_dbfs,omitempty"`
	TitleSpreadLU     float64  `json:"title_spread_lu,omitempty"`
	NeighbourSpreadLU float64  `json:"neighbour_spread_lu,omitempty"`
	MaxMinutes        float64  `json:"max_minutes,omitempty"`
}

// Packaging is how files are named and what they say of themselves.
type Packaging struct {
	Name     string `json:"name"`               // a pattern of {number}, {chapter}, {title} and {narrator}
	ASCII    bool   `json:"ascii,omitempty"`    // names hold no other letters
	Untagged bool   `json:"untagged,omitempty"` // files carry no tags
}
