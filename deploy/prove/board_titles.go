package main

import (
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/manuscript"
	"chapterhouse/testdata/voices/plant"
)

const (
	titleChapters = 7     // one that is changed, six beside it
	titleChapterS = 140.0 // read 30 % faster there is still a minute of speech, under which nothing is judged beside others
)

// titles hears a title of the n-th voice, and each of its chapters with faults
// that only show beside the others.
func (s boardSide) titles(kinds []plant.Kind, n int) (tally, error) {
	t := newTally()
	r := s.reading(n * len(s.voices) / s.titleVoices())
	var title check.Title
	var chapters []*plant.Chapter
	for i := range titleChapters {
		r.Seed = s.seed + uint64(3000+100*n+i)
		c, err := plant.NewChapter(r, titleChapterS)
		if err != nil {
			return t, err
		}
		chapters = append(chapters, c)
		h, err := hear(playScene(c.Scene()), nil)
		if err != nil {
			return t, err
		}
		outcome := h.chapter(i+1, r.Voice)
		if outcome.Text, err = counted(c.Said()); err != nil {
			return t, err
		}
		title.Chapters = append(title.Chapters, outcome)
	}
	for i := range s.slow(s.titleVoices()) {
		at := i % titleChapters
		for _, k := range kinds {
			for level := range k.Sizes {
				scene, said, err := chapters[at].Change(plant.Wanted{Kind: k, Level: level}, r.Seed+uint64(1000*i))
				if err != nil {
					return t, err
				}
				h, err := hear(playScene(scene), nil)
				if err != nil {
					return t, err
				}
				as := title.Chapters[at]
				title.Chapters[at] = h.chapter(at+1, r.Voice)
				if title.Chapters[at].Text, err = counted(said); err != nil {
					return t, err
				}
				t.score(scene, check.Read(checksFor(scene), title, at))
				title.Chapters[at] = as
			}
		}
	}
	return t, nil
}

// titleVoices is how many voices read a title: all, of a small share of the board
// one of four.
func (s boardSide) titleVoices() int {
	if s.size < smallSize {
		return max(1, len(s.voices)/4)
	}
	return len(s.voices)
}

// counted is how much a text has to say.
func counted(said string) (*pipeline.Text, error) {
	text, err := manuscript.Count([]byte(said), "eng")
	return &text, err
}
