package dsp

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
)

// Levels carry their unit in their type. Silence is −Inf, written "-inf" in
// JSON and YAML; a level that could not be measured is NaN, written null.
type (
	DB   float64 // a ratio or a gain
	DBFS float64 // plain RMS or sample peak against full scale ±1
	DBTP float64 // true peak, ITU-R BS.1770-5 Annex 2
	LUFS float64 // loudness, ITU-R BS.1770-5
)

// Frames counts samples of one channel.
type Frames int64

// Seconds is the time n frames take at a rate.
func (n Frames) Seconds(rateHz int) float64 { return float64(n) / float64(rateHz) }

// FramesIn is the nearest number of frames in a time.
func FramesIn(seconds float64, rateHz int) Frames {
	return Frames(math.Round(seconds * float64(rateHz)))
}

// Silence is the level of no signal.
var Silence = math.Inf(-1)

// Unmeasured is the level of something that could not be measured.
var Unmeasured = math.NaN()

func (v DB) MarshalJSON() ([]byte, error)   { return marshalLevel(float64(v)) }
func (v DBFS) MarshalJSON() ([]byte, error) { return marshalLevel(float64(v)) }
func (v DBTP) MarshalJSON() ([]byte, error) { return marshalLevel(float64(v)) }
func (v LUFS) MarshalJSON() ([]byte, error) { return marshalLevel(float64(v)) }

func (v *DB) UnmarshalJSON(b []byte) error   { return unmarshalLevel(b, (*float64)(v)) }
func (v *DBFS) UnmarshalJSON(b []byte) error { return unmarshalLevel(b, (*float64)(v)) }
func (v *DBTP) UnmarshalJSON(b []byte) error { return unmarshalLevel(b, (*float64)(v)) }
func (v *LUFS) UnmarshalJSON(b []byte) error { return unmarshalLevel(b, (*float64)(v)) }

func (v DB) String() string   { return levelString(float64(v), "dB") }
func (v DBFS) String() string { return levelString(float64(v), "dBFS") }
func (v DBTP) String() string { return levelString(float64(v), "dBTP") }
func (v LUFS) String() string { return levelString(float64(v), "LUFS") }

// Round2 rounds to a hundredth: measured values are rounded before they stand
// in a record, so that their digest does not hang on the last bit.
func Round2(v float64) float64 {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return v
	}
	return math.Round(v*100) / 100
}

func levelString(v float64, unit string) string {
	switch {
	case math.IsNaN(v):
		return "not measurable"
	case math.IsInf(v, -1):
		return "-inf " + unit
	}
	return strconv.FormatFloat(v, 'f', 2, 64) + " " + unit
}

func marshalLevel(v float64) ([]byte, error) {
	switch {
	case math.IsNaN(v):
		return []byte("null"), nil
	case math.IsInf(v, -1):
		return []byte(`"-inf"`), nil
	case math.IsInf(v, 1):
		return nil, fmt.Errorf("a level of +Inf can't be written")
	}
	return json.Marshal(v)
}

func unmarshalLevel(b []byte, v *float64) error {
	switch string(b) {
	case "null":
		*v = Unmeasured
		return nil
	case `"-inf"`:
		*v = Silence
		return nil
	}
	return json.Unmarshal(b, v)
}
