package speech

import (
	"regexp"
	"strings"
)

// A rule turns letters into phones where what stands before and after fits.
// Rules are tried in order; the first that fits wins.
type rule struct {
	before, letters, after string // before and after are regular expressions
	phones                 string
}

const (
	vow  = `[aeiouy]`
	cons = `[bcdfghjklmnpqrstvwxz]`
)

// rules pronounce English well enough for test narration: a listener follows
// the invented texts, though with the mistakes of someone who knows words from print alone.
var rules = map[byte][]rule{
	'a': {
		{``, "augh", ``, "ao"}, {``, "au", ``, "ao"}, {``, "aw", ``, "ao"}, {``, "air", ``, "eh r"}, {``, "ai", ``, "ey"},
		{``, "ay", ``, "ey"}, {``, "are", `$`, "eh r"}, {`w`, "ar", ``, "ao r"}, {``, "ar", ``, "aa r"}, {``, "alk", ``, "ao k"},
		{``, "all", ``, "ao l"}, {``, "al", `[tdm]`, "ao l"}, {``, "ange", ``, "ey n jh"}, {``, "aste", ``, "ey s t"},
		{`^w`, "a", `[st]`, "aa"}, {`^`, "a", cons + vow, "ax"}, {``, "a", `$`, "ax"}, {``, "a", `[bcdfgklmnpstvz]e`, "ey"},
		{``, "a", `[bcdfgklmnpstvz]ing`, "ey"}, {``, "able", `$`, "ax b ax l"}, {`.` + vow + `.*`, "al", `$`, "ax l"},
		{`.` + vow + `.*`, "ace", `$`, "ih s"}, {``, "a", `nt$`, "ae"}, {``, "a", ``, "ae"},
	},
	'b': {{`m`, "b", `$`, ""}, {``, "bb", ``, "b"}, {``, "b", ``, "b"}},
	'c': {{``, "ck", ``, "k"}, {``, "cc", `[eiy]`, "k s"}, {``, "cc", ``, "k"}, {``, "ch", ``, "ch"}, {`s`, "c", `[eiy]`, ""},
		{``, "c", `[eiy]`, "s"}, {``, "c", ``, "k"}},
	'd': {{``, "dge", ``, "jh"}, {``, "dd", ``, "d"}, {``, "d", ``, "d"}},
	'e': {
		{``, "ear", `[dlnt]`, "er"}, {``, "ear", ``, "ih r"}, {``, "eer", ``, "ih r"}, {``, "eigh", ``, "ey"}, {``, "ee", ``, "iy"},
		{``, "ea", `[dt]h?$`, "eh"}, {``, "ea", `[sv][tuey]`, "eh"}, {``, "ea", ``, "iy"}, {``, "ei", ``, "iy"}, {``, "ew", ``, "uw"},
		{``, "eu", ``, "uw"}, {``, "ey", `$`, "iy"}, {``, "ey", ``, "ey"}, {`[td]`, "ed", `$`, "ih d"}, {`[pkfsxcht]`, "ed", `$`, "t"},
		{`.`, "ed", `$`, "d"}, {`[sxz]`, "es", `$`, "ih z"}, {`[cs]h`, "es", `$`, "ih z"}, {`[cg]`, "es", `$`, "ih z"},
		{`.` + cons, "es", `$`, "z"}, {vow + cons + `+`, "el", `$`, "ax l"}, {`^` + cons + `*`, "er", `[aeiou]`, "eh r"},
		{``, "er", ``, "er"}, {`^` + cons + `+`, "e", `$`, "iy"}, {``, "e", `$`, ""}, {vow + cons + `+`, "e", `(ly|ness|less|ful)`, ""},
		{`^(b|d|r)`, "e", cons + vow, "ih"}, {`.` + vow + `.*`, "en", `$`, "ax n"}, {`.` + vow + `.*`, "e", `(nt|nce)`, "ax"},
		{``, "e", ``, "eh"},
	},
	'f': {{``, "ff", ``, "f"}, {``, "f", ``, "f"}},
	'g': {{``, "gh", `t`, ""}, {`[aeiou]`, "gh", ``, ""}, {``, "gg", ``, "g"}, {`^`, "g", `(et|iv|ir)`, "g"}, {`^`, "gn", ``, "n"},
		{``, "g", `[ey]`, "jh"}, {``, "g", ``, "g"}},
	'h': {{`[aeiou]`, "h", `(` + cons + `|$)`, ""}, {``, "h", ``, "hh"}},
	'i': {
		{``, "igh", ``, "ay"}, {``, "ield", ``, "iy l d"}, {``, "ie", `(s|d)?$`, "iy"}, {``, "ie", ``, "iy"}, {``, "ind", `$`, "ay n d"},
		{``, "ild", `$`, "ay l d"}, {``, "ire", ``, "ay er"}, {``, "ir", ``, "er"}, {``, "ing", `(s|ly)?$`, "ih ng"}, {``, "ion", ``, "ax n"},
		{``, "i", `[bcdfgklmnpstvz]e`, "ay"}, {``, "i", `[bcdfgklmnpstvz]ing`, "ay"}, {``, "i", `$`, "iy"}, {``, "i", `[ao]`, "iy"},
		{``, "i", ``, "ih"},
	},
	'j': {{``, "j", ``, "jh"}},
	'k': {{`^`, "k", `n`, ""}, {``, "k", ``, "k"}},
	'l': {{vow + cons, "le", `$`, "ax l"}, {cons, "le", `(s|d)?$`, "ax l"}, {``, "ll", ``, "l"}, {``, "l", `[km]`, ""}, {``, "l", ``, "l"}},
	'm': {{``, "mm", ``, "m"}, {``, "m", ``, "m"}},
	'n': {{``, "ng", `(s|ed)?$`, "ng"}, {``, "ng", `l`, "ng g"}, {``, "nk", ``, "ng k"}, {``, "nn", ``, "n"}, {`m`, "n", `$`, ""}, {``, "n", ``, "n"}},
	'o': {
		{``, "ough", `t`, "ao"}, {``, "ough", ``, "ow"}, {``, "ould", ``, "uh d"}, {``, "oor", ``, "ao r"}, {``, "ook", ``, "uh k"},
		{``, "oo", `d`, "uh"}, {``, "oo", ``, "uw"}, {``, "our", ``, "ao r"}, {``, "ous", `$`, "ax s"}, {``, "ou", ``, "aw"}, {``, "oa", `r`, "ao"},
		{``, "oa", ``, "ow"}, {``, "oi", ``, "oy"}, {``, "oy", ``, "oy"}, {``, "own", `$`, "aw n"}, {``, "ow", `(s|ed|ing|l)?$`, "ow"},
		{``, "ow", ``, "aw"}, {`w`, "or", ``, "er"}, {`.` + vow + `.*`, "or", `$`, "er"}, {``, "ore", ``, "ao r"}, {``, "or", ``, "ao r"},
		{``, "old", ``, "ow l d"}, {``, "ost", `$`, "ow s t"}, {``, "ove", ``, "ah v"}, {``, "o", `(ther|n[ek]?y)`, "ah"},
		{``, "o", `[bcdfgklmnpstvz]e`, "ow"}, {``, "o", `[bcdfgklmnpstvz]ing`, "ow"}, {``, "o", `(es)?$`, "ow"},
		{`.` + vow + `.*`, "on", `$`, "ax n"}, {``, "o", ``, "aa"},
	},
	'p': {{``, "ph", ``, "f"}, {``, "pp", ``, "p"}, {``, "p", ``, "p"}},
	'q': {{``, "qu", ``, "k w"}, {``, "q", ``, "k"}},
	'r': {{``, "rr", ``, "r"}, {``, "r", ``, "r"}},
	's': {{``, "sch", ``, "s k"}, {``, "sh", ``, "sh"}, {``, "ssion", ``, "sh ax n"}, {``, "sion", ``, "zh ax n"}, {``, "ss", ``, "s"},
		{vow, "sure", ``, "zh er"}, {`[ptkf]`, "s", `$`, "s"}, {`[bdglmnrvwaeiouy]`, "s", `$`, "z"}, {vow, "s", `e$`, "z"}, {vow, "s", `(y|ing)$`, "z"},
		{``, "s", ``, "s"}},
	't': {{``, "tch", ``, "ch"}, {`^`, "th", `(e|i|a|o|u)(n|m|s|y|re|r|at|t|ir|ose|ough|us)?$`, "dh"}, {vow, "th", `er`, "dh"}, {``, "th", ``, "th"},
		{``, "tion", ``, "sh ax n"}, {``, "ture", ``, "ch er"}, {`s`, "t", `(le|en)`, ""}, {``, "tt", ``, "t"}, {``, "t", ``, "t"}},
	'u': {{``, "ur", ``, "er"}, {`g`, "u", vow, ""}, {`[rlj]`, "u", `[bcdfgklmnpstvz]e`, "uw"}, {``, "u", `[bcdfgklmnpstvz]e`, "y uw"},
		{``, "ui", ``, "ih"}, {``, "ue", `$`, "uw"}, {`^(b|p|f)`, "u", `(ll|sh|t$)`, "uh"}, {``, "u", `$`, "uw"}, {``, "u", ``, "ah"}},
	'v': {{``, "v", ``, "v"}},
	'w': {{``, "wh", `o`, "hh"}, {``, "wh", ``, "w"}, {`^`, "w", `r`, ""}, {``, "w", ``, "w"}},
	'x': {{`^`, "x", ``, "z"}, {``, "x", ``, "k s"}},
	'y': {{`^`, "y", ``, "y"}, {`^` + cons + `+`, "y", `$`, "ay"}, {``, "y", `$`, "iy"}, {`^` + cons + `+`, "y", cons + `e`, "ay"}, {``, "y", ``, "ih"}},
	'z': {{``, "zz", ``, "z"}, {``, "z", ``, "z"}},
}

// spoken are words that the rules get wrong and every page has.
var spoken = map[string]string{
	"a": "ax", "the": "dh ax", "of": "ah v", "to": "t uw", "was": "w aa z", "were": "w er", "are": "aa r", "one": "w ah n",
	"two": "t uw", "four": "f ao r", "eight": "ey t", "said": "s eh d", "says": "s eh z", "who": "hh uw", "what": "w aa t", "water": "w ao t er",
	"there": "dh eh r", "their": "dh eh r", "they": "dh ey", "have": "hh ae v", "had": "hh ae d", "has": "hh ae z", "you": "y uw",
	"your": "y ao r", "some": "s ah m", "come": "k ah m", "once": "w ah n s", "only": "ow n l iy", "been": "b ih n", "any": "eh n iy",
	"many": "m eh n iy", "eyes": "ay z", "i": "ay", "is": "ih z", "his": "hh ih z", "as": "ae z", "this": "dh ih s", "that": "dh ae t",
	"than": "dh ae n", "then": "dh eh n", "them": "dh eh m", "these": "dh iy z", "he": "hh iy", "she": "sh iy", "we": "w iy", "me": "m iy",
	"be": "b iy", "do": "d uw", "does": "d ah z", "done": "d ah n", "gone": "g ao n", "none": "n ah n", "door": "d ao r", "again": "ax g eh n",
	"against": "ax g eh n s t", "people": "p iy p ax l", "heart": "hh aa r t", "give": "g ih v", "live": "l ih v", "put": "p uh t",
	"pull": "p uh l", "push": "p uh sh", "full": "f uh l", "both": "b ow th", "own": "ow n", "down": "d aw n", "town": "t aw n",
	"know": "n ow", "now": "n aw", "how": "hh aw", "brown": "b r aw n", "island": "ay l ax n d", "half": "hh ae f", "boat": "b ow t",
	"into": "ih n t uw", "open": "ow p ax n", "over": "ow v er", "never": "n eh v er", "every": "eh v r iy", "father": "f aa dh er",
	"great": "g r ey t", "warm": "w ao r m", "word": "w er d", "words": "w er d z", "world": "w er l d", "could": "k uh d", "would": "w uh d",
	"should": "sh uh d", "with": "w ih dh", "from": "f r ah m", "or": "ao r", "no": "n ow", "so": "s ow", "go": "g ow", "my": "m ay", "by": "b ay",
	"hour": "aw er", "hours": "aw er z", "year": "y ih r", "years": "y ih r z", "through": "th r uw", "thought": "th ao t", "enough": "ih n ah f",
	"minute": "m ih n ih t", "second": "s eh k ax n d", "bread": "b r eh d", "head": "hh eh d", "dead": "d eh d", "road": "r ow d",
	"sea": "s iy", "tea": "t iy", "wind": "w ih n d", "move": "m uw v", "lose": "l uw z", "whose": "hh uw z", "woman": "w uh m ax n",
	"women": "w ih m ih n", "child": "ch ay l d", "children": "ch ih l d r ax n", "answer": "ae n s er", "listen": "l ih s ax n",
}

// weak words carry no accent.
var weak = wordSet(`a the of to and or but in on at by for from with as is was were are be been had has have he she it they we you i
	his her their its my your our this that these those than then there who what which would could should will if so not no into over
	said him them me us do does did up out off`)

func wordSet(text string) map[string]bool {
	set := map[string]bool{}
	for _, w := range strings.Fields(text) {
		set[w] = true
	}
	return set
}

// A speller turns words into phones and remembers them.
type speller struct {
	rules map[byte][]compiled
	known map[string][]string
}

type compiled struct {
	before, after *regexp.Regexp
	letters       string
	phones        []string
}

func newSpeller() *speller {
	s := &speller{rules: map[byte][]compiled{}, known: map[string][]string{}}
	for first, list := range rules {
		for _, r := range list {
			s.rules[first] = append(s.rules[first], compiled{
				before: regexp.MustCompile(r.before + `$`), after: regexp.MustCompile(`^(?:` + r.after + `)`),
				letters: r.letters, phones: strings.Fields(r.phones)})
		}
	}
	for word, text := range spoken {
		s.known[word] = strings.Fields(text)
	}
	return s
}

// phones pronounces one lower-case word of letters, apostrophes left out.
func (s *speller) phones(word string) []string {
	if p, ok := s.known[word]; ok {
		return p
	}
	var out []string
	for i := 0; i < len(word); {
		used := 1
		for _, r := range s.rules[word[i]] {
			if strings.HasPrefix(word[i:], r.letters) && r.before.MatchString(word[:i]) && r.after.MatchString(word[i+len(r.letters):]) {
				out = append(out, r.phones...)
				used = len(r.letters)
				break
			}
		}
		i += used
	}
	if len(out) == 0 {
		out = []string{"ax"}
	}
	s.known[word] = out
	return out
}
