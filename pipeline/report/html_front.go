package report

import (
	"html/template"
	"maps"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
)

// maxPlaces is how many places the front lists; the rest stand in the chapters.
const maxPlaces = 200

// frontView is what a person needs first.
type frontView struct {
	Style             template.CSS
	Title, House, Run string
	Chapters          string
	Tally             []tally
	Deliveries        []stated
	Asking            []asking
	More              int    // places that are not listed
	Below             string // what asks for nothing
	FileOf            string
	Findings          []findingRow // of the title as a whole
	Dismissed         []string
	Reel              []reelRow
	Index             []group
	Overview          picture
}

type tally struct {
	Glyph, Word string
	N           int
}

// stated is a word, and what is said of it.
type stated struct{ Word, Text string }

// asking is a chapter that asks for an ear or an answer.
type asking struct {
	ID, Glyph, Chapter, Verdict string
	Places                      []listenTo
}

// listenTo is a place in it.
type listenTo struct {
	Glyph, Weight    string
	InFile, InSource string
	Page             string
	What, Measured   string
	Words, Do        string
	Clip             string
	Picture          picture
}

// group is chapters of one verdict.
type group struct {
	Glyph, Word string
	Links       []link
}

type link struct{ ID, Name string }

// reelRow is a stretch of the listening reel.
type reelRow struct{ At, What, ID, Chapter, InFile string }

func (b builder) reel() (rows []reelRow) {
	for _, p := range b.r.Reel {
		row := reelRow{At: clock(p.AtS), What: string(p.What), Chapter: sprintf("%d %s", p.Chapter, p.Name), InFile: clock(p.FromS) + " to " + clock(p.ToS)}
		for i, ch := range b.r.Chapters {
			if ch.Number == p.Chapter {
				row.ID = b.ids[i]
			}
		}
		rows = append(rows, row)
	}
	return rows
}

func (b builder) front(style template.CSS) frontView {
	v := frontView{Style: style, Title: b.r.Title, House: b.r.House, Run: b.r.Run, Chapters: count(len(b.r.Chapters), "chapter")}
	of, holes := map[pipeline.Verdict]int{}, 0
	for _, ch := range b.r.Chapters {
		of[ch.Verdict]++
		if ch.Hole != "" {
			holes++
		}
	}
	for _, t := range []tally{{"return", "to return", of[pipeline.Return]}, {"listen", "to listen to", of[pipeline.Listen]}, {"ready", "ready", of[pipeline.Ready]}, {"missing", "missing", holes}} {
		if t.Glyph = glyph(t.Glyph); t.N > 0 {
			v.Tally = append(v.Tally, t)
		}
	}
	for _, d := range b.r.Deliveries {
		files := count(d.Files, "file")
		switch {
		case d.Forced != "":
			v.Deliveries = append(v.Deliveries, stated{"delivered", sprintf("%s: %s in %s, although %s; forced: %s", d.Spec, files, d.Folder, d.Withheld, d.Forced)})
		case d.Complete:
			v.Deliveries = append(v.Deliveries, stated{"delivered", sprintf("%s: %s in %s", d.Spec, files, d.Folder)})
		default:
			v.Deliveries = append(v.Deliveries, stated{"withheld", sprintf("%s, because %s; %s for the ear in %s", d.Spec, d.Withheld, files, d.Folder)})
		}
	}
	for _, s := range b.r.Skipped {
		v.Deliveries = append(v.Deliveries, stated{"skipped", s.Why})
	}
	v.Reel = b.reel()
	if len(b.r.Specs) > 0 {
		v.FileOf = b.r.Specs[0].Spec
	}
	for _, f := range b.r.Findings {
		v.Findings = append(v.Findings, row(0, f, nil))
	}
	for _, verdict := range order {
		g := group{Glyph: glyph(string(verdict)), Word: string(verdict)}
		for i, ch := range b.r.Chapters {
			if ch.Verdict == verdict {
				g.Links = append(g.Links, link{b.ids[i], titleOf(ch)})
			}
		}
		if len(g.Links) > 0 {
			v.Index = append(v.Index, g)
		}
	}
	v.Overview = b.overview()
	b.places(&v)
	return v
}

// places lists where to listen, chapter by chapter, most urgent first.
func (b builder) places(v *frontView) {
	l := b.r.attention()
	v.Below = below(l)
	listed := 0
	for _, c := range l.Chapters {
		one := asking{ID: b.ids[c.Index], Glyph: glyph(string(c.Verdict)), Chapter: sprintf("%d %s", c.Number, c.Name), Verdict: string(c.Verdict)}
		for _, p := range c.Places {
			if listed == maxPlaces {
				v.More++
				continue
			}
			listed++
			to := listenTo{
				Glyph: glyph(string(p.Weight)), Weight: string(p.Weight), InFile: p.InFile, InSource: place(p.Finding), Page: pageOf(p.Finding),
				What: kind(p.Finding), Measured: measured(p.Finding), Words: p.Words, Do: p.Do, Picture: twoSeconds(p),
			}
			if p.Clip != "" {
				to.Clip = clipFolder + p.Clip
			}
			one.Places = append(one.Places, to)
		}
		if len(one.Places) > 0 {
			v.Asking = append(v.Asking, one)
		}
	}
	for _, d := range l.Dismissed {
		v.Dismissed = append(v.Dismissed, Dismissed(d))
	}
}

// titleOf is a chapter's number and name.
func titleOf(ch pipeline.ChapterOutcome) string { return sprintf("%d %s", ch.Number, ch.Name) }

// backView is how the run's gains came about, and what it cost.
type backView struct {
	Sessions []sessionRow
	Gains    []gainRow
	Notes    []stated
	Cost     []stated
	Work     string
	Listen   bool
}

type sessionRow struct{ Session, Speech, Gain, Chain, Revision, Notes string }

type gainRow struct{ Spec, Narrator, Gain string }

func (b builder) back() backView {
	w := b.r.Work
	v := backView{Work: sprintf("%d profiled, %d weighed, %d rendered, %d taken from the store", w.Profiled, w.Weighed, w.Rendered, w.Taken)}
	for _, s := range b.r.Sessions {
		r := sessionRow{Session: check.SessionName(s), Chain: "no chain, so no gain to its level"}
		if s.Chain != "" {
			r.Chain, r.Revision = s.Chain, s.Revision.Short()
			r.Speech, r.Gain = sprintf("%.0f s", s.Fit.SpeechS), minus(sprintf("%+.1f dB", float64(s.Fit.GainDB)))
		}
		for i, n := range s.Notes {
			if i > 0 {
				r.Notes += "; "
			}
			r.Notes += n
		}
		v.Sessions = append(v.Sessions, r)
	}
	for _, s := range b.r.Specs {
		g := b.r.Gains.Specs[s.Spec]
		for _, who := range keys(g.GainDB) {
			v.Gains = append(v.Gains, gainRow{s.Spec, name(who), minus(sprintf("%+.1f dB", float64(g.GainDB[who])))})
		}
		for _, n := range g.Notes {
			v.Notes = append(v.Notes, stated{s.Spec, n})
		}
	}
	for _, step := range slices.Sorted(maps.Keys(b.r.Cost)) {
		c := b.r.Cost[step]
		text := sprintf("%.2f s of processor", c.CPUS)
		if c.CPUS > 0 {
			text += sprintf(", %.0f × real time", c.AudioS/c.CPUS)
		}
		v.Cost = append(v.Cost, stated{string(step), text})
	}
	return v
}
