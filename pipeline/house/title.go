package house

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"unicode"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/house/strict"
	"chapterhouse/pipeline/manuscript"
	"chapterhouse/pipeline/split"
)

const (
	titleFile     = "title.yaml"
	decisionsFile = "decisions.yaml"
)

// Title reads the title in a folder of the house, and the decisions beside it.
// Without title.yaml, or where it lists no chapters but excerpts, the audio files
// directly in the folder are the chapters (see split.FromFolder). Narrators, setups and
// specs are looked up in the house, files in the folder; parts and title come
// back with every name filled in. The error is Faults where files are at fault.
func (h *House) Title(folder string) (pipeline.Title, []pipeline.Decision, error) {
	folder, err := filepath.Abs(folder)
	if err != nil {
		return pipeline.Title{}, nil, pipeline.Errorf(pipeline.House, "open title", "%w", err)
	}
	r, err := open(h.Root, folder)
	if err != nil {
		return pipeline.Title{}, nil, err
	}
	defer r.close()
	base := filepath.Base(folder)
	t := pipeline.Title{Slug: slugOf(base), Specs: h.Settings.Specs}
	if !r.has(titleFile) {
		t.Name = r.named(base)
	} else {
		var f title
		if n := r.read(titleFile, &f); n != nil {
			t.Name, t.Author, t.Language, t.Year = string(f.Title), string(f.Author), f.Language, f.Year
			t.RateHz = f.RateHz
			h.fill(&t, f, n, r)
			t.Findings = split.Numbering(t.Chapters)
		}
	}
	var excerpts []pipeline.TitleChapter
	if !slices.ContainsFunc(t.Chapters, func(c pipeline.TitleChapter) bool { return c.Role != pipeline.RoleExcerpt }) {
		excerpts, t.Chapters = t.Chapters, nil
	}
	if t.Chapters == nil && len(r.faults) == 0 {
		t.Found = true
		if t.Chapters, t.Findings = split.FromFolder(r.list(".")); len(t.Chapters) == 0 {
			at := r.name(".")
			if at == "." { // the house's own folder
				at = base
			}
			r.say(Fault{File: at, Text: "the folder holds no audio; put the chapters' wav or flac files in it, or name a title's folder"})
		}
		for i, c := range t.Chapters {
			p := &c.Parts[0]
			p.Narrator, p.Setup = t.Narrator, t.Setup
			at := Fault{File: r.name(p.File)}
			if err := new(fileName).UnmarshalText([]byte(p.File)); err != nil {
				at.Text = "the file's name " + err.Error()
				r.say(at)
				continue
			}
			r.source(p.File, at)
			if beside := strings.TrimSuffix(p.File, filepath.Ext(p.File)) + ".txt"; r.has(beside) {
				t.Chapters[i].Text = r.manuscript(c.Name, beside, t.Language, Fault{File: r.name(beside)})
			}
		}
		t.Chapters = split.WithExcerpts(t.Chapters, excerpts)
	}
	decisions := r.decisions(t)
	t.Findings = append(t.Findings, r.unread...)
	return t, decisions, r.err()
}

// manuscript counts a chapter's text. One that can't be used is told and holds
// nothing up: the recording is whole without it.
func (r *reader) manuscript(chapter, file, language string, at Fault) *pipeline.Text {
	if !isLocal(file) {
		return nil // refused by its form
	}
	var text pipeline.Text
	is, ok := r.regular(file)
	if ok {
		content, err := r.upTo(file, manuscript.MaxBytes+1)
		if err != nil {
			is = "can't be read (" + reason(err) + "); check its permissions"
		} else if text, err = manuscript.Count(content, language); err != nil {
			is = err.Error()
		}
	}
	if is == "" {
		text.File = file
		return &text
	}
	at.Text = file + " " + is
	place, wrong, do := told(at)
	r.unread = append(r.unread, pipeline.Finding{
		Check: pipeline.TextCheck, Weight: pipeline.Ready, Measured: chapter + " was not held against its text: " + wrong, Do: place + ": " + do,
	})
	return nil
}

// told is a fault as a finding has it: where, what is wrong, and what to do.
func told(f Fault) (place, wrong, do string) {
	place, _, _ = strings.Cut(f.String(), ": ")
	if i := strings.LastIndex(f.Text, "; "); i >= 0 {
		return place, f.Text[:i], f.Text[i+2:]
	}
	return place, f.Text, "correct it"
}

// named is a title's name that its folder gives.
func (r *reader) named(base string) string {
	var name strict.Name
	if err := name.UnmarshalText([]byte(base)); err != nil {
		r.say(Fault{File: r.name("."), Text: "the folder's name " + err.Error() + ", or name the title in title.yaml"})
	}
	return string(name)
}

// fill takes over what title.yaml says, as far as the house has it.
func (h *House) fill(t *pipeline.Title, f title, n *strict.Node, r *reader) {
	for i, name := range f.Specs {
		if _, ok := h.Specs[string(name)]; !ok {
			r.say(n.At("specs").Item(i).Fault("", "%s", strict.Unknown(string(name), "spec", sorted(h.Specs))))
		}
	}
	if len(f.Specs) > 0 {
		t.Specs = words(f.Specs)
	}
	t.Narrator, t.Setup = h.voice(string(f.Narrator), string(f.Setup), n, r)
	_, known := h.Narrators[t.Narrator]
	known = known || t.Narrator == ""

	number, numbers := 1, map[int]int{}
	roles := map[pipeline.Role]bool{}
	for i, c := range f.Chapters {
		at := n.At("chapters").Item(i)
		tc := pipeline.TitleChapter{Name: string(c.Chapter), Role: c.Role}
		if once := c.Role == pipeline.RoleOpening || c.Role == pipeline.RoleClosing; once && roles[c.Role] {
			r.say(at.At("role").Fault("", "a title has one %s and this is the second; give it another role", c.Role))
		}
		roles[c.Role] = true
		switch {
		case c.Number != nil:
			tc.Number = *c.Number
			if c.Role == pipeline.RoleChapter {
				number = tc.Number + 1
			}
		case c.Role == pipeline.RoleChapter:
			tc.Number = number
			number++
		}
		if c.Text != nil {
			tc.Text = r.manuscript(tc.Name, string(*c.Text), f.Language, at.At("text").Fault("", ""))
		}
		parts := at.At("parts")
		for k, p := range c.parts() {
			where := at
			if c.File == nil {
				where = parts.Item(k)
			}
			r.source(string(p.File), where.At("file").Fault("", ""))
			tp := pipeline.TitlePart{File: string(p.File), FromS: p.FromS, ToS: p.ToS, Session: string(p.Session), PauseS: p.PauseS}
			switch {
			case c.Role == pipeline.RoleAsset:
			case p.Narrator != "":
				tp.Narrator, tp.Setup = h.voice(string(p.Narrator), string(p.Setup), where, r)
			case p.Setup != "" && known:
				tp.Narrator, tp.Setup = h.voice(t.Narrator, string(p.Setup), where, r)
			default:
				tp.Narrator, tp.Setup = t.Narrator, t.Setup
			}
			tc.Parts = append(tc.Parts, tp)
		}
		t.Chapters = append(t.Chapters, tc)
	}
	// What is no chapter is numbered once the chapters are: the closing first.
	for _, role := range []pipeline.Role{pipeline.RoleClosing, pipeline.RoleExcerpt, pipeline.RoleAsset} {
		for i, c := range f.Chapters {
			if c.Role == role && c.Number == nil {
				t.Chapters[i].Number = number
				number++
			}
		}
	}
	if len(r.faults) > 0 {
		return // numbers may hang on what is wrong
	}
	for i, c := range t.Chapters {
		if first, twice := numbers[c.Number]; twice {
			r.say(n.At("chapters").Item(i).At("number").Fault("", "%s is number %d, and so is %s; give each its own", c.Name, c.Number, t.Chapters[first].Name))
			continue
		}
		numbers[c.Number] = i
	}
}

// voice looks a narrator and setup up in the house. A narrator with one setup
// needs none named.
func (h *House) voice(narrator, setup string, at *strict.Node, r *reader) (string, string) {
	if narrator == "" {
		if setup != "" {
			r.say(at.At("setup").Fault("", "setup %s has no narrator; name the narrator too", setup))
		}
		return "", ""
	}
	n, ok := h.Narrators[narrator]
	if !ok {
		r.say(at.At("narrator").Fault("", "%s", strict.Unknown(narrator, "narrator", sorted(h.Narrators))))
		return narrator, setup
	}
	setups := sorted(n.Setups)
	switch _, ok := n.Setups[setup]; {
	case setup == "" && len(setups) == 1:
		setup = setups[0]
	case setup == "" && len(setups) > 1:
		r.say(at.At("narrator").Fault("", "%s has more than one setup; name one of %s", narrator, strings.Join(setups, ", ")))
	case setup != "" && !ok:
		r.say(at.At("setup").Fault("", "%s", strict.Unknown(setup, "setup of "+narrator, setups)))
	}
	return narrator, setup
}

// decisions reads decisions.yaml, a list, where there is one.
func (r *reader) decisions(t pipeline.Title) []pipeline.Decision {
	if !r.has(decisionsFile) {
		return nil
	}
	var list []decision
	n := r.read(decisionsFile, &list)
	var out []pipeline.Decision
	for i, d := range list {
		out = append(out, pipeline.Decision{Check: string(d.Name), Spec: string(d.Spec), Chapter: d.Chapter, AtS: d.AtS.seconds(), Why: string(d.Why)})
		if d.Spec != "" && !slices.Contains(t.Specs, string(d.Spec)) {
			r.say(n.Item(i).At("spec").Fault("", "%s", strict.Unknown(string(d.Spec), "spec of this title", t.Specs)))
		}
		known := d.Chapter == pipeline.WholeTitle || d.Chapter > highest(t.Chapters) || // what was split has numbers that only its run knows
			slices.ContainsFunc(t.Chapters, func(c pipeline.TitleChapter) bool { return c.Number == d.Chapter })
		if !known && d.Name != "" && len(t.Chapters) > 0 {
			r.say(n.Item(i).At("chapter").Fault("", "the title has no chapter %d; give the number of one of its %d", d.Chapter, len(t.Chapters)))
		}
	}
	return out
}

// highest is the highest number of chapters, 0 where there are none.
func highest(chapters []pipeline.TitleChapter) (n int) {
	for _, c := range chapters {
		n = max(n, c.Number)
	}
	return n
}

// Notices are what of a title is no fault but should be said: its Findings,
// voices without a chain, chains that are unusual. Those of the last two that
// a title has already, as from a house before it was changed, are found anew.
func (h *House) Notices(t pipeline.Title) []pipeline.Finding {
	const about = "chain"
	findings := slices.DeleteFunc(slices.Clone(t.Findings), func(f pipeline.Finding) bool { return f.Check == about })
	notice := func(format string, args ...any) {
		findings = append(findings, pipeline.Finding{Check: about, Do: fmt.Sprintf(format, args...), Weight: pipeline.Ready})
	}
	seen := map[string]bool{}
	for _, c := range t.Chapters {
		if c.Role == pipeline.RoleAsset {
			continue
		}
		for _, p := range c.Parts {
			voice := p.Narrator + "/" + p.Setup
			if seen[voice] {
				continue
			}
			seen[voice] = true
			switch s, ok := h.Voice(p.Narrator, p.Setup); {
			case p.Narrator == "":
				notice("%s and what else names no narrator goes through no chain; name the narrator in title.yaml", p.File)
			case ok && s.Chain == nil:
				notice("%s has no chain for setup %s yet, so level, edges and checks are all that is done; write a chain and name it in narrator.yaml", p.Narrator, p.Setup)
			case ok:
				for _, line := range chain.Warn(*s.Chain) {
					notice("chain %s of %s, %s", s.Chain.Chain, p.Narrator, line)
				}
			}
		}
	}
	return findings
}

// slugOf makes a slug of a folder's name: "Eleven Tide Gates" is eleven-tide-gates.
func slugOf(name string) string {
	s := strings.Map(func(r rune) rune {
		switch r = unicode.ToLower(r); {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '_':
			return r
		}
		return '-'
	}, name)
	s = strings.Join(strings.FieldsFunc(s, func(r rune) bool { return r == '-' }), "-")
	s = strings.Trim(s, "-_")
	if len(s) > 64 {
		s = strings.Trim(s[:64], "-_")
	}
	if s == "" {
		return "title"
	}
	return s
}
