package delivery

import (
	"fmt"
	"slices"
	"strings"

	"chapterhouse/pipeline"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// maxName keeps a name under the 255 bytes that file systems take, with room
// for an extension and for a number that makes it the only one.
const maxName = 200

// Names are the file names of an outcome's chapters without extension, by a
// spec's pattern. {number} is as wide as the highest number needs, at least two
// digits; {chapter} is the chapter's name, {title} the book's, {narrator} who
// reads. Characters that some file system refuses become "-", and with the
// packaging's ascii all letters beyond it what they are written as. Two
// chapters of one name, in whatever case, are told apart by their number.
func Names(o pipeline.Outcome, spec pipeline.Spec) []string {
	highest := 0
	for _, ch := range o.Chapters {
		highest = max(highest, ch.Number)
	}
	width := max(2, len(fmt.Sprint(highest)))
	fold := cases.Fold()
	names := make([]string, len(o.Chapters))
	taken := map[string]bool{}
	for i, ch := range o.Chapters {
		number := fmt.Sprintf("%0*d", width, ch.Number)
		reader := strings.Join(readers(o, ch), ", ")
		filled := strings.NewReplacer("{number}", number, "{chapter}", ch.Name, "{title}", o.Title, "{narrator}", reader).Replace(spec.Packaging.Name)
		if spec.Packaging.ASCII {
			filled = ascii(filled)
		}
		name := safe(filled)
		if taken[fold.String(name)] || name == "" {
			name = strings.TrimSpace(name + " " + number)
		}
		for n := 2; taken[fold.String(name)]; n++ {
			name = fmt.Sprintf("%s (%d)", strings.TrimSuffix(name, fmt.Sprintf(" (%d)", n-1)), n)
		}
		taken[fold.String(name)] = true
		names[i] = name
	}
	return names
}

// devices are names that one family of systems keeps for itself, whatever
// follows a dot (common practice there since the 1980s).
var devices = []string{
	"con", "prn", "aux", "nul", "com1", "com2", "com3", "com4", "com5", "com6", "com7", "com8", "com9",
	"lpt1", "lpt2", "lpt3", "lpt4", "lpt5", "lpt6", "lpt7", "lpt8", "lpt9",
}

// safe is s as every common file system takes it, and a list of it shows it:
// NFC, no separators, wildcards, trailing dots, names of devices or characters
// that can't be seen.
func safe(s string) string {
	s = strings.Map(func(r rune) rune {
		if pipeline.Unseen(r) || strings.ContainsRune(`/\:*?"<>|`, r) {
			return '-'
		}
		return r
	}, norm.NFC.String(s))
	for len(s) > maxName {
		s = strings.TrimRightFunc(s[:maxName], func(r rune) bool { return r == '�' })
	}
	s = strings.Trim(s, " .")
	if stem, _, _ := strings.Cut(s, "."); slices.Contains(devices, strings.ToLower(strings.TrimSpace(stem))) {
		s = "-" + s
	}
	return s
}
