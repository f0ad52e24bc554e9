package pipeline

import (
	"encoding/json"
	"maps"
	"runtime"
	"strings"
	"time"

	"chapterhouse/dsp"
)

// An Engine is everything about a build that a result depends on: revisions
// of steps and stages, the architecture, the encoders at hand. Two builds with
// one engine give the same bytes.
type Engine struct {
	Steps    map[Step]int      `json:"steps"`
	Stages   map[string]int    `json:"stages"`
	Arch     string            `json:"arch"`
	Encoders map[Format]string `json:"encoders"` // program or module and version; no entry: not here
}

// NewEngine is this build's engine.
func NewEngine(stages map[string]int, encoders map[Format]string) Engine {
	return Engine{Steps: stepRev, Stages: stages, Arch: runtime.GOARCH, Encoders: encoders}
}

// ID is eight hexadecimal digits that name the engine in subjects and logs.
func (e Engine) ID() string {
	text, err := Canonical(e)
	if err != nil {
		panic(err) // strings and integers
	}
	return string(DigestOf(text)[:8])
}

// Makes tells whether a worker of this engine can do what this build asks of
// it for a submission: recipes are as this build writes them, and chains name
// the revisions of stages that the submitting one had.
func (e Engine) Makes(s Submission) bool {
	if !maps.Equal(e.Steps, stepRev) || e.Arch != runtime.GOARCH {
		return false
	}
	for _, n := range s.Narrators {
		for _, setup := range n.Setups {
			if setup.Chain == nil {
				continue
			}
			for _, stage := range setup.Chain.Stages {
				if e.Stages[stage.Stage] != stage.Rev {
					return false
				}
			}
		}
	}
	return true
}

// NewRecipe fills in what every recipe of a step shares.
func NewRecipe(step Step) Recipe {
	return Recipe{Step: step, Rev: stepRev[step], Arch: runtime.GOARCH}
}

// A Submission is everything that a run depends on and that a person gave, at
// titles/<title>/runs/<run>/submit.json. It holds no time and no machine, so
// that submitting the same again is the same run.
type Submission struct {
	House     string              `json:"house"`
	Settings  Settings            `json:"settings"`
	Title     Title               `json:"title"`
	Narrators map[string]Narrator `json:"narrators"`
	Specs     []Spec              `json:"specs"`
	Sources   []SourceFile        `json:"sources"`
	Decisions []Decision          `json:"decisions,omitempty"`
	Notes     []Note              `json:"notes,omitempty"`
	Engine    Engine              `json:"engine,omitzero"` // zero: the night chooses among its workers' and pins it at engine.json
	Again     int                 `json:"again,omitempty"` // the run that this one tries again, whatever else is the same
}

// SourceFile is one uploaded file.
type SourceFile struct {
	Path  string `json:"path"` // within the title's folder
	Blob  Digest `json:"blob"`
	Bytes int64  `json:"bytes"`
}

// Chain is the chain in force for a narrator's setup, nil where there is none.
func (s Submission) Chain(narrator, setup string) *Chain {
	return s.Narrators[narrator].Setups[setup].Chain
}

// A Plan pins everything a run depends on beside its submission, at plan.json.
type Plan struct {
	RateHz   int                     `json:"rate_hz"` // work rate
	Chapters []PlannedChapter        `json:"chapters"`
	Specs    []Spec                  `json:"specs"`
	Skipped  []SkippedSpec           `json:"skipped,omitempty"`
	Findings []Finding               `json:"findings,omitempty"` // of the title as a whole
	Surveyed []SurveyRecipe          `json:"surveyed,omitempty"` // what was too long for a file
	Standing Standing                `json:"standing"`
	History  map[string][]Past       `json:"history,omitempty"` // of each narrator, the latest last
	Tallies  map[string][]Tally      `json:"tallies,omitempty"` // of each narrator's other titles: what was dismissed
	Sources  map[Digest]IntakeRecord `json:"sources,omitempty"` // those that can be used
}

// PlannedChapter is a chapter, or the reason why it can't be made.
type PlannedChapter struct {
	Chapter
	Hole     string    `json:"hole,omitempty"`
	Findings []Finding `json:"findings,omitempty"`
}

// SkippedSpec is a spec that this engine can't make, and what to do about it.
type SkippedSpec struct {
	Spec string `json:"spec"`
	Why  string `json:"why"`
}

// Standing is what the run that stands had decided: gains are kept near it.
type Standing struct {
	Run   string                       `json:"run,omitempty"`
	Fits  map[string]FitRecord         `json:"fits,omitempty"`  // by SessionID
	Gains map[string]map[string]dsp.DB `json:"gains,omitempty"` // by spec, narrator
	Last  map[string]FitRecord         `json:"last,omitempty"`  // by narrator/setup: the latest fit of any title
}

// SessionID names a session within a title's runs.
func SessionID(narrator, setup, session string) string {
	return narrator + "/" + setup + "/" + session
}

// SplitSessionID takes a SessionID apart.
func SplitSessionID(id string) (narrator, setup, session string) {
	narrator, rest, _ := strings.Cut(id, "/")
	setup, session, _ = strings.Cut(rest, "/")
	return narrator, setup, session
}

// Fits are the sessions' fits of a run, at fits.json. A part whose profile
// came too late takes its session's entry.
type Fits struct {
	Sessions map[string]FitRecord `json:"sessions"` // by SessionID
	Names    map[string]string    `json:"names"`    // session of each part, by PartID
}

// PartID names a part within a plan.
func PartID(chapter, part int) string {
	b, _ := json.Marshal([2]int{chapter, part})
	return string(b)
}

// Gains are a run's level gains, at gains.json.
type Gains struct {
	Specs map[string]LevelRecord `json:"specs"`
}

// TitleState is the title's one compare-and-swap object, at title.json.
// A title is unfinished while wanted and standing differ. Class and due are
// its place in the night; they touch no result.
type TitleState struct {
	Rev       int       `json:"rev"`                 // of this object: rises with every change, so that no two states are alike
	Seq       int       `json:"seq"`                 // of the latest run; strictly rises
	Wanted    string    `json:"wanted"`              // run; empty when the first was cancelled
	Standing  string    `json:"standing"`            // run; empty before the first
	Cancelled string    `json:"cancelled,omitempty"` // the latest run that was cancelled
	Class     string    `json:"class,omitempty"`     // queue.Class
	Due       time.Time `json:"due,omitzero"`        // when it is to be delivered; zero: no date
}

// Outcome is how a run ended, at close.json: what the report prints.
type Outcome struct {
	Run       string            `json:"run"`
	Slug      string            `json:"slug"`
	Title     string            `json:"title"`
	Author    string            `json:"author,omitempty"`
	Language  string            `json:"language,omitempty"`
	Year      int               `json:"year,omitempty"`
	House     string            `json:"house"`
	Signed    string            `json:"signed,omitempty"` // the house as it signs letters; empty: it does not
	RateHz    int               `json:"rate_hz"`
	Verdict   Verdict           `json:"verdict"` // the worst of its chapters'
	Specs     []Spec            `json:"specs"`
	Skipped   []SkippedSpec     `json:"skipped,omitempty"`
	Sessions  []SessionOutcome  `json:"sessions"`
	Narrators map[string]string `json:"narrators,omitempty"` // by slug: as people know them
	Gains     Gains             `json:"gains"`
	Chapters  []ChapterOutcome  `json:"chapters"`
	Findings  []Finding         `json:"findings,omitempty"` // of the title as a whole
	// Dismissed is how often findings of a narrator's titles, this one among
	// them, were dismissed by the time that the run was planned.
	Dismissed []Dismissal       `json:"dismissed,omitempty"`
	Withheld  map[string]string `json:"withheld,omitempty"` // spec → why its delivery is withheld
	Excerpt   *Excerpt          `json:"excerpt,omitempty"`  // what could be heard by itself, where the title names none
	Cost      map[Step]Cost     `json:"cost"`
	Engine    Engine            `json:"engine"`
}

// Excerpt is a stretch of a chapter to be heard by itself, as title.yaml can say it.
type Excerpt struct {
	Chapter  int     `json:"chapter"` // that it is of: number
	Name     string  `json:"name"`    // and name
	File     string  `json:"file"`
	FromS    float64 `json:"from_s"`
	ToS      float64 `json:"to_s"`
	Narrator string  `json:"narrator,omitempty"` // empty, as is setup: the title's own
	Setup    string  `json:"setup,omitempty"`
	Session  string  `json:"session,omitempty"`
}

// SessionOutcome is one session's fit.
type SessionOutcome struct {
	Narrator string    `json:"narrator"`
	Setup    string    `json:"setup"`
	Session  string    `json:"session"`
	Chain    string    `json:"chain,omitempty"` // name
	Revision Digest    `json:"revision,omitempty"`
	Fit      FitRecord `json:"fit"`
	Notes    []string  `json:"notes,omitempty"` // what should be known of it, one sentence each
}

// ChapterOutcome is one chapter: where it came from, what was made of it.
type ChapterOutcome struct {
	Number   int           `json:"number"`
	Name     string        `json:"name"`
	Role     Role          `json:"role"`
	Text     *Text         `json:"text,omitempty"` // what there was to read; nil: not known
	Hole     string        `json:"hole,omitempty"` // why there is no file
	Verdict  Verdict       `json:"verdict"`
	Findings []Finding     `json:"findings,omitempty"`
	Parts    []PartOutcome `json:"parts"`
	Files    []FileOutcome `json:"files"`
}

// SpokenS is the length of a chapter from the first to the last sound of each
// part, as they came.
func (c ChapterOutcome) SpokenS() (s float64) {
	for _, p := range c.Parts {
		s += p.Profile.Cut.Speech.Len().Seconds(p.Profile.Cut.RateHz)
	}
	return s
}

// Spoken is from the first to the last sound of a part, in frames of its source.
func (p PartOutcome) Spoken() Span {
	cut := p.Profile.Cut
	at := func(f dsp.Frames) dsp.Frames {
		return cut.Span.From + dsp.FramesIn(f.Seconds(cut.RateHz), cut.SourceRateHz)
	}
	return Span{From: at(cut.Speech.From), To: at(cut.Speech.To)}
}

// PartOutcome is a source as it came.
type PartOutcome struct {
	Part
	Is       *IntakeRecord `json:"is,omitempty"` // its source's file
	SourceS  float64       `json:"source_s"`
	Profile  ProfileRecord `json:"profile"`
	Session  string        `json:"session"`
	FitDB    dsp.DB        `json:"fit_db"`
	Likeness Likeness      `json:"likeness,omitzero"` // as it came
	Longest  []Span        `json:"longest,omitempty"` // its longest pauses inside text, source frames, the longest first
}

// FileOutcome is a file as it is delivered.
type FileOutcome struct {
	Spec      string     `json:"spec"`
	Format    FileFormat `json:"format"`
	Key       Digest     `json:"key"`
	Blob      Digest     `json:"blob"`
	Bytes     int64      `json:"bytes"`
	Series    Digest     `json:"series,omitempty"` // blob: the file's pictures
	Source    Digest     `json:"source,omitempty"` // blob: the chapter's, before and after its chains
	GainDB    []dsp.DB   `json:"gain_db"`          // per part: the narrator's level gain
	TrimDB    dsp.DB     `json:"trim_db"`
	FloorGain dsp.DBFS   `json:"floor_gain"` // the raw floor after every gain, had the chain taken nothing
	Record    FileRecord `json:"record"`
	Verdict   Verdict    `json:"verdict"`
}
