package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/codec"
	"chapterhouse/pipeline/house"
)

// processOptions are what a call may say of a title and its night.
type processOptions struct {
	title             string // folder
	house, store, out string
	specs             []string
	slots             int
	json, again       bool
	failOn, force     string
}

// openedTitle is a title's folder with its house, and where things go.
type openedTitle struct {
	folder     string
	house      *house.House
	title      pipeline.Title
	decisions  []pipeline.Decision
	notes      []pipeline.Note
	specs      []pipeline.Spec
	store, out string
}

// openTitle finds the house of a title's folder and reads both.
func openTitle(o processOptions) (openedTitle, error) {
	t := openedTitle{store: o.store, out: o.out}
	var err error
	if t.folder, err = filepath.Abs(o.title); err != nil {
		return t, pipeline.Errorf(pipeline.House, o.title, "%w", err)
	}
	if err := isFolder(t.folder, "name the folder that holds the title's recordings"); err != nil {
		return t, err
	}
	root := o.house
	if root != "" {
		if err := isFolder(root, "name the folder that holds house.yaml"); err != nil {
			return t, err
		}
	} else {
		root, _ = house.Find(t.folder)
	}
	if root == "" {
		t.house = house.Bare(t.folder)
	} else if t.house, err = house.Load(root); err != nil {
		return t, err
	}
	if t.title, t.decisions, err = t.house.Title(t.folder); err != nil {
		return t, err
	}
	var stray []pipeline.Finding
	if t.notes, stray, err = t.house.Notes(t.folder, t.title); err != nil {
		return t, err
	}
	t.title.Findings = append(t.title.Findings, stray...)
	t.title.Findings = t.house.Notices(t.title)
	names := o.specs
	if len(names) == 0 {
		names = t.title.Specs
	}
	if len(names) == 0 {
		names = t.house.Settings.Specs
	}
	for _, n := range names {
		s, ok := t.house.Specs[n]
		if !ok {
			return t, pipeline.Errorf(pipeline.House, "", "no spec is called %q here; there are %s", n, listed(t.house.Specs))
		}
		t.specs = append(t.specs, s)
	}
	if t.store == "" {
		t.store = filepath.Join(t.house.Root, ".chapterhouse")
	}
	if t.out == "" {
		t.out = filepath.Join(t.house.Root, "out")
	}
	return t, nil
}

// isFolder says in one sentence why a folder can't be opened and what to do.
func isFolder(path, remedy string) error {
	switch info, err := os.Stat(path); {
	case errors.Is(err, os.ErrNotExist):
		return pipeline.Errorf(pipeline.House, "", "there is no folder %s: %s", path, remedy)
	case err != nil:
		return pipeline.Errorf(pipeline.House, "", "%w: %s", err, remedy)
	case !info.IsDir():
		return pipeline.Errorf(pipeline.House, "", "%s is a file: %s", path, remedy)
	}
	return nil
}

// engineHere is this build with the encoders this machine has.
func engineHere() pipeline.Engine {
	stages := map[string]int{}
	for _, s := range chain.Builtin() {
		stages[s.Name] = s.Rev
	}
	encoders := map[pipeline.Format]string{pipeline.FLAC: codec.FLACEncoder, pipeline.WAV: codec.WAVEncoder}
	if lame, err := codec.FindLame(); err == nil {
		encoders[pipeline.MP3] = lame.Version
	}
	return pipeline.NewEngine(stages, encoders)
}

func workOf(co *coordinator.Coordinator, o pipeline.Outcome) (w reportWork) {
	c := co.Work()
	w.Profiled, w.Weighed, w.Rendered, w.Taken = c.Profiled, c.Weighed, c.Rendered, c.Taken
	if c == (coordinator.Work{}) { // the run had been closed before: all of it was there
		w.Taken = taken(o)
	}
	return w
}

// taken counts the results of a run that was closed before.
func taken(o pipeline.Outcome) (n int) {
	for _, ch := range o.Chapters {
		n += 2*len(ch.Parts) + len(ch.Files)
	}
	return n
}

func verdictFor(o pipeline.Outcome, failOn string) error {
	if failOn == "" || pipeline.Worse(o.Verdict, pipeline.Verdict(failOn)) != o.Verdict {
		return nil
	}
	return verdictError(fmt.Sprintf("%s: the verdict is %s", o.Title, o.Verdict))
}
