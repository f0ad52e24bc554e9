package meter

import "chapterhouse/dsp"

// A Phrase is what is spoken between two pauses.
type Phrase struct {
	From  dsp.Frames `json:"from"`
	To    dsp.Frames `json:"to"`
	Level dsp.DBFS   `json:"level_dbfs"` // ITU-T P.56 active speech level
}

// A MainsPoint is the frequency of the mains' hum at a place of the signal.
type MainsPoint struct {
	At dsp.Frames `json:"at"`
	Hz float64    `json:"hz"`
}
