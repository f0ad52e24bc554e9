package pipeline

import (
	"encoding/json"
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

// Step is one step of the flow that makes a result. It is also the word for
// what a worker is doing, in progress, costs and logs.
type Step string

const (
	StepIntake  Step = "intake"  // one source: what is it
	StepSurvey  Step = "survey"  // one span that is too long for a file: its pauses
	StepProfile Step = "profile" // one part: decode, measure
	StepFit     Step = "fit"     // one session: one gain and the facts stages need
	StepWeigh   Step = "weigh"   // one part: fit, chain, measure; no audio kept
	StepLevel   Step = "level"   // one title and spec: one gain per narrator
	StepFile    Step = "file"    // one chapter and file format: the audio
	StepCheck   Step = "check"   // one chapter: findings
)

// stepRev is raised on purpose when a step gives other bytes for the same
// recipe. A golden digest guards each.
var stepRev = map[Step]int{
	StepIntake: 4, StepSurvey: 1, StepProfile: 7, StepFit: 2, StepWeigh: 1, StepLevel: 1, StepFile: 4, StepCheck: 5,
}

// A Recipe is all that determines one result; exactly one of its steps is set.
type Recipe struct {
	Step    Step           `json:"step"`
	Rev     int            `json:"rev"`
	Arch    string         `json:"arch"` // GOARCH: Go may fuse on others
	Intake  *IntakeRecipe  `json:"intake,omitempty"`
	Survey  *SurveyRecipe  `json:"survey,omitempty"`
	Profile *ProfileRecipe `json:"profile,omitempty"`
	Fit     *FitRecipe     `json:"fit,omitempty"`
	Weigh   *WeighRecipe   `json:"weigh,omitempty"`
	Level   *LevelRecipe   `json:"level,omitempty"`
	File    *FileRecipe    `json:"file,omitempty"`
	Check   *CheckRecipe   `json:"check,omitempty"`
}

// Text is the canonical JSON of r, as it lies at recipes/<key>.json.
func (r Recipe) Text() []byte {
	text, err := Canonical(r)
	if err != nil {
		panic(fmt.Sprintf("recipe of step %s: %v", r.Step, err)) // numbers were checked when they were read
	}
	return text
}

// Key names the result of r.
func (r Recipe) Key() Digest { return DigestOf(r.Text()) }

// IntakeRecipe opens one source and tells what it is.
type IntakeRecipe struct {
	Source Digest `json:"source"`
}

// SurveyRecipe finds the pauses in one span of a source.
type SurveyRecipe struct {
	Source Digest `json:"source"`
	Span   Span   `json:"span"`
}

// ProfileRecipe measures one span of a source at a work rate.
type ProfileRecipe struct {
	Source Digest `json:"source"`
	Span   Span   `json:"span"`
	RateHz int    `json:"rate_hz"`
	Asset  bool   `json:"asset,omitempty"` // no narration: only levels, of every channel as it is
}

// FitRecipe brings one session to its chain's reference.
type FitRecipe struct {
	Profiles   []Digest  `json:"profiles"`  // keys, in the title's order
	Reference  *dsp.DBFS `json:"reference"` // nil: no chain, no gain
	MinSpeechS float64   `json:"min_speech_s"`
}

// WeighRecipe runs a part through fit and chain and measures what comes out.
type WeighRecipe struct {
	Cut   Cut        `json:"cut"`
	FitDB dsp.DB     `json:"fit_db"`
	Facts Facts      `json:"facts"`
	Chain []Resolved `json:"chain"`
}

// LevelRecipe finds one gain per narrator for a spec's level.
type LevelRecipe struct {
	Chapters []LevelChapter `json:"chapters"`
	Level    Level          `json:"level"`
	Edges    Edges          `json:"edges"`
	PoolMinS float64        `json:"pool_min_s"`
}

// LevelChapter names a chapter's weighs (keys) and whose they are.
type LevelChapter struct {
	Weighs    []Digest `json:"weighs"`
	Narrators []string `json:"narrators"`
}

// FileRecipe makes one deliverable file.
type FileRecipe struct {
	Parts   []FilePart `json:"parts"`
	TrimDB  dsp.DB     `json:"trim_db"`
	HeadS   float64    `json:"head_s"`
	TailS   float64    `json:"tail_s"`
	Peak    Peak       `json:"peak"`
	Level   Level      `json:"level,omitzero"` // its window is kept to; zero: any level is right
	Role    Role       `json:"role"`
	Format  FileFormat `json:"format"`
	Encoder string     `json:"encoder"` // program and version for mp3, module and version for flac, "" for wav
}

// FilePart is one part of a file with all that was decided for it.
type FilePart struct {
	Cut    Cut        `json:"cut"`
	Join   Join       `json:"join"`
	FitDB  dsp.DB     `json:"fit_db"`
	Facts  Facts      `json:"facts"`
	Chain  []Resolved `json:"chain"`
	GainDB dsp.DB     `json:"gain_db"`
}

// Cut is how a part is taken out of its source, from the part's profile.
// Spans within it are in frames of the work rate, counted from the part's start.
type Cut struct {
	Source Digest `json:"source"`
	Span   Span   `json:"span"` // source frames
	// SourceRateHz is the rate that Span counts in, RateHz the work rate.
	SourceRateHz int    `json:"source_rate_hz"`
	RateHz       int    `json:"rate_hz"`
	Fold         Fold   `json:"fold"`
	Speech       Span   `json:"speech"` // first to last sound that is not room tone
	Tone         []Span `json:"tone"`   // room tone, the best windows, in time order
	// Marks are the blob of the part's Marks; empty in recipes of chains that
	// don't ask for them.
	Marks Digest `json:"marks,omitempty"`
}

// MarksRole is the role of a profile's marks among its outputs.
const MarksRole = "marks"

// Asked is a cut as the recipe of a chain holds it: with the part's marks only
// where a stage asks for them.
func (c Cut) Asked(marks bool) Cut {
	if !marks {
		c.Marks = ""
	}
	return c
}

// Inputs are the blobs that a cut is made of.
func (c Cut) Inputs() []Digest {
	if c.Marks == "" {
		return []Digest{c.Source}
	}
	return []Digest{c.Source, c.Marks}
}

// Fold is how a two-channel source becomes one channel.
type Fold string

const (
	FoldMono  Fold = "mono" // one channel, or two identical
	FoldLeft  Fold = "left" // the other side is dead, or this is the better microphone
	FoldRight Fold = "right"
	FoldFlip  Fold = "flip" // polarity reversed: (left - right) / 2
	FoldNone  Fold = "none" // an asset: every channel stays one
)

// CheckRecipe listens to a chapter's sources.
type CheckRecipe struct {
	Parts []CheckPart `json:"parts"`
}

// CheckPart is a part whose source is listened to, and what its profile says of
// it, before any gain.
type CheckPart struct {
	Cut      Cut         `json:"cut"`
	Speech   dsp.DBFS    `json:"speech"` // ITU-T P.56
	Floor    meter.Floor `json:"floor"`
	RoomTone Spectrum    `json:"room_tone"`
}

// A Commit is the result of a recipe, at commits/<key>.json: created last, if
// absent, after every blob it names.
type Commit struct {
	Key    Digest          `json:"key"`
	Step   Step            `json:"step"`
	Record json.RawMessage `json:"record,omitempty"` // the step's own record, small
	Files  []Output        `json:"files,omitempty"`  // blobs
	Fault  string          `json:"fault,omitempty"`  // the source can't be used, and why: a result like any other
	Cost   Cost            `json:"cost"`             // what it took; in no key
}

// Output is one blob of a commit.
type Output struct {
	Role  string `json:"role"` // "audio", MarksRole, those of pipeline/series
	Blob  Digest `json:"blob"`
	Bytes int64  `json:"bytes"`
}

// Cost is what one result took.
type Cost struct {
	CPUS   float64 `json:"cpu_s"`   // processor seconds of the child and the programs it ran
	AudioS float64 `json:"audio_s"` // seconds of audio it was spent on
}

// Decode reads a commit's record into v.
func (c Commit) Decode(v any) error {
	if err := json.Unmarshal(c.Record, v); err != nil {
		return Errorf(Bug, "record of "+string(c.Step)+" "+c.Key.Short(), "%w", err)
	}
	return nil
}
