package pipeline

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

// Records are what steps leave in their commits. Levels are rounded to a
// hundredth where they are measured.

// IntakeRecord tells what a source is.
type IntakeRecord struct {
	Format   Format     `json:"format"`
	RateHz   int        `json:"rate_hz"`
	Channels int        `json:"channels"`
	Bits     int        `json:"bits"`
	Float    bool       `json:"float,omitempty"`
	Frames   dsp.Frames `json:"frames"`
	Notes    []string   `json:"notes,omitempty"`  // oddities that were read over, one sentence each
	Unsure   bool       `json:"unsure,omitempty"` // by its notes the end may be missing: an ear should confirm it
	Bext     *Bext      `json:"bext,omitempty"`   // what the recorder wrote down; nil: nothing
	Cues     []Cue      `json:"cues,omitempty"`   // points in the recording, in order, no two at one place
	Sheet    bool       `json:"sheet,omitempty"`  // it holds points that are not read: a FLAC's cue sheet
}

// Cue is a point in a recording that somebody marked, with what it is called.
type Cue struct {
	At    dsp.Frames `json:"at"`
	Label string     `json:"label,omitempty"`
}

// SurveyRecord tells where a long recording can be cut.
type SurveyRecord struct {
	Pauses []Span `json:"pauses"` // of 0.3 s and more in which nobody speaks, source frames, in order
}

// Bext is what the recorder of a Broadcast Wave wrote into it (EBU Tech 3285).
// Each text is one line.
type Bext struct {
	Description         string `json:"description,omitempty"`
	Originator          string `json:"originator,omitempty"`
	OriginatorReference string `json:"originator_reference,omitempty"`
	Date                string `json:"date,omitempty"`           // yyyy-mm-dd, as it was written
	Time                string `json:"time,omitempty"`           // hh:mm:ss, as it was written
	TimeReference       int64  `json:"time_reference,omitempty"` // samples from midnight to the first one
	Version             int    `json:"version"`
}

// ProfileRecord is a part's facts that the sound needs.
type ProfileRecord struct {
	Cut      Cut          `json:"cut"`
	Levels   meter.Levels `json:"levels"` // of the whole span, folded to one channel
	SpeechS  float64      `json:"speech_s"`
	Floor    meter.Floor  `json:"floor"`
	RoomTone Spectrum     `json:"room_tone"` // before any gain; empty: none found
	// QuietWords are the quietest words in each band, before any gain; empty: too
	// little was spoken.
	QuietWords Spectrum `json:"quiet_words,omitempty"`
	FoldNote   string   `json:"fold_note,omitempty"`
	Channels   int      `json:"channels,omitempty"` // of an asset
	Unsure     bool     `json:"unsure,omitempty"`   // the fold is a choice between two microphones: an ear should confirm it
}

// FitRecord is a session's one gain and its facts.
type FitRecord struct {
	GainDB  dsp.DB   `json:"gain_db"`
	Facts   Facts    `json:"facts"`
	SpeechS float64  `json:"speech_s"`
	Notes   []string `json:"notes,omitempty"`
}

// WeighRecord is what a part measures after fit and chain, from its first to
// its last sound, before any level gain.
type WeighRecord struct {
	Levels meter.Levels `json:"levels"`
}

// LevelRecord is one gain per narrator for a spec's level.
type LevelRecord struct {
	GainDB map[string]dsp.DB `json:"gain_db"` // by narrator
	Notes  []string          `json:"notes,omitempty"`
}

// FileRecord is a delivered file as it measures when it is decoded again.
type FileRecord struct {
	Levels  meter.Levels `json:"levels"`
	Floor   meter.Floor  `json:"floor"`
	HeadS   float64      `json:"head_s"`
	TailS   float64      `json:"tail_s"`
	LengthS float64      `json:"length_s"`
	Limiter StageUse     `json:"limiter"`
	Deep    []Place      `json:"deep,omitempty"`   // where the limiter worked by more than 3 dB
	Stages  []StageUse   `json:"stages,omitempty"` // those that move gain
	Encodes int          `json:"encodes"`
	// CorrectDB is the gain beside the recipe's that kept the file inside its
	// window after the limiter had taken from it.
	CorrectDB dsp.DB   `json:"correct_db,omitempty"`
	Notes     []string `json:"notes,omitempty"`

	Opens    EdgeSound `json:"opens,omitzero"`    // its first 15 s
	Ends     EdgeSound `json:"ends,omitzero"`     // its last 5 s
	Loudest  Spot      `json:"loudest,omitzero"`  // highest short-term loudness, LUFS
	Quietest Spot      `json:"quietest,omitzero"` // lowest short-term loudness while speaking, LUFS
	Sharpest Spot      `json:"sharpest,omitzero"` // most of 5 to 10 kHz in what is spoken, dB
}

// EdgeSound is how a file sounds at one of its ends, while speaking: what a
// listener hears beside the file before or after it.
type EdgeSound struct {
	RMS      dsp.DBFS `json:"rms_dbfs"`
	SpeechS  float64  `json:"speech_s"` // that it was measured over
	Spectrum Spectrum `json:"spectrum,omitempty"`
}

// Spot is a place of 3 s in a file with what it is the most of.
type Spot struct {
	AtS float64 `json:"at_s"` // seconds into the file
	DB  dsp.DB  `json:"db"`
}

// StageUse is how much a stage that moves gain did over a file's body, on a
// 10 ms grid.
type StageUse struct {
	Stage    string  `json:"stage"`
	Share    float64 `json:"share"`     // of the time with more than 0.1 dB of change
	MedianDB dsp.DB  `json:"median_db"` // of the time it turned down, negative
	P95DB    dsp.DB  `json:"p95_db"`    // exceeded in 5 % of that time
	MaxDB    dsp.DB  `json:"max_db"`
	UpDB     dsp.DB  `json:"up_db,omitempty"` // the most that it turned up
}

// Place is a stretch of a source and how far something went there.
type Place struct {
	Source Digest  `json:"source"`
	StartS float64 `json:"start_s"`
	EndS   float64 `json:"end_s"`
	DB     dsp.DB  `json:"db"`
}

// CheckRecord is what a listening pass found.
type CheckRecord struct {
	Findings []Finding  `json:"findings,omitempty"`
	Pauses   [][]Span   `json:"pauses,omitempty"`   // by part: of 0.5 s and more in which nobody speaks, source frames, in order
	Likeness []Likeness `json:"likeness,omitempty"` // by part
}
