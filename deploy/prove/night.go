package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
)

// A night is a title in a house of its own, ready to be processed.
type night struct {
	house      string   // folder
	title      string   // folder in it
	recordings []string // one a chapter, 24-bit WAV
	files      int      // that it is to deliver
}

// A recording is narration to be generated.
type recording struct {
	minutes float64
	seed    uint64
}

// voiceArgs are the demo house's first narrator on one day of hers: her chain
// stands beside it.
var voiceArgs = []string{"-voice", "marlow", "-spread", "0.75", "-booth", "1.3x1.7x2.05,low=0.26,high=0.66",
	"-speech", "-22.5", "-noise", "brown:-73,pink:-73.5,hiss:-84", "-pause", "0.92", "-pause-min", "0.78", "-breaths", "35", "-clicks", "2"}

// newHouse makes a house with the demo's narrators and one title, mastered to
// a spec; specText is the spec's own file, or none for a built-in one with one
// format. Recordings are generated, two at a time.
func (s *site) newHouse(ctx context.Context, spec, specText string, recordings ...recording) (night, error) {
	voices, err := s.build(ctx, "./testdata/voices")
	if err != nil {
		return night{}, err
	}
	house, err := os.MkdirTemp(s.dir, "house-")
	if err != nil {
		return night{}, err
	}
	n := night{house: house, title: filepath.Join(house, "titles", "one"), files: len(recordings)}
	if err := os.CopyFS(filepath.Join(house, "narrators"), os.DirFS(filepath.Join(s.root, "testdata", "house", "narrators"))); err != nil {
		return n, err
	}
	title := "title: One\nnarrator: ines-marlow\nsetup: cupboard\nspecs: [" + spec + "]\nchapters:\n"
	for i := range recordings {
		title += fmt.Sprintf("  - {chapter: Chapter %d, file: %d.wav, session: one}\n", i+1, i+1)
		n.recordings = append(n.recordings, filepath.Join(n.title, fmt.Sprintf("%d.wav", i+1)))
	}
	texts := map[string]string{"house.yaml": "house: proof\n", "titles/one/title.yaml": title}
	if specText != "" {
		texts["specs/"+spec+".yaml"] = specText
		n.files *= strings.Count(specText, "format:")
	}
	for name, text := range texts {
		path := filepath.Join(house, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return n, err
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			return n, err
		}
	}
	s.say("narrating %d x %g minutes", len(recordings), recordings[0].minutes)
	errs := make([]error, len(recordings))
	var made sync.WaitGroup
	turn := make(chan struct{}, 2)
	for i, r := range recordings {
		made.Go(func() {
			turn <- struct{}{}
			defer func() { <-turn }()
			args := append([]string{"-minutes", strconv.FormatFloat(r.minutes, 'f', -1, 64), "-seed", strconv.FormatUint(r.seed, 10), "-out", n.recordings[i]}, voiceArgs...)
			_, errs[i] = call(ctx, nil, voices, args...)
		})
	}
	made.Wait()
	return n, firstError(errs...)
}
