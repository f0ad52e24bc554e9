package delivery

import (
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// written are letters that no decomposition takes apart, as they are written
// where only ASCII is to be had (common practice in libraries and passports;
// from memory), and marks of print.
var written = map[rune]string{
	'ß': "ss", 'ẞ': "SS", 'æ': "ae", 'Æ': "AE", 'œ': "oe", 'Œ': "OE", 'ø': "o", 'Ø': "O", 'đ': "d", 'Đ': "D", 'ð': "d", 'Ð': "D",
	'þ': "th", 'Þ': "Th", 'ł': "l", 'Ł': "L", 'ħ': "h", 'Ħ': "H", 'ı': "i", 'ŋ': "ng", 'Ŋ': "Ng", 'ŧ': "t", 'Ŧ': "T", 'ĸ': "k", 'ſ': "s",
	'‘': "'", '’': "'", '‚': "'", '“': "'", '”': "'", '„': "'", '«': "'", '»': "'", '‹': "'", '›': "'",
	'–': "-", '—': "-", '−': "-", '‐': "-", '‑': "-", '…': "...", '·': "-", '×': "x", '№': "No",
}

// ascii is s in ASCII: letters without their marks, others as they are written,
// and "-" for what has no such form.
func ascii(s string) string {
	var b strings.Builder
	for _, r := range norm.NFKD.String(s) {
		switch text, known := written[r]; {
		case r < 0x80:
			b.WriteRune(r)
		case unicode.Is(unicode.Mn, r):
		case known:
			b.WriteString(text)
		case unicode.IsSpace(r):
			b.WriteByte(' ')
		default:
			b.WriteByte('-')
		}
	}
	return b.String()
}
