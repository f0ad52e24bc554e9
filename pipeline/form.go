package pipeline

import (
	"fmt"
	"strconv"
)

// What is read from the store may have been written by anyone who can write
// there. The objects that name paths, keys and subjects, or that code goes
// through by position, refuse in Check what a house could not have written;
// store.ReadJSON and store.Update ask them. What numbers mean is judged where
// they are used.

// ValidSlug tells whether s can stand in paths and subjects: lower-case
// letters, digits, - and _, at most 64, starting with a letter or digit.
func ValidSlug(s string) bool {
	if s == "" || len(s) > 64 || s[0] == '-' || s[0] == '_' {
		return false
	}
	for _, c := range []byte(s) {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' && c != '_' {
			return false
		}
	}
	return true
}

// ValidRun tells whether s names a run: its number, with six digits at least.
func ValidRun(s string) bool {
	n, err := strconv.Atoi(s)
	return err == nil && n > 0 && s == fmt.Sprintf("%06d", n)
}

// Bounds of what a house writes.
const (
	mostChapters = 10_000 // of a title
	mostParts    = 10_000 // of a chapter
	mostNumber   = 99_999 // of a chapter: four digits in title.yaml, and what is counted on from there
	mostNotes    = 10_000 // of a title
	mostHours    = 1_000  // of a file
	lowestRate   = 8_000
	highestRate  = 192_000
)

// Check refuses runs that have no run's name.
func (t TitleState) Check() error {
	for _, run := range []string{t.Wanted, t.Standing, t.Cancelled} {
		if run != "" && !ValidRun(run) {
			return fmt.Errorf("%.40q is no run", run)
		}
	}
	if t.Seq < 0 {
		return fmt.Errorf("its seq is %d", t.Seq)
	}
	return nil
}

// Check refuses names that can't stand in paths, sources without a digest,
// chapters without parts, and chains whose parameters have no canonical form.
func (s Submission) Check() error {
	var f form
	f.slug("title", s.Title.Slug)
	f.name("house", s.House)
	f.name("house", s.Settings.Name)
	f.name("title", s.Title.Name)
	f.rate(s.Title.RateHz, 0)
	f.specs(s.Specs)
	for _, name := range s.Title.Specs {
		f.slug("spec", name)
	}
	for slug, n := range s.Narrators {
		f.slug("narrator", slug)
		for setup, has := range n.Setups {
			f.slug("setup", setup)
			if has.Chain != nil {
				_, err := Canonical(has.Chain.Stages)
				f.want(err == nil, "chain of %s: %v", slug, err)
			}
		}
	}
	f.count("chapters", len(s.Title.Chapters), mostChapters)
	for _, ch := range s.Title.Chapters {
		f.chapter(ch.Number, ch.Name, len(ch.Parts))
		for _, p := range ch.Parts {
			f.path(p.File)
			f.voice(p.Narrator, p.Setup)
		}
	}
	f.count("notes", len(s.Notes), mostNotes)
	for _, n := range s.Notes {
		f.want(n.AtS >= 0 && n.AtS < mostHours*3600, "a note is at %g s", n.AtS)
		for _, text := range []string{n.Page, n.Line, n.Kind, n.Text} {
			f.want(Visible(text) == text, "a note's text %.80q holds characters that can't be seen", text)
		}
	}
	for _, src := range s.Sources {
		f.path(src.Path)
		f.digest(src.Blob)
		f.want(src.Bytes >= 0, "%.80q has %d bytes", src.Path, src.Bytes)
	}
	return f.err
}

// Check refuses what Submission.Check does, spans that run backwards, and
// chapters that are neither parts nor a hole.
func (p Plan) Check() error {
	var f form
	f.rate(p.RateHz, lowestRate)
	f.specs(p.Specs)
	f.count("chapters", len(p.Chapters), mostChapters)
	for _, ch := range p.Chapters {
		if ch.Hole == "" || len(ch.Parts) > 0 {
			f.chapter(ch.Number, ch.Name, len(ch.Parts))
		} else {
			f.chapter(ch.Number, ch.Name, 1)
		}
		for _, part := range ch.Parts {
			f.part(part)
		}
	}
	if p.Standing.Run != "" {
		f.want(ValidRun(p.Standing.Run), "%.40q is no run", p.Standing.Run)
	}
	return f.err
}

// Check refuses names that can't stand in paths, files without a digest or of
// an unknown format, and chapters with files and no parts.
func (o Outcome) Check() error {
	var f form
	f.want(ValidRun(o.Run), "%.40q is no run", o.Run)
	f.slug("title", o.Slug)
	f.name("house", o.House)
	f.name("house", o.Signed)
	f.name("title", o.Title)
	f.specs(o.Specs)
	if e := o.Excerpt; e != nil {
		f.chapter(e.Chapter, e.Name, 1)
		f.path(e.File)
		f.voice(e.Narrator, e.Setup)
		f.want(e.Session == "" || ValidSlug(e.Session), "%.80q can't name a session", e.Session)
	}
	f.count("chapters", len(o.Chapters), mostChapters)
	for _, ch := range o.Chapters {
		f.chapter(ch.Number, ch.Name, max(len(ch.Parts), 1))
		f.want(len(ch.Parts) > 0 || len(ch.Files) == 0, "chapter %d has files and no parts", ch.Number)
		for _, part := range ch.Parts {
			f.part(part.Part)
		}
		f.count("files of a chapter", len(ch.Files), mostParts)
		for _, file := range ch.Files {
			f.slug("spec", file.Spec)
			f.format(file.Format.Format)
			f.digest(file.Blob)
			f.want(file.Bytes >= 0, "chapter %d has a file of %d bytes", ch.Number, file.Bytes)
		}
	}
	return f.err
}

// Check refuses blobs without a digest.
func (c Commit) Check() error {
	var f form
	for _, file := range c.Files {
		f.digest(file.Blob)
	}
	return f.err
}

// form keeps the first thing that is wrong.
type form struct{ err error }

func (f *form) want(ok bool, format string, args ...any) {
	if !ok && f.err == nil {
		f.err = fmt.Errorf(format, args...)
	}
}

func (f *form) slug(what, s string) { f.want(ValidSlug(s), "%.80q can't name a %s", s, what) }

func (f *form) digest(d Digest) { f.want(d.Valid(), "%.80q is no digest", string(d)) }

func (f *form) name(what, s string) {
	f.want(Visible(s) == s, "the %s's name %.80q holds characters that can't be seen", what, s)
}

// path is a file's name within its title's folder: it is shown, and looked up.
func (f *form) path(s string) {
	f.want(s != "" && Visible(s) == s, "%.80q is no file's name", s)
}

func (f *form) voice(narrator, setup string) {
	f.want(narrator == "" || ValidSlug(narrator), "%.80q can't name a narrator", narrator)
	f.want(setup == "" || ValidSlug(setup), "%.80q can't name a setup", setup)
}

func (f *form) part(p Part) {
	f.digest(p.Source)
	f.path(p.Path)
	f.voice(p.Voice.Narrator, p.Voice.Setup)
	f.want(p.Span.From >= 0 && p.Span.From <= p.Span.To, "a part of %.80q goes from %d to %d", p.Path, p.Span.From, p.Span.To)
	f.want(p.Voice.Chain == "" || p.Voice.Chain.Valid(), "%.80q is no chain's digest", string(p.Voice.Chain))
}

func (f *form) chapter(number int, name string, parts int) {
	f.want(number >= 0 && number <= mostNumber, "a chapter has number %d", number)
	f.name("chapter", name)
	f.want(parts > 0 && parts <= mostParts, "chapter %d has %d parts", number, parts)
}

func (f *form) specs(all []Spec) {
	f.count("specs", len(all), 100)
	for _, s := range all {
		f.slug("spec", s.Spec)
		f.name("pattern", s.Packaging.Name)
		f.count("files of a spec", len(s.Sound.Files), 100)
		for _, file := range s.Sound.Files {
			f.format(file.Format)
			f.rate(file.RateHz, lowestRate)
		}
	}
}

func (f *form) format(x Format) {
	f.want(x == FLAC || x == WAV || x == MP3, "%.40q is no format of files", string(x))
}

// rate wants a sample rate, or least where that is lower.
func (f *form) rate(hz, least int) {
	f.want(hz == least || hz >= lowestRate && hz <= highestRate, "a rate is %d Hz", hz)
}

func (f *form) count(what string, n, most int) {
	f.want(n <= most, "%d %s are more than %d", n, what, most)
}
