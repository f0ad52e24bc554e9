package speech

import (
	"math"
	"strings"
	"testing"
)

func TestScriptMarks(t *testing.T) {
	got, err := ParseScript("Is it late? [pause 1.2] [whisper] He's here, {m aa r l ow}. [shout 7] Run!")
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 4 {
		t.Fatalf("%d sentences, want 4: %+v", len(got), got)
	}
	if !got[0].Words[2].Question || got[0].Style != Plain || got[0].Text != "Is it late?" {
		t.Errorf("question: %+v", got[0])
	}
	if got[1].PauseS != 1.2 || len(got[1].Words) != 0 {
		t.Errorf("pause: %+v", got[1])
	}
	w := got[2]
	if w.Style != Whisper || w.LevelDB != -22 || !w.Words[1].Comma || strings.Join(w.Words[2].Phones, " ") != "m aa r l ow" {
		t.Errorf("whisper: %+v", w)
	}
	if got[3].Style != Shout || got[3].LevelDB != 7 {
		t.Errorf("shout: %+v", got[3])
	}
	for text, part := range map[string]string{
		"In 1900 it rained.": "in words", "[loud] No.": "none of", "[pause] No.": "none of", "{m oo n} rose.": `"oo"`, "[shout": "nothing closes",
	} {
		if _, err := ParseScript(text); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("%q: %v, want %q in it", text, err, part)
		}
	}
}

// TestSpelling pins a few words of each kind of rule.
func TestSpelling(t *testing.T) {
	s := newSpeller()
	for word, want := range map[string]string{
		"lantern": "l ae n t er n", "salt": "s ao l t", "night": "n ay t", "whistle": "w ih s ax l", "shone": "sh ow n", "counted": "k aw n t ih d",
		"walked": "w ao k t", "stones": "s t ow n z", "sell": "s eh l", "stair": "s t eh r", "judge": "jh ah jh", "the": "dh ax", "ring": "r ih ng",
		"knife": "n ay f", "boxes": "b aa k s ih z",
	} {
		if got := strings.Join(s.phones(word), " "); got != want {
			t.Errorf("%s: %s, want %s", word, got, want)
		}
	}
	for _, list := range rules {
		for _, r := range list {
			for _, p := range strings.Fields(r.phones) {
				if _, ok := phones[p]; !ok {
					t.Errorf("rule %q makes %q, which is no phone", r.letters, p)
				}
			}
		}
	}
	for word, text := range spoken {
		for _, p := range strings.Fields(text) {
			if _, ok := phones[p]; !ok {
				t.Errorf("%q is spoken with %q, which is no phone", word, p)
			}
		}
	}
}

// TestPulse: the model's own conditions (Fant, Liljencrants and Lin 1985). The
// flow returns to zero after a period, and its derivative is least, -1, at te.
func TestPulse(t *testing.T) {
	for rd := 0.4; rd < 2.6; rd += 0.2 {
		x, te := lfPulse(rd)
		sum, least, at := 0.0, 0.0, 0
		for i, v := range x {
			sum += v / pulseLen
			if v < least {
				least, at = v, i
			}
		}
		if math.Abs(sum) > 2e-3 {
			t.Errorf("Rd %.1f: flow ends at %g", rd, sum)
		}
		if math.Abs(least+1) > 0.05 || math.Abs(float64(at)/pulseLen-te) > 2.0/pulseLen {
			t.Errorf("Rd %.1f: least %g at %.4f, want -1 at %.4f", rd, least, float64(at)/pulseLen, te)
		}
	}
}

// TestSeedNamesTheSamples: same seed, same samples and marks; another seed, others.
func TestSeedNamesTheSamples(t *testing.T) {
	v, ok := VoiceNamed("quill")
	if !ok {
		t.Fatal("no voice")
	}
	say := func(seed uint64) Take {
		take, err := New(v, 44100, seed).Speak(Calibration()[0])
		if err != nil {
			t.Fatal(err)
		}
		return take
	}
	a, b, c := say(1), say(1), say(2)
	same := func(a, b Take) bool {
		if len(a.Samples) != len(b.Samples) {
			return false
		}
		for i := range a.Samples {
			if a.Samples[i] != b.Samples[i] {
				return false
			}
		}
		return true
	}
	if !same(a, b) {
		t.Error("one seed gave two readings")
	}
	if same(a, c) {
		t.Error("two seeds gave one reading")
	}
}

// TestMarksTile: words follow one another, phones fill their words.
func TestMarksTile(t *testing.T) {
	v, _ := VoiceNamed("wren")
	list, err := ParseScript("The cattle crossed, and seven sisters counted them.")
	if err != nil {
		t.Fatal(err)
	}
	take, err := New(v, 48000, 3).Speak(list[0])
	if err != nil {
		t.Fatal(err)
	}
	var words, phonesIn int
	var word Mark
	at := int64(0)
	for _, m := range take.Marks {
		switch m.Kind {
		case "word":
			if at != word.To {
				t.Errorf("phones of %q end at %d, the word at %d", word.Text, at, word.To)
			}
			if m.From < word.To {
				t.Errorf("%q begins before %q ends", m.Text, word.Text)
			}
			word, at = m, m.From
			words++
		case "phone":
			if m.From != at || m.To <= m.From {
				t.Errorf("phone %q is %d to %d, want it from %d", m.Text, m.From, m.To, at)
			}
			at = m.To
			phonesIn++
		}
	}
	if words != len(list[0].Words) || phonesIn < 20 || at != word.To || word.To != take.Marks[0].To {
		t.Errorf("%d words, %d phones, last ends at %d, sentence at %d", words, phonesIn, at, take.Marks[0].To)
	}
}
