package pipeline

import (
	"strings"
	"unicode"
)

// Unseen tells whether a character is one that a reader can't see and a
// terminal or a page may act on: control characters, line and paragraph
// separators, and the explicit directions of the Unicode bidirectional
// algorithm (UAX #9, sections 2.1 to 2.5).
func Unseen(r rune) bool {
	return unicode.IsControl(r) || r >= '\u2028' && r <= '\u202E' || r >= '\u2066' && r <= '\u2069'
}

// Visible is s as one line that a terminal can be given: what Unseen tells,
// line breaks among it, and bytes that are no UTF-8 become U+FFFD. Names that
// come from folders or from storage are printed through it.
func Visible(s string) string {
	return strings.Map(func(r rune) rune {
		if Unseen(r) {
			return unicode.ReplacementChar
		}
		return r
	}, s)
}
