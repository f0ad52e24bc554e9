package strict

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"chapterhouse/pipeline"

	"golang.org/x/text/unicode/norm"
)

// A Slug is a name that stands in paths and subjects: lower-case letters,
// digits, - and _, at most 64, starting with a letter or digit.
type Slug string

// UnmarshalText refuses what is no slug.
func (s *Slug) UnmarshalText(b []byte) error {
	if !pipeline.ValidSlug(string(b)) {
		return fmt.Errorf("is %q; give lower-case letters, digits, - and _, at most 64, starting with a letter or digit", clip(string(b)))
	}
	*s = Slug(b)
	return nil
}

// A Name is what a person reads: any language, at most 200 characters on one
// line, kept in Unicode Normalization Form C.
type Name string

// UnmarshalText refuses empty names and those that hold control characters or
// turn the direction of what follows them.
func (n *Name) UnmarshalText(b []byte) error {
	s := strings.TrimSpace(norm.NFC.String(string(b)))
	switch count := utf8.RuneCountInString(s); {
	case s == "":
		return fmt.Errorf("is empty; give a name")
	case count > 200:
		return fmt.Errorf("has %d characters; give at most 200", count)
	}
	if err := readable(s); err != nil {
		return err
	}
	if strings.ContainsAny(s, "\n\t") {
		return fmt.Errorf("holds a line break or tab; write it on one line")
	}
	*n = Name(s)
	return nil
}

// Prose is a reason or a description: as a Name, but up to 2000 characters,
// and lines may break. It may be empty.
type Prose string

// UnmarshalText refuses what a Name does, save for length and line breaks.
func (p *Prose) UnmarshalText(b []byte) error {
	s := strings.TrimSpace(norm.NFC.String(string(b)))
	if count := utf8.RuneCountInString(s); count > 2000 {
		return fmt.Errorf("has %d characters; give at most 2000", count)
	}
	if err := readable(s); err != nil {
		return err
	}
	*p = Prose(s)
	return nil
}

// readable refuses characters that a reader can't see, line breaks and tabs apart.
func readable(s string) error {
	for _, r := range s {
		switch {
		case r == '\n' || r == '\t' || !pipeline.Unseen(r):
		case unicode.IsControl(r) || r == '\u2028' || r == '\u2029':
			return fmt.Errorf("holds the control character U+%04X; remove it", r)
		default:
			return fmt.Errorf("holds U+%04X, which turns the direction of text; remove it", r)
		}
	}
	return nil
}

// Near is the one of known that someone who wrote word most likely meant, ""
// where none is near.
func Near(word string, known []string) string {
	if len(word) > 64 {
		return ""
	}
	best, least := "", 1+min(3, len(word)/3)
	for _, k := range known {
		d := distance(word, k)
		if strings.HasPrefix(k, word+"_") { // the unit was left out
			d = min(d, 1)
		}
		if d < least {
			best, least = k, d
		}
	}
	return best
}

// distance counts the letters to add, remove, change or swap with their
// neighbour to make b of a (optimal string alignment).
func distance(a, b string) int {
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}

// Unknown says that word is none of the known, and which was meant or which
// there are.
func Unknown(word, what string, known []string) string {
	if near := Near(word, known); near != "" {
		return fmt.Sprintf("%s is not a known %s; did you mean %s?", clip(word), what, near)
	}
	if len(known) == 0 {
		return fmt.Sprintf("%s is not a known %s; there is none yet", clip(word), what)
	}
	return fmt.Sprintf("%s is not a known %s; known are %s", clip(word), what, strings.Join(known, ", "))
}

// clip keeps what a fault quotes to a length that a person reads, on one line.
func clip(s string) string {
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '\uFFFD'
		}
		return r
	}, s)
	if runes := []rune(s); len(runes) > 60 {
		return string(runes[:60]) + "…"
	}
	return s
}
