package split

import (
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"chapterhouse/pipeline"
)

// extensions of audio. Only wav and flac can be read as sources; the others
// are listed too, so that they are refused by name and don't silently vanish.
var extensions = map[string]bool{
	".wav": true, ".flac": true,
	".mp3": true, ".aif": true, ".aiff": true, ".m4a": true, ".m4b": true, ".aac": true, ".ogg": true,
	".opus": true, ".wma": true, ".caf": true, ".w64": true, ".rf64": true, ".bwf": true, ".mp4": true,
}

// Audio tells whether a file is audio by its extension, and not hidden.
func Audio(file string) bool {
	base := filepath.Base(file)
	return !strings.HasPrefix(base, ".") && extensions[strings.ToLower(filepath.Ext(base))]
}

var (
	leading = regexp.MustCompile(`^(\d{1,3})(?:[ ._–—:)-]|$)`)
	worded  = regexp.MustCompile(`(?i)^(?:chapter|chap|ch|track)[ ._-]*(\d{1,3})(?:[ ._–—:)-]|$)`)
	credits = regexp.MustCompile(`^(?:opening|closing|end) credits\b|^(?:opening|closing)$`)
)

// read is what a file name says: "03 - Two Lanterns.wav" is 3, Two Lanterns.
// number is -1 where the name has none; name is "" where it has only a number.
type read struct {
	number int
	name   string
	role   pipeline.Role
}

func readName(file string) read {
	base := filepath.Base(file)
	rest := norm.NFC.String(strings.TrimSuffix(base, filepath.Ext(base)))
	r := read{number: -1, role: pipeline.RoleChapter}
	for _, pattern := range []*regexp.Regexp{leading, worded} { // "07 - Chapter 5": the chapter's own number stands last
		if m := pattern.FindStringSubmatchIndex(rest); m != nil {
			r.number, _ = strconv.Atoi(rest[m[2]:m[3]]) // three digits
			rest = strings.TrimLeft(rest[m[3]:], " ._-–—:)")
		}
	}
	r.name = spoken(rest)
	if words := strings.ToLower(r.name); credits.MatchString(words) {
		r.role = pipeline.RoleClosing
		if strings.HasPrefix(words, "opening") {
			r.role = pipeline.RoleOpening
		}
	}
	return r
}

// spoken is a file name as a listener reads it: a name in one piece is taken
// apart at its dashes and underscores, and its words get capitals if it has none.
func spoken(s string) string {
	s = strings.Map(func(r rune) rune {
		if pipeline.Unseen(r) || r == unicode.ReplacementChar {
			return -1
		}
		return r
	}, s)
	if !strings.Contains(s, " ") {
		s = strings.NewReplacer("_", " ", "-", " ").Replace(s)
		if s == strings.ToLower(s) {
			s = capitals(s)
		}
	}
	s = strings.Join(strings.Fields(strings.ReplaceAll(s, "_", " ")), " ")
	if runes := []rune(s); len(runes) > 200 {
		s = strings.TrimSpace(string(runes[:200]))
	}
	return s
}

func capitals(s string) string {
	start := true
	return strings.Map(func(r rune) rune {
		if start {
			r = unicode.ToTitle(r)
		}
		start = r == ' '
		return r
	}, s)
}
