// Package manuscript counts what a chapter's text has to say: words and
// syllables, from which its length at a narrator's own pace follows.
package manuscript

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"chapterhouse/pipeline"

	"golang.org/x/text/unicode/norm"
)

// MaxBytes bounds one chapter's text: four hours of it.
const MaxBytes = 1 << 20

// Count counts a text in a language (ISO 639-2, "" for unknown). It is an
// estimate by spelling: groups of vowels, with English's silent endings; a sign
// of a script without an alphabet is one syllable, a figure two. What it errs in
// is much the same from chapter to chapter, and so comes out of the comparison.
func Count(text []byte, language string) (pipeline.Text, error) {
	if len(text) > MaxBytes {
		return pipeline.Text{}, fmt.Errorf("is longer than %d MiB; give the chapter's text alone", MaxBytes>>20)
	}
	if !utf8.Valid(text) {
		return pipeline.Text{}, errors.New("is no UTF-8 text; save it as plain text in UTF-8")
	}
	var t pipeline.Text
	for _, word := range strings.FieldsFunc(string(norm.NFC.Bytes(text)), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsMark(r) && !unicode.IsDigit(r) && r != '\'' && r != '’'
	}) {
		if n := syllables(strings.ToLower(word), language == "eng" || language == ""); n > 0 {
			t.Words++
			t.Syllables += n
		}
	}
	if t.Words == 0 {
		return t, errors.New("holds no words; give the chapter's text")
	}
	return t, nil
}

const vowels = "aeiouyæøœıαεηιουωаеёиоуыэюяіїєў"

// syllables counts those of a word in small letters.
func syllables(word string, english bool) (n int) {
	letters := make([]rune, 0, len(word))
	for _, r := range word {
		switch {
		case unicode.IsDigit(r):
			n += 2
		case unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana, unicode.Hangul):
			n++
		case unicode.IsLetter(r):
			base, _ := utf8.DecodeRuneInString(norm.NFD.String(string(r)))
			letters = append(letters, base)
		}
	}
	if len(letters) == 0 {
		return n
	}
	groups := groupsOf(letters)
	if english {
		groups -= silent(string(letters))
	}
	return n + max(1, groups)
}

func groupsOf(letters []rune) (n int) {
	before := false
	for _, r := range letters {
		vowel := strings.ContainsRune(vowels, r)
		if vowel && !before {
			n++
		}
		before = vowel
	}
	return n
}

// silent is 1 for an English ending that is written with a vowel and spoken
// without: "made", "walked", "times"; not "table", "wanted", "houses".
func silent(word string) int {
	vowelBefore := func(ending string) bool { // the letter in front of the ending is a vowel: it is one group with it
		stem := strings.TrimSuffix(word, ending)
		return stem == "" || strings.ContainsRune(vowels, rune(stem[len(stem)-1]))
	}
	switch {
	case strings.HasSuffix(word, "le") && len(word) > 2 && !vowelBefore("le"):
		return 0
	case strings.HasSuffix(word, "e") && !vowelBefore("e"):
		return 1
	case strings.HasSuffix(word, "ed") && !vowelBefore("ed"):
		if strings.HasSuffix(word, "ted") || strings.HasSuffix(word, "ded") {
			return 0
		}
		return 1
	case strings.HasSuffix(word, "es") && !vowelBefore("es"):
		for _, hiss := range []string{"ses", "zes", "xes", "ces", "ges", "ches", "shes"} {
			if strings.HasSuffix(word, hiss) {
				return 0
			}
		}
		return 1
	}
	return 0
}
