package manuscript

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// Hand-counted words, and a few of other scripts.
func TestCount(t *testing.T) {
	for _, c := range []struct {
		text, language   string
		words, syllables int
	}{
		{"The tide made a table of the wanted houses.", "eng", 9, 12},
		{"She walked, she moved, she stopped; three times.", "", 8, 8},
		{"Don\u2019t!", "eng", 1, 1},
		{"In 47", "eng", 2, 5},
		{"Überfälle", "deu", 1, 4},
		{"café naïveté", "fra", 2, 5},
		{"молоко", "rus", 1, 3},
		{"한국어", "kor", 1, 3},
		{"川の水", "jpn", 1, 3},
		{"— … 'tis", "eng", 1, 1},
	} {
		got, err := Count([]byte(c.text), c.language)
		if err != nil || got.Words != c.words || got.Syllables != c.syllables {
			t.Errorf("%q has %+v (%v), want %d words of %d syllables", c.text, got, err, c.words, c.syllables)
		}
	}
	for _, bad := range []string{"", " \n—", "\xff\xfe"} {
		if got, err := Count([]byte(bad), "eng"); err == nil {
			t.Errorf("%q counts as %+v", bad, got)
		}
	}
}

// An independent program's phonemes: espeak-ng's own count of vowels in the
// same prose differs by 4 % at most.
func TestCountBesideEspeak(t *testing.T) {
	program, err := exec.LookPath("espeak-ng")
	if err != nil {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatal("espeak-ng is missing: install Debian's package espeak-ng")
		}
		t.Skip("espeak-ng is missing")
	}
	const prose = `The miller counted the sacks twice, and twice he arrived at a different number. Nobody in the valley believed that the river could be measured, though every winter somebody tried. She had carried the lantern across the frozen meadow, listening for the bell, and the bell had answered from the wrong side of the water. "You promised me a quiet morning," said the ferryman, turning his collar against the rain. Beneath the stairs they discovered a wooden instrument with seven broken strings and a name scratched into its lid. It was the smallest thing in the house, and everybody wanted it. Later, when the orchard had been sold and the gates were painted, he remembered how the apples used to fall: first one, then a long silence, then all the others together.`
	out, err := exec.Command(program, "-q", "-v", "en-gb", "--ipa=3", "--sep=_", prose).Output()
	if err != nil {
		t.Fatal(err)
	}
	const vowel = "aeiouɐɑɒæɔəɛɜɪʊʌyøœᵻɚɝ"
	want := len(strings.FieldsFunc(string(out), func(r rune) bool { return !strings.ContainsRune(vowel+"_ː", r) })) // a diphthong is tied by _
	got, err := Count([]byte(prose), "eng")
	if off := float64(got.Syllables)/float64(want) - 1; err != nil || off < -0.04 || off > 0.04 {
		t.Errorf("counted %d syllables (%v), espeak-ng speaks %d: %s", got.Syllables, err, want, fmt.Sprintf("%+.1f %%", 100*off))
	}
}
