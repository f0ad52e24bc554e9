package plant

import (
	"fmt"
	"slices"
	"strings"

	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/speech"
)

// text is a script in the making, whose sentences are counted.
type text struct {
	out       strings.Builder
	prose     *speech.Prose
	random    *exact.Random
	sentences int
	seconds   float64 // that it takes, about
	wanted    Wanted  // what is being written
	plants    []pending
}

// pending is a fault that is in the text: place finds it in what was read.
type pending struct {
	Plant
	place func(heard reading) ([]Span, bool)
	paste int // sentence that is pasted again; below 0: none
}

// lettersS is how many letters a second holds, about.
const lettersS = 14.0

// fastest is how many times as many the fastest voice may say.
const fastest = 1.6

func newText(seed uint64, whispers bool) *text {
	return &text{prose: &speech.Prose{Random: exact.NewRandom(seed, "prose"), Range: whispers}, random: exact.NewRandom(seed, "text")}
}

// say adds a line of the script.
func (t *text) say(line string) {
	fmt.Fprintln(&t.out, line)
	t.sentences += strings.Count(line, ".") + strings.Count(line, "!") + strings.Count(line, "?") - strings.Count(line[:strings.LastIndexByte(line, ']')+1], ".")
	t.seconds += float64(len(line))/lettersS + 0.9
}

// next is a sentence of prose as a line of a script.
func (t *text) next() string {
	s, _ := t.prose.Next()
	line := s.Text
	if n := len(s.Text); s.Text[n-1] != '.' && s.Text[n-1] != '!' && s.Text[n-1] != '?' {
		line += "."
	}
	switch s.Style {
	case speech.Whisper:
		return "[whisper] " + line
	case speech.Shout:
		return "[shout 8] " + line // what a gain for speech at -26 dBFS has room for
	}
	return line
}

func (t *text) tell(seconds float64) {
	for until := t.seconds + seconds; t.seconds < until; {
		t.say(t.next())
	}
}

// words are the first words of a sentence that take so long at least, without
// commas.
func (t *text) words(seconds float64) string {
	need := seconds * lettersS * fastest
	for {
		s, _ := t.prose.Next()
		var words []string
		letters := 0
		for _, w := range s.Words {
			words = append(words, w.Text)
			if letters += len(w.Text) + 1; float64(letters) >= need {
				return strings.Join(words, " ")
			}
		}
	}
}

func heading(random *exact.Random) string {
	return []string{"Chapter one.", "Chapter four. The weigh house.", "Chapter nine. A letter north.", "Part two.", "Chapter twelve. Frost.", "The second evening."}[random.Intn(6)]
}

// begin is a heading with the usual pause after it.
func (t *text) begin() {
	t.say(heading(t.random))
	t.pause(t.random.Between(1.4, 2.2))
}

func (t *text) pause(seconds float64) {
	fmt.Fprintf(&t.out, "[pause %.2f]\n", seconds)
	t.seconds += seconds
}

// CleanText is narration that nothing is wrong with, for so many seconds, about:
// prose with whispers and raised lines, and what repeats itself because it was
// written so: refrains, lists, "she said".
func CleanText(seed uint64, seconds float64) string {
	t := newText(seed, true)
	t.begin()
	refrain := []string{
		"And the bell rang over the harbour.",
		"Row, row, said the water, and they rowed.",
		"It was not the first time, and it would not be the last.",
		"So the lamp went round, and round again.",
	}[t.random.Intn(4)]
	lists := []string{
		"One for the miller, one for the mule, one for the man at the gate.",
		"There was rope in the boat, there was bread in the boat, there was salt in the boat.",
		"No light in the tower, no light in the lane, no light on the water.",
		"First came the baker, then came the baker's sister, then came the baker's dog.",
		"Ten days of rain. Ten days of wind. Ten days of nothing at all.",
	}
	talk := []string{"Are you coming", "I am coming", "Bring the lantern", "It is late", "Not tonight", "You said so yourself", "I never said that", "Then who did"}
	var last []string // a line that stood among them comes again later: nobody writes one twice in a row
	fresh := func(lines []string) string {
		for {
			line := lines[t.random.Intn(len(lines))]
			if !slices.Contains(last, line) {
				last = append(last[max(0, len(last)-3):], line)
				return line
			}
		}
	}
	for t.seconds < seconds {
		switch t.random.Intn(12) {
		case 0:
			if !slices.Contains(last, refrain) {
				t.say(fresh([]string{refrain}))
			}
		case 1:
			t.say(fresh(lists))
		case 11: // somebody tells at length, in a voice that is not the narrator's
			manner := fmt.Sprintf("[plain %.1f] [pitch %.1f] [pace %.0f] ", t.random.Between(-5, 4), t.random.Between(-3, 3), t.random.Between(-6, 6))
			for range 3 + t.random.Intn(5) {
				s, _ := t.prose.Next()
				t.say(manner + strings.TrimRight(s.Text, ".!?") + ".")
			}
		case 2, 3:
			who := []string{"she said", "he said", "said Mira", "said the clerk"}[t.random.Intn(4)]
			for range 2 + t.random.Intn(4) {
				t.say(fresh(talk) + ", " + who + ".")
			}
		default:
			t.say(t.next())
			last = last[min(1, len(last)):]
		}
	}
	return t.out.String()
}
