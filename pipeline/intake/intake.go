// Package intake tells what a title's recordings are before anything runs:
// from their headers and from short stretches of each, or from the whole where
// that costs little. It reads local files only and decides nothing: what a
// night does with a file is found by the steps that hear all of it.
package intake

import (
	"context"
	"path/filepath"
	"runtime"
	"sync"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// An Answer is what can be said of a title's recordings at once.
type Answer struct {
	Title    string   `json:"title"`
	Chapters int      `json:"chapters"`
	Files    []File   `json:"files"`             // those that are there, in the title's order
	LengthS  float64  `json:"length_s"`          // of those that can be read
	Remarks  []Remark `json:"remarks,omitempty"` // what a person should know or do
}

// File is one recording. Its levels are estimates from what was heard of it.
type File struct {
	Path     string          `json:"path"` // within the title's folder
	Chapters []int           `json:"chapters"`
	Role     pipeline.Role   `json:"role,omitempty"` // of the first of them
	Narrator string          `json:"narrator,omitempty"`
	Setup    string          `json:"setup,omitempty"`
	Session  string          `json:"session,omitempty"`
	Bytes    int64           `json:"bytes"`
	Format   pipeline.Format `json:"format,omitempty"`
	RateHz   int             `json:"rate_hz,omitempty"`
	Channels int             `json:"channels,omitempty"`
	Bits     int             `json:"bits,omitempty"`
	Float    bool            `json:"float,omitempty"`
	LengthS  float64         `json:"length_s,omitempty"`
	Bext     *pipeline.Bext  `json:"bext,omitempty"`
	Heard    *Heard          `json:"heard,omitempty"` // nil: it can't be used
	Fault    string          `json:"fault,omitempty"` // why it can't be used, and what to ask for
	Notes    []string        `json:"notes,omitempty"` // oddities that were read over
}

// Heard is what a sample of a recording measures. Levels of two channels are
// those of the louder one.
type Heard struct {
	Seconds float64   `json:"seconds"`             // how much of it was heard
	Whole   bool      `json:"whole,omitempty"`     // all of it: nothing is estimated
	Speech  dsp.DBFS  `json:"speech_dbfs"`         // while speaking, plain RMS
	Floor   dsp.DBFS  `json:"floor_dbfs"`          // the quietest twentieth, plain RMS
	Peak    dsp.DBFS  `json:"peak_dbfs"`           // sample peak
	Clipped []float64 `json:"clipped_s,omitempty"` // where it is cut flat, seconds
}

// Remark is one thing that a person should know before the night begins.
type Remark struct {
	File  string `json:"file,omitempty"` // empty: the title as a whole
	About About  `json:"about"`
	Text  string `json:"text"`
	Ask   string `json:"ask,omitempty"` // what to do or to ask for
}

// About is what a remark is about.
type About string

const (
	Missing   About = "missing"   // a file that the title names is not there
	Unusable  About = "unusable"  // it can't be used as it is
	Numbering About = "numbering" // numbers and names
	Note      About = "note"      // what of a proof-listener's notes leads nowhere
	Text      About = "text"      // a chapter's text can't be used
	Doubled   About = "doubled"   // two files are one recording
	Unlisted  About = "unlisted"  // audio in the folder that the title does not name
	Format    About = "format"    // rate or kind of the file
	Clipping  About = "clipping"
	Gain      About = "gain"    // its level stands off the others of its narrator
	Version   About = "version" // another recording than a run before had
)

// heardS bounds how much of a title is heard in all, seconds. FLAC decodes at
// some 300 times real time, so that this is seconds for any number of chapters.
const heardS = 3000.0

// Look opens and samples a title's files. files are those in its folder, from
// which it says what the title does not name.
func Look(ctx context.Context, folder string, title pipeline.Title, files []string) (Answer, error) {
	a := Answer{Title: title.Name, Chapters: len(title.Chapters)}
	order, known := filesOf(title)
	share := heardS / float64(max(1, len(order)))
	looked := make([]*File, len(order))
	var wait sync.WaitGroup
	slots := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i, f := range order {
		wait.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			if ctx.Err() == nil && f.look(filepath.Join(folder, f.Path), share) {
				looked[i] = &f
			}
		})
	}
	wait.Wait()
	if err := ctx.Err(); err != nil {
		return a, err
	}
	for i, f := range looked {
		if f == nil {
			a.say(order[i].Path, Missing, "is not in the folder: "+chapters(order[i].Chapters)+" will be missing", "")
			continue
		}
		a.Files = append(a.Files, *f)
		a.LengthS += f.LengthS
	}
	a.LengthS = dsp.Round2(a.LengthS)
	a.remark(title, files, known)
	return a, nil
}

// filesOf is the title's files, each once, in the order of its chapters.
func filesOf(t pipeline.Title) (order []File, known map[string]bool) {
	at := map[string]int{}
	known = map[string]bool{}
	for _, ch := range t.Chapters {
		for _, p := range ch.Parts {
			i, twice := at[p.File]
			if !twice {
				i = len(order)
				at[p.File], known[p.File] = i, true
				order = append(order, File{Path: p.File, Role: ch.Role, Narrator: p.Narrator, Setup: p.Setup, Session: p.Session})
			}
			if n := len(order[i].Chapters); n == 0 || order[i].Chapters[n-1] != ch.Number {
				order[i].Chapters = append(order[i].Chapters, ch.Number)
			}
		}
	}
	return order, known
}

func (a *Answer) say(file string, about About, text, ask string) {
	a.Remarks = append(a.Remarks, Remark{File: file, About: about, Text: text, Ask: ask})
}
