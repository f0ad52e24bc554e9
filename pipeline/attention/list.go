// Package attention makes a morning's list of a title: the chapters that ask for
// an ear, most urgent first, and in each the places to go to, with where they
// are in the file that was delivered, what to do, a picture and a clip. It judges
// nothing: what is above the fold was decided at the close.
package attention

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"chapterhouse/pipeline"
)

// A List is what of a title needs a person.
type List struct {
	Title    string    `json:"title"` // slug
	Name     string    `json:"name"`
	Run      string    `json:"run"`
	Spec     string    `json:"spec,omitempty"` // times in the file are those of its files
	Chapters []Chapter `json:"chapters"`       // that ask for an ear or an answer, most urgent first
	Whole    []Place   `json:"whole,omitempty"`
	Quiet    int       `json:"quiet"`   // chapters that ask for nothing
	Notices  int       `json:"notices"` // softer findings, of all chapters

	Dismissed []pipeline.Dismissal `json:"dismissed,omitempty"`
}

// Chapter is one that asks for an ear.
type Chapter struct {
	Number  int              `json:"number"`
	Name    string           `json:"name"`
	Verdict pipeline.Verdict `json:"verdict"`
	Places  []Place          `json:"places"` // what is to return first, then in the order of time
	Notices int              `json:"notices"`

	Index int `json:"-"` // among the outcome's
}

// A Place is a finding where a person finds it.
type Place struct {
	pipeline.Finding
	Words    string   `json:"words,omitempty"` // what to do, by its kind: "add the de-esser stage to the chain"
	Narrator string   `json:"narrator,omitempty"`
	FileS    *float64 `json:"file_s,omitempty"` // seconds into the chapter's file; nil: of all of it, or cut away
	InFile   string   `json:"in_file,omitempty"`
	InSource string   `json:"in_source,omitempty"`
	Clip     string   `json:"clip,omitempty"` // file name of what was cut out to be heard

	Wave []Extent `json:"-"` // of two seconds; nil: nobody looked
}

// Of is the list of a run.
func Of(o pipeline.Outcome) List {
	l := List{Title: o.Slug, Name: o.Title, Run: o.Run, Chapters: []Chapter{}, Dismissed: o.Dismissed}
	if len(o.Specs) > 0 {
		l.Spec = o.Specs[0].Spec
	}
	for _, f := range o.Findings {
		if asks(f) {
			l.Whole = append(l.Whole, Place{Finding: f, Words: f.Words()})
		} else if f.Accepted == "" {
			l.Notices++
		}
	}
	for i, ch := range o.Chapters {
		c := Chapter{Number: ch.Number, Name: ch.Name, Verdict: ch.Verdict, Index: i}
		bodies := heard(o, ch)
		for _, f := range Together(ch.Findings) {
			switch {
			case asks(f):
				c.Places = append(c.Places, placeOf(f, ch, bodies))
			case f.Accepted == "":
				c.Notices++
			}
		}
		l.Notices += c.Notices
		if len(c.Places) == 0 {
			l.Quiet++
			continue
		}
		slices.SortStableFunc(c.Places, func(a, b Place) int {
			return cmp.Or(cmp.Compare(urgency(a.Weight), urgency(b.Weight)), cmp.Compare(a.order(), b.order()))
		})
		l.Chapters = append(l.Chapters, c)
	}
	slices.SortStableFunc(l.Chapters, func(a, b Chapter) int {
		return cmp.Or(cmp.Compare(urgency(a.Verdict), urgency(b.Verdict)),
			cmp.Compare(b.of(pipeline.Return), a.of(pipeline.Return)), cmp.Compare(b.of(pipeline.Listen), a.of(pipeline.Listen)), cmp.Compare(b.Notices, a.Notices))
	})
	return l
}

// A Softer is a finding below the fold.
type Softer struct {
	Chapter *pipeline.ChapterOutcome // nil: of the title as a whole
	Place
}

// Below is what the list leaves out: notices and what was accepted, in the order
// of the title.
func Below(o pipeline.Outcome) (out []Softer) {
	for _, f := range o.Findings {
		if !asks(f) {
			out = append(out, Softer{Place: Place{Finding: f, Words: f.Words()}})
		}
	}
	for i, ch := range o.Chapters {
		bodies := heard(o, ch)
		for _, f := range Together(ch.Findings) {
			if !asks(f) {
				out = append(out, Softer{&o.Chapters[i], placeOf(f, ch, bodies)})
			}
		}
	}
	return out
}

// heard are where a chapter's recordings stand in the files that times are of.
func heard(o pipeline.Outcome, ch pipeline.ChapterOutcome) pipeline.Bodies {
	if len(o.Specs) == 0 || len(ch.Files) == 0 {
		return nil
	}
	return ch.Bodies(o.Specs[0])
}

// asks tells whether a finding is above the fold.
func asks(f pipeline.Finding) bool { return f.Weight != pipeline.Ready && f.Accepted == "" }

func urgency(v pipeline.Verdict) int {
	switch v {
	case pipeline.Return:
		return 0
	case pipeline.Listen:
		return 1
	}
	return 2
}

// of counts a chapter's places of a weight.
func (c Chapter) of(v pipeline.Verdict) (n int) {
	for _, p := range c.Places {
		if p.Weight == v {
			n++
		}
	}
	return n
}

// Placed tells whether a finding has a time.
func Placed(f pipeline.Finding) bool { return f.Source != "" && (f.StartS > 0 || f.EndS > 0) }

func placeOf(f pipeline.Finding, ch pipeline.ChapterOutcome, bodies pipeline.Bodies) Place {
	p := Place{Finding: f, Words: f.Words(), Narrator: ch.NarratorOf(f)}
	if Placed(f) {
		p.InSource = Clock(f.StartS)
		if s, ok := bodies.InFile(f.Source, f.StartS); ok {
			p.FileS, p.InFile = &s, Clock(s)
		}
	}
	return p
}

// order is that of time in the file: what is of all of it first, what was cut
// away last.
func (p Place) order() float64 {
	switch {
	case p.FileS != nil:
		return *p.FileS
	case Placed(p.Finding):
		return math.Inf(1)
	}
	return -1
}

// Clock is a time as h:mm:ss.s.
func Clock(seconds float64) string {
	tenths := int64(math.Round(max(0, seconds) * 10))
	return fmt.Sprintf("%d:%02d:%02d.%d", tenths/36000, tenths/600%60, tenths/10%60, tenths%10)
}

// Together puts findings into one that differ in their spec alone: the first
// one's figures stand, and every spec is named.
func Together(found []pipeline.Finding) []pipeline.Finding {
	var out []pipeline.Finding
	for _, f := range found {
		known := false
		for i, g := range out {
			g.Spec = f.Spec
			if f.Spec != "" && g.Same(f) && g.Weight == f.Weight && g.Accepted == f.Accepted {
				out[i].Spec += ", " + f.Spec
				known = true
				break
			}
		}
		if !known {
			out = append(out, f)
		}
	}
	return out
}
