package speech

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
)

// Style is how a sentence is spoken.
type Style string

const (
	Plain   Style = "plain"
	Whisper Style = "whisper"
	Shout   Style = "shout"
)

// LevelDB is the usual level of a style against plain speech.
func (s Style) LevelDB() float64 {
	switch s {
	case Whisper:
		return -22
	case Shout:
		return 15
	}
	return 0
}

// A Sentence is a line of a script: words, or a pause when it has none.
type Sentence struct {
	Text    string
	Words   []Word
	Style   Style
	LevelDB float64 // against plain speech
	Even    bool    // no chance in the level
	PauseS  float64 // a pause of exactly this length instead of words

	PacePct float64 // faster than usual, %
	PitchST float64 // higher than usual, semitones
	EssDB   float64 // on the frication of its esses
}

// A Word is what one or more phones are for. Comma tells that a pause within
// the sentence follows; a question rises at its end.
type Word struct {
	Text     string
	Phones   []string // given in the script as {m aa r l ow}; else spelt by rule
	Comma    bool
	Question bool
}

// ParseScript reads a narration script: prose, with marks in square brackets
// before a sentence: [whisper], [shout], either with a level in dB against
// plain speech ([shout 7]), [pause 1.2] in seconds, and for another reading of
// the same words [pace -4] in per cent, [pitch 0.5] in semitones and [ess 6] in
// dB. {m aa r l ow} gives a word by its phones.
func ParseScript(text string) ([]Sentence, error) {
	var out []Sentence
	now := Sentence{Style: Plain}
	flush := func() {
		if len(now.Words) > 0 {
			out = append(out, now)
			now = Sentence{Style: Plain}
		}
	}
	for i := 0; i < len(text); {
		switch c := text[i]; {
		case c == '[' || c == '{':
			closing := map[byte]string{'[': "]", '{': "}"}[c]
			end := strings.Index(text[i:], closing)
			if end < 0 {
				return nil, fmt.Errorf("script: %q opens at byte %d and nothing closes it", c, i)
			}
			fields := strings.Fields(text[i+1 : i+end])
			i += end + 1
			if c == '{' {
				if err := now.addPhones(fields); err != nil {
					return nil, err
				}
				continue
			}
			flush()
			pause, err := now.mark(fields)
			if err != nil {
				return nil, err
			}
			if pause > 0 {
				out = append(out, Sentence{Style: Plain, PauseS: pause})
			}
		case c == '.' || c == '!' || c == '?':
			if n := len(now.Words); n > 0 {
				now.Words[n-1].Question = c == '?'
				now.Text += string(c)
			}
			flush()
			i++
		case c == ',' || c == ';' || c == ':':
			if n := len(now.Words); n > 0 {
				now.Words[n-1].Comma = true
				now.Text += string(c)
			}
			i++
		case isLetter(c):
			end := i
			for end < len(text) && (isLetter(text[end]) || text[end] == '\'') {
				end++
			}
			word := text[i:end]
			now.append(word, Word{Text: word})
			i = end
		case unicode.IsDigit(rune(c)):
			return nil, fmt.Errorf("script: write the number at byte %d in words", i)
		default:
			i++
		}
	}
	flush()
	return out, nil
}

func isLetter(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' }

func (s *Sentence) append(text string, w Word) {
	if s.Text != "" {
		s.Text += " "
	}
	s.Text += text
	s.Words = append(s.Words, w)
}

func (s *Sentence) addPhones(names []string) error {
	if len(names) == 0 {
		return fmt.Errorf("script: {} holds no phones")
	}
	for _, n := range names {
		if _, ok := phones[n]; !ok {
			return fmt.Errorf("script: no phone is called %q", n)
		}
	}
	s.append("{"+strings.Join(names, " ")+"}", Word{Text: strings.Join(names, "-"), Phones: names})
	return nil
}

// mark applies a bracket to the sentence to come, or returns a pause.
func (s *Sentence) mark(fields []string) (float64, error) {
	bad := fmt.Errorf("script: [%s] is none of [whisper], [shout], [whisper -18], [shout 7], [pause 1.2], [pace -4], [pitch 0.5], [ess 6]", strings.Join(fields, " "))
	if len(fields) == 0 || len(fields) > 2 {
		return 0, bad
	}
	number, given := 0.0, len(fields) == 2
	if given {
		var err error
		if number, err = strconv.ParseFloat(fields[1], 64); err != nil {
			return 0, bad
		}
	}
	switch style := Style(fields[0]); {
	case style == Whisper || style == Shout || style == Plain:
		s.Style, s.LevelDB = style, style.LevelDB()
		if given {
			s.LevelDB = number
		}
		return 0, nil
	case fields[0] == "pause" && given && number > 0:
		return number, nil
	case fields[0] == "pace" && given && math.Abs(number) <= 30:
		s.PacePct = number
		return 0, nil
	case fields[0] == "pitch" && given && math.Abs(number) <= 6:
		s.PitchST = number
		return 0, nil
	case fields[0] == "ess" && given && math.Abs(number) <= 20:
		s.EssDB = number
		return 0, nil
	}
	return 0, bad
}
