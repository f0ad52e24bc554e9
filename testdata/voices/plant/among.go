package plant

import (
	"fmt"
	"regexp"
	"strings"

	"chapterhouse/testdata/voices/booth"
	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/narration"
)

// A Chapter is one of a title's, as the others are.
type Chapter struct {
	reading narration.Reading
	lines   []string
	bed     *Bed
}

// NewChapter reads a chapter of so many seconds, about.
func NewChapter(r narration.Reading, seconds float64) (*Chapter, error) {
	t := newText(r.Seed, false)
	t.begin()
	t.tell(seconds)
	c := &Chapter{reading: r, lines: strings.Split(strings.TrimSpace(t.out.String()), "\n")}
	c.reading.Text = t.out.String()
	var err error
	c.bed, err = NewBed(c.reading)
	return c, err
}

var marks = regexp.MustCompile(`\[[^]]*\]`)

// Said is the chapter's text, without marks.
func (c *Chapter) Said() string { return marks.ReplaceAllString(strings.Join(c.lines, " "), "") }

// Scene is the chapter as it is.
func (c *Chapter) Scene() Scene { return c.bed.layer(exact.NewRandom(1, "as it is")).scene(nil) }

// A change is what is done to a chapter.
type change struct {
	*Chapter
	random  *exact.Random
	layer   *Layer
	reading *narration.Reading // where the chapter has to be read again
	said    string
}

// Change is the chapter with a fault that only shows beside the others, and what
// its text is said to be.
func (c *Chapter) Change(w Wanted, seed uint64) (Scene, string, error) {
	r := exact.NewRandom(seed, w.Kind.Name)
	ch := &change{Chapter: c, random: r, layer: c.bed.layer(r), said: c.Said()}
	w.Kind.turn(ch, w.Kind.Sizes[w.Level])
	if ch.reading == nil {
		return ch.layer.scene([]Plant{w.plant([]Span{{0, len(ch.layer.voice)}})}), ch.said, nil
	}
	s := Scene{RateHz: c.reading.RateHz}
	_, err := ch.reading.Record(func(block []float64) error {
		s.Mono = append(s.Mono, block...)
		return nil
	})
	convert(s.Mono)
	s.Plants = []Plant{w.plant([]Span{{0, len(s.Mono)}})}
	return s, ch.said, err
}

// otherLevel is a gain that was touched; of much gain only down, for what is up
// runs into the converter's end.
func otherLevel(c *change, db float64) {
	up := sign(c.random)
	if db > 6 {
		up = -1
	}
	c.layer.late = append(c.layer.late, func(x []float64) { amplify(x, exact.Amplitude(up*db)) })
}

// movedMicrophone is more or less of the chest.
func movedMicrophone(c *change, db float64) {
	voice := append([]float64(nil), c.bed.voice...)
	bell(c.random.Between(150, 400), 1, db*sign(c.random), float64(c.bed.rateHz)).run(voice)
	c.layer.Bed = &Bed{rateHz: c.bed.rateHz, voice: voice, noise: c.bed.noise}
}

// otherFloor is a louder or a quieter room.
func otherFloor(c *change, db float64) {
	c.layer.room = append([]float64(nil), c.bed.noise...)
	amplify(c.layer.room, exact.Amplitude(db*sign(c.random)))
}

// otherPace is the chapter read faster or slower by so many per cent, pauses
// and all.
func otherPace(c *change, pct float64) {
	pct *= sign(c.random)
	again := c.Chapter.reading
	var text strings.Builder
	for _, line := range c.lines {
		if strings.HasPrefix(line, "[") {
			fmt.Fprintln(&text, line)
			continue
		}
		// A line holds one sentence or more, each with a mark of its own.
		for _, s := range strings.SplitAfter(line, ".") {
			if strings.TrimSpace(s) != "" {
				fmt.Fprintf(&text, "[pace %.1f] %s\n", pct, s)
			}
		}
	}
	again.Text = text.String()
	again.Manner.PauseS /= 1 + pct/100
	c.reading = &again
}

// bareWalls is the booth without what took its sound, so that it falls by 60 dB
// in so many seconds.
func bareWalls(c *change, seconds float64) {
	again := c.Chapter.reading
	room, err := booth.Parse(again.Booth)
	if err != nil {
		panic(err) // it was read in it
	}
	again.Booth = room.Reverberant(seconds).String()
	c.reading = &again
}

// otherText is a text that has so many per cent more or less than what was read:
// a page left out, or a passage read twice.
func otherText(c *change, pct float64) {
	words := strings.Fields(c.said)
	n := len(words)
	if c.random.Intn(2) == 0 {
		// n words are pct per cent less than the text has.
		extra := int(float64(float64(n)*pct) / (100 - pct))
		at := c.random.Intn(max(1, n-extra))
		words = append(words, words[at:min(n, at+extra)]...)
	} else {
		words = words[:int(float64(float64(n)*100)/(100+pct))]
	}
	c.said = strings.Join(words, " ")
}
