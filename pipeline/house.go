package pipeline

// Settings are a house's own numbers, from house.yaml, defaults filled in.
type Settings struct {
	House string        `json:"house"`          // what its files and people's reports call it
	Name  string        `json:"name,omitempty"` // how it signs what it sends to others; empty: not at all
	Specs []string      `json:"specs"`          // for titles that name none
	Level LevelSettings `json:"level"`
	Fit   FitSettings   `json:"fit"`
	Job   JobSettings   `json:"job"`
}

// LevelSettings bound which chapters count for a narrator's level.
type LevelSettings struct {
	PoolMinS float64 `json:"pool_min_s"` // chapters shorter than this take the narrator's gain; default 60
}

// FitSettings bound which sessions are measured by themselves.
type FitSettings struct {
	MinSpeechS float64 `json:"min_speech_s"` // sessions with less speech take the narrator's last fit; default 60
}

// JobSettings bound one child process.
type JobSettings struct {
	MemoryMiB int `json:"memory_mib"` // RLIMIT_DATA; default 512
}

// Title is a book as its folder describes it: title.yaml, or what the folder's
// files say by themselves.
type Title struct {
	Slug     string         `json:"slug"`
	Name     string         `json:"name"`
	Author   string         `json:"author,omitempty"`   // as its files' tags name it
	Language string         `json:"language,omitempty"` // ISO 639-2, three letters
	Year     int            `json:"year,omitempty"`
	Narrator string         `json:"narrator,omitempty"` // of parts that name none
	Setup    string         `json:"setup,omitempty"`
	Specs    []string       `json:"specs,omitempty"`
	RateHz   int            `json:"rate_hz,omitempty"` // work rate; 0: the rate most sources have
	Chapters []TitleChapter `json:"chapters"`
	Found    bool           `json:"found,omitempty"`    // chapters come from file names, and from cue points where there is one file
	Findings []Finding      `json:"findings,omitempty"` // gaps in the numbers, and what was guessed from file names
}

// TitleChapter is a chapter before its sources were opened.
type TitleChapter struct {
	Number int         `json:"number"`
	Name   string      `json:"name"`
	Role   Role        `json:"role"`
	Parts  []TitlePart `json:"parts"`
	Text   *Text       `json:"text,omitempty"` // nil: none was given
}

// TitlePart is a part in seconds and file names.
type TitlePart struct {
	File     string  `json:"file"` // within the title's folder
	FromS    float64 `json:"from_s,omitempty"`
	ToS      float64 `json:"to_s,omitempty"` // 0: to the end
	Narrator string  `json:"narrator,omitempty"`
	Setup    string  `json:"setup,omitempty"`
	Session  string  `json:"session,omitempty"`
	PauseS   float64 `json:"pause_s,omitempty"`
}

// A Narrator is a voice and the setups it was recorded with.
type Narrator struct {
	Narrator string           `json:"narrator"` // slug
	Name     string           `json:"name"`
	Setups   map[string]Setup `json:"setups"`
}

// Setup is one microphone, preamp, interface and booth. Another knob, another setup.
type Setup struct {
	Microphone string `json:"microphone,omitempty"`
	Preamp     string `json:"preamp,omitempty"`
	Interface  string `json:"interface,omitempty"`
	Printed    string `json:"printed,omitempty"` // what was applied on the way in
	Booth      Booth  `json:"booth,omitzero"`
	Chain      *Chain `json:"chain,omitempty"` // in force; nil: none yet
}

// Booth is the room, in metres; 0 where not known.
type Booth struct {
	WidthM  float64 `json:"width_m,omitempty"`
	DepthM  float64 `json:"depth_m,omitempty"`
	HeightM float64 `json:"height_m,omitempty"`
	PanelMM float64 `json:"panel_mm,omitempty"` // absorber thickness
	GapMM   float64 `json:"gap_mm,omitempty"`   // air behind the absorber
}
