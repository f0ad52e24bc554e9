package delivery

import (
	"fmt"
	"strings"

	"chapterhouse/pipeline"

	"golang.org/x/text/unicode/norm"
)

// maxName keeps a name under the 255 bytes that file systems take, with room
// for an extension and for a number that makes it the only one.
const maxName = 200

// Names are the file names of chapters without extension, by a spec's pattern.
// {number} is as wide as the highest number needs, at least two digits;
// {chapter} is the chapter's name. Characters that some file system refuses
// become "-"; two chapters of one name are told apart by their number.
func Names(chapters []pipeline.ChapterOutcome, spec pipeline.Spec) []string {
	highest := 0
	for _, ch := range chapters {
		highest = max(highest, ch.Number)
	}
	width := max(2, len(fmt.Sprint(highest)))
	names := make([]string, len(chapters))
	taken := map[string]bool{}
	for i, ch := range chapters {
		number := fmt.Sprintf("%0*d", width, ch.Number)
		name := safe(strings.NewReplacer("{number}", number, "{chapter}", ch.Name).Replace(spec.Packaging.Name))
		if key := strings.ToLower(name); taken[key] || name == "" {
			name = strings.TrimSpace(name + " " + number)
		}
		for n := 2; taken[strings.ToLower(name)]; n++ {
			name = fmt.Sprintf("%s (%d)", strings.TrimSuffix(name, fmt.Sprintf(" (%d)", n-1)), n)
		}
		taken[strings.ToLower(name)] = true
		names[i] = name
	}
	return names
}

// safe is s as every common file system takes it, and a list of it shows it:
// NFC, no separators, wildcards, trailing dots or characters that can't be seen.
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
	return strings.Trim(s, " .")
}
