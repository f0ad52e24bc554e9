// Package plant spoils readings on purpose, one fault at a known place, so that
// what listens for faults can be counted. A fault is made from what causes it
// and sized in physical units against the reading that it lies in; nothing here
// knows how anybody finds it. Faults of a moment are laid several to a reading,
// well apart; those of a stretch have a reading, or half of one, of their own.
package plant

import (
	"fmt"

	"chapterhouse/testdata/voices/exact"
)

// A Span is frames [From, To) from a reading's start.
type Span struct{ From, To int }

// A Plant is one fault and where it is: a finding at any of its places names it.
type Plant struct {
	Kind   string
	Level  string
	Places []Span
}

// way is what a kind needs to be laid into.
type way int

const (
	spot   way = iota // a moment of a bed
	window            // a stretch of a bed, of its own
	long              // the whole of a long bed
	script            // read with its text
	among             // a chapter that is not as the others of its title
)

// A Kind is one fault at several levels.
type Kind struct {
	Name  string
	Unit  string    // format of a size
	Sizes []float64 // from gross to just noticeable
	Clear int       // which of them is clearly audible
	// FormulaOnly: other voices are made without what it is a parameter of.
	FormulaOnly bool

	way  way
	lay  func(l *Layer, size float64) ([]Span, bool) // of spots, windows and long beds
	read func(t *text, size float64)                 // of scripts
	turn func(c *change, size float64)               // of chapters among others
}

// Level is how a level is called.
func (k Kind) Level(i int) string { return fmt.Sprintf(k.Unit, k.Sizes[i]) }

// Spot tells whether several of the kind are laid into one reading of a bed.
func (k Kind) Spot() bool { return k.way == spot }

// Long tells whether the kind takes the whole of a bed of more than ten minutes.
func (k Kind) Long() bool { return k.way == long }

// Among tells whether the kind shows beside other chapters only.
func (k Kind) Among() bool { return k.way == among }

// Scripted tells whether the kind is read with its text.
func (k Kind) Scripted() bool { return k.way == script }

// Kinds are all faults.
func Kinds() []Kind {
	return []Kind{
		{Name: "click", Unit: "%g dB over 2-10 kHz", Sizes: []float64{25, 15, 10, 6}, Clear: 1, lay: click},
		{Name: "mouth-noise", Unit: "%g clicks in a minute", Sizes: []float64{60, 30, 20, 12}, Clear: 1, way: window, lay: mouthNoise},
		{Name: "plosive", Unit: "%g dB over P95 below 120 Hz", Sizes: []float64{15, 10, 6, 3}, Clear: 1, lay: plosive},
		{Name: "esses", Unit: "frication %+g dB", Sizes: []float64{12, 9, 6}, Clear: 0, FormulaOnly: true, way: script, read: sharpEsses},
		{Name: "hum", Unit: "%g dB over its third octave", Sizes: []float64{18, 12, 6, 3}, Clear: 2, way: window, lay: hum},
		{Name: "floor-change", Unit: "%g dB within 2 s", Sizes: []float64{12, 6, 4, 3}, Clear: 1, way: window, lay: floorChange},
		{Name: "room-tone-jump", Unit: "%g dB at an edit", Sizes: []float64{12, 6, 4, 3}, Clear: 1, way: window, lay: toneJump},
		{Name: "room-tone-colour", Unit: "%g dB RMS at an edit", Sizes: []float64{12, 6, 4, 3}, Clear: 1, way: window, lay: toneColour},
		{Name: "dropout", Unit: "%g ms", Sizes: []float64{30, 10, 3}, Clear: 1, lay: dropout},
		{Name: "digital-silence", Unit: "%g s", Sizes: []float64{0.5, 0.2, 0.1}, Clear: 1, lay: digitalSilence},
		{Name: "clip", Unit: "%g flat samples", Sizes: []float64{20, 8, 3}, Clear: 2, lay: clip},
		{Name: "drift", Unit: "%g dB in ten minutes", Sizes: []float64{6, 3, 2}, Clear: 1, way: long, lay: drift},
		{Name: "dead-side", Unit: "%g s from the start", Sizes: []float64{0, 20}, Clear: 1, way: window, lay: deadSide},
		{Name: "sides", Unit: "%g dB apart", Sizes: []float64{12, 6, 3}, Clear: 1, way: window, lay: sidesApart},
		{Name: "long-pause", Unit: "%g s over the habit", Sizes: []float64{8, 5, 3.5, 2.5}, Clear: 1, way: script, read: longPause},
		{Name: "repeated-take", Unit: "%g s read again", Sizes: []float64{4, 2.5, 1.5, 1}, Clear: 2, way: script, read: repeatedTake},
		{Name: "pasted-take", Unit: "%g s pasted again", Sizes: []float64{4, 1.5}, Clear: 1, way: script, read: pastedTake},
		{Name: "false-start", Unit: "%g s, then from the start", Sizes: []float64{2, 1.2, 0.7}, Clear: 1, way: script, read: falseStart},
		{Name: "chapter-level", Unit: "%g dB beside the others", Sizes: []float64{12, 6, 4}, Clear: 1, way: among, turn: otherLevel},
		{Name: "moved-microphone", Unit: "%g dB about 150-400 Hz", Sizes: []float64{9, 6, 4}, Clear: 1, way: among, turn: movedMicrophone},
		{Name: "chapter-floor", Unit: "%g dB beside the others", Sizes: []float64{12, 8, 6}, Clear: 1, way: among, turn: otherFloor},
		{Name: "chapter-pace", Unit: "%g %% beside the others", Sizes: []float64{30, 20, 12}, Clear: 1, way: among, turn: otherPace},
		{Name: "reverberation", Unit: "%g s, others at most 0.15", Sizes: []float64{0.35, 0.25, 0.2}, Clear: 0, way: among, turn: bareWalls},
		{Name: "length", Unit: "%g %% off its text", Sizes: []float64{25, 12, 8}, Clear: 1, way: among, turn: otherText},
	}
}

// A Scene is a reading with what was planted in it.
type Scene struct {
	RateHz  int
	Mono    []float64
	Sides   [][]float64 // of two channels, Mono is their mean; nil: one
	Plants  []Plant
	Natural []Plant // what nobody planted and is there: mouth clicks, and where the converter ran out of room
}

// steps of a 24-bit converter.
const full24 = 1 << 23

// convert makes a recording of 24 bits in place and tells where it was cut flat.
func convert(x []float64) []Span {
	var cut []Span
	for i, v := range x {
		if v > 1-1.0/full24 || v < -1 {
			v = max(-1, min(v, 1-1.0/full24))
			if n := len(cut); n > 0 && i-cut[n-1].To < 100 {
				cut[n-1].To = i + 1
			} else {
				cut = append(cut, Span{i, i + 1})
			}
		}
		x[i] = roundTo24(v)
	}
	return cut
}

func roundTo24(v float64) float64 {
	v *= full24
	if v < 0 {
		return -float64(int64(0.5-v)) / full24
	}
	return float64(int64(v+0.5)) / full24
}

// sign is one of -1 and 1.
func sign(r *exact.Random) float64 { return float64(1 - 2*r.Intn(2)) }
