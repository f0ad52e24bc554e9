// Package pipeline holds the nouns of a night (parts, chains, specs, recipes,
// findings), the keys that name results, and the pure functions that decide:
// fit, level and Judge. It reads no file, knows no broker and starts nothing.
package pipeline

import "chapterhouse/dsp"

// A Span is a stretch of frames [From, To) at the source's own rate.
type Span struct {
	From dsp.Frames `json:"from"`
	To   dsp.Frames `json:"to"`
}

// Len is the number of frames in s.
func (s Span) Len() dsp.Frames { return s.To - s.From }

// A Voice says whose recording a part is and how it is to sound.
type Voice struct {
	Narrator string `json:"narrator,omitempty"` // slug
	Setup    string `json:"setup,omitempty"`    // slug
	Session  string `json:"session,omitempty"`  // named in title.yaml; empty: to be found
	Chain    Digest `json:"chain,omitempty"`    // empty: no chain
}

// A Join is what stands between a part and the one before it.
type Join struct {
	PauseS float64 `json:"pause_s"` // room tone between the two, seconds; 0 joins end to start
}

// A Part is a span of a source in one voice: an entry of a chapter's edit list.
type Part struct {
	Source Digest `json:"source"`
	Path   string `json:"path"` // as the upload named it: for people and findings, in no key
	Span   Span   `json:"span"`
	Voice  Voice  `json:"voice"`
	Join   Join   `json:"join"`
}

// Role is what a file is in its title.
type Role string

const (
	RoleChapter Role = "chapter"
	RoleOpening Role = "opening"
	RoleClosing Role = "closing"
	RoleExcerpt Role = "excerpt"
	RoleAsset   Role = "asset" // music: level only
)

// A Chapter is one deliverable file: an edit list of parts.
type Chapter struct {
	Number int    `json:"number"` // from 1; an opening is 0, a closing follows the last chapter
	Name   string `json:"name"`   // as a listener reads it
	Role   Role   `json:"role"`
	Parts  []Part `json:"parts"`
	Text   *Text  `json:"text,omitempty"` // nil: none was given
}

// TextCheck is the name that findings go by of texts that were not used.
const TextCheck = "text"

// Text is how much a chapter's manuscript has to say.
type Text struct {
	File      string `json:"file"` // within the title's folder
	Words     int    `json:"words"`
	Syllables int    `json:"syllables"`
}
