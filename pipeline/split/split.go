// Package split makes chapters of what a title's folder holds: file names
// become numbered chapters, seconds become frames. It opens no file.
package split

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"chapterhouse/pipeline"
)

// FromFolder makes one chapter of each audio file (see Audio) that lies
// directly in a folder. Numbers and names come from the file names; files
// without a number follow the others in natural order, and so does a second
// file of one number, so that every number stands once. The opening is 0, the
// closing follows the last chapter. What was guessed is a finding.
func FromFolder(files []string) ([]pipeline.TitleChapter, []pipeline.Finding) {
	sorted := slices.DeleteFunc(slices.Clone(files), func(f string) bool {
		return strings.ContainsRune(f, '/') || !Audio(f)
	})
	slices.SortFunc(sorted, Natural)
	slices.SortStableFunc(sorted, func(a, b string) int { // an opening is 0 before anything else can be
		return order(readName(a).role) - order(readName(b).role)
	})

	var chapters, closing, later []pipeline.TitleChapter
	var findings []pipeline.Finding
	taken := map[int]string{} // number: the file that has it
	credits := map[pipeline.Role]bool{}
	last, numbered := 0, false
	for _, file := range sorted {
		r := readName(file)
		if r.role != pipeline.RoleChapter && credits[r.role] {
			findings = append(findings, guess(file, fmt.Sprintf("a title has one %s, and %s would be a second; it was placed as a chapter: rename or remove it", r.role, file)))
			r.role = pipeline.RoleChapter
		}
		credits[r.role] = true
		numbered = numbered || r.number >= 0
		c := pipeline.TitleChapter{Number: r.number, Name: r.name, Role: r.role, Parts: []pipeline.TitlePart{{File: file}}}
		if c.Role == pipeline.RoleOpening {
			c.Number = 0
		}
		first, twice := taken[c.Number]
		switch {
		case c.Role == pipeline.RoleClosing:
			closing = append(closing, c)
			continue
		case c.Number < 0:
			later = append(later, c)
			continue
		case twice:
			findings = append(findings, guess(file, fmt.Sprintf("%s and %s both have number %d; the second was placed last: renumber it, or list both as parts of one chapter in title.yaml", first, file, c.Number)))
			later = append(later, c)
			continue
		}
		taken[c.Number] = file
		last = max(last, c.Number)
		chapters = append(chapters, c)
	}
	for _, c := range later {
		last++
		if file := fileOf(c); numbered && c.Number < 0 {
			findings = append(findings, guess(file, fmt.Sprintf("%s has no number in its name; it was placed as chapter %d: put its number in front", file, last)))
		}
		c.Number = last
		chapters = append(chapters, c)
	}
	if !numbered && len(later) > 1 {
		findings = append(findings, guess("", "no file name has a number; the chapters stand in the order of their names: put numbers in front, or write title.yaml"))
	}
	for _, c := range closing {
		c.Number = last + 1
		chapters = append(chapters, c)
	}
	for i, c := range chapters {
		if c.Name == "" {
			chapters[i].Name = fmt.Sprintf("Chapter %d", c.Number)
		}
	}
	slices.SortStableFunc(chapters, func(a, b pipeline.TitleChapter) int { return cmp.Compare(a.Number, b.Number) })
	return chapters, append(findings, Numbering(chapters)...)
}

// order puts openings before all else.
func order(role pipeline.Role) int {
	if role == pipeline.RoleOpening {
		return 0
	}
	return 1
}

// Numbering finds gaps in the numbers of chapters and names that stand twice.
// A number in front of an opening's or closing's file name fills its gap.
func Numbering(chapters []pipeline.TitleChapter) []pipeline.Finding {
	var findings []pipeline.Finding
	taken := map[int]bool{}
	names := map[string]pipeline.TitleChapter{}
	last := 0
	for _, c := range chapters {
		switch c.Role {
		case pipeline.RoleChapter:
			taken[c.Number] = true
			last = max(last, c.Number)
			if first, twice := names[c.Name]; twice {
				findings = append(findings, guess(fileOf(c), fmt.Sprintf("chapters %d and %d are both called %q; rename one, or remove it if it is the same recording", first.Number, c.Number, c.Name)))
			} else {
				names[c.Name] = c
			}
		case pipeline.RoleOpening, pipeline.RoleClosing:
			if r := readName(fileOf(c)); r.number > 0 {
				taken[r.number] = true
			}
		}
	}
	for n := 1; n <= last; n++ {
		from := n
		for n <= last && !taken[n] {
			n++
		}
		switch {
		case n == from+1:
			findings = append(findings, guess("", fmt.Sprintf("chapter %d is missing; add its file, or renumber the chapters after it", from)))
		case n > from:
			findings = append(findings, guess("", fmt.Sprintf("chapters %d to %d are missing; add their files, or renumber the chapters after them", from, n-1)))
		}
	}
	return findings
}

func fileOf(c pipeline.TitleChapter) string {
	if len(c.Parts) == 0 {
		return ""
	}
	return c.Parts[0].File
}

// guess is a finding on numbers and names.
func guess(file, do string) pipeline.Finding {
	return pipeline.Finding{Check: "numbering", Path: file, Do: do, Weight: pipeline.Listen}
}
