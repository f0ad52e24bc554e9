package main

import (
	"encoding/csv"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"chapterhouse/pipeline/check"
	"chapterhouse/testdata/voices/plant"
)

// clearLabel is the level of a labelled fault that is held against the board's
// limit; others only tell.
const clearLabel = "clear"

// A label is a fault that somebody heard in a file.
type label struct {
	fromS, toS  float64
	kind, level string
}

// readLabels reads a CSV file whose first line is file,start_s,end_s,kind,level.
func readLabels(path string) (map[string][]label, error) {
	in, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	lines, err := csv.NewReader(in).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if len(lines) == 0 || strings.Join(lines[0], ",") != "file,start_s,end_s,kind,level" {
		return nil, fmt.Errorf("%s: the first line has to be file,start_s,end_s,kind,level", path)
	}
	known := namings()
	all := map[string][]label{}
	for i, f := range lines[1:] {
		from, err := strconv.ParseFloat(f[1], 64)
		to, err2 := strconv.ParseFloat(f[2], 64)
		if err != nil || err2 != nil || from < 0 || to < from {
			return nil, fmt.Errorf("%s, line %d: %q to %q are no two times in seconds", path, i+2, f[1], f[2])
		}
		if _, ok := known[f[3]]; !ok {
			return nil, fmt.Errorf("%s, line %d: no kind is called %q: there are %s", path, i+2, f[3], strings.Join(slices.Sorted(maps.Keys(known)), ", "))
		}
		all[f[0]] = append(all[f[0]], label{from, to, f[3], f[4]})
	}
	return all, nil
}

// boardOfFiles is the board on recordings that somebody has labelled: every WAV
// and FLAC file of a folder, as one narrator's title. What no label accounts for
// is a false alarm.
func boardOfFiles(s *site, t *table) error {
	labels, err := readLabels(s.labels)
	if err != nil {
		return err
	}
	entries, err := os.ReadDir(s.files)
	if err != nil {
		return err
	}
	sum := newTally()
	var title check.Title
	var scenes []plant.Scene
	var names []string
	for _, e := range entries {
		if ext := strings.ToLower(filepath.Ext(e.Name())); ext != ".wav" && ext != ".flac" {
			continue
		}
		s.say("%s", e.Name())
		r, err := playFile(filepath.Join(s.files, e.Name()))
		if err != nil {
			return err
		}
		h, err := hear(r, check.Builtin())
		if err != nil {
			return err
		}
		scene := plant.Scene{RateHz: r.rateHz}
		for _, l := range labels[e.Name()] {
			at := plant.Span{From: int(l.fromS * float64(r.rateHz)), To: int(l.toS * float64(r.rateHz))}
			scene.Plants = append(scene.Plants, plant.Plant{Kind: l.kind, Level: l.level, Places: []plant.Span{at}})
		}
		delete(labels, e.Name())
		sum.hours += h.seconds() / 3600
		title.Chapters = append(title.Chapters, h.chapter(len(scenes)+1, "reader"))
		scenes, names = append(scenes, scene), append(names, e.Name())
	}
	if len(labels) > 0 {
		return fmt.Errorf("%s names %s, which %s does not have", s.labels, slices.Sorted(maps.Keys(labels))[0], s.files)
	}
	if len(scenes) == 0 {
		return fmt.Errorf("%s holds no WAV and no FLAC file", s.files)
	}
	for i, scene := range scenes {
		found := append(title.Chapters[i].Findings, check.Read(check.Builtin(), title, i)...)
		sum.score(scene, found)
		sum.alarm(names[i], plant.Scene{RateHz: scene.RateHz, Natural: scene.Plants}, found)
	}
	sum.alarm("all files", plant.Scene{RateHz: boardHz}, check.Whole(check.Builtin(), title))
	grades := slices.SortedFunc(maps.Keys(sum.grades), func(a, b grade) int {
		return strings.Compare(a.kind+a.level, b.kind+b.level)
	})
	for _, g := range grades {
		what, c := g.kind+", "+g.level, sum.grades[g]
		if g.level == clearLabel {
			t.hold(what, c.String(), fmt.Sprintf("at least %.0f %%", 100*clearShare), c.share() >= clearShare)
		} else {
			t.tell(what, c.String())
		}
	}
	for _, line := range sum.ears {
		s.say("no label: %s", line)
	}
	alarmRows(t, sum, tally{}, false)
	t.note("Of %d files. A label of level %q is held against the limit. Findings at labels of their kind are no alarms, and are counted as what is there.", len(scenes), clearLabel)
	return nil
}
