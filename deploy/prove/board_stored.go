package main

import (
	"bufio"
	"fmt"
	"os"
	"strings"

	"chapterhouse/testdata/voices/plant"
)

// againstStored holds what was found against what a file says was found before,
// or writes that file. Each line has kind, level, planted and found, with tabs
// between; the last has the false alarms for an ear, where clean narration was heard.
func againstStored(s *site, t *table, side string, kinds []plant.Kind, now tally) error {
	var lines []string
	for _, k := range kinds {
		for level := range k.Sizes {
			c := now.grades[grade{k.Name, k.Level(level)}]
			lines = append(lines, fmt.Sprintf("%s\t%s\t%d\t%d", k.Name, k.Level(level), c.planted, c.found))
		}
	}
	if sum := now.sum(); now.hours > 0 {
		lines = append(lines, fmt.Sprintf("clean\tfor an ear\t%d\t%d", int(now.hours*60), sum.listens+sum.returns))
	}
	if s.update {
		head := fmt.Sprintf("# kind, level, planted, found; clean: minutes, false alarms. Written by deploy/prove.sh board --side %s --size %g --seed %d --stored FILE --update\n", side, s.size, s.seed)
		if err := os.WriteFile(s.stored, []byte(head+strings.Join(lines, "\n")+"\n"), 0o644); err != nil {
			return err
		}
	}
	file, err := os.Open(s.stored)
	if err != nil {
		return err
	}
	defer file.Close()
	type was struct{ planted, found int }
	before := map[string]was{}
	for in := bufio.NewScanner(file); in.Scan(); {
		f := strings.Split(in.Text(), "\t")
		if len(f) != 4 {
			continue
		}
		var w was
		if _, err := fmt.Sscan(f[2]+" "+f[3], &w.planted, &w.found); err != nil {
			return fmt.Errorf("%s: %q: %w", s.stored, in.Text(), err)
		}
		before[f[0]+", "+f[1]] = w
	}
	for _, line := range lines {
		f := strings.Split(line, "\t")
		what := f[0] + ", " + f[1]
		w, known := before[what]
		if !known {
			t.tell(what+": not stored yet", f[3]+" of "+f[2])
			continue
		}
		var planted, found int
		fmt.Sscan(f[2]+" "+f[3], &planted, &found) // of two numbers just written
		limit, met := fmt.Sprintf("at least %d of %d", w.found, w.planted), planted >= w.planted && found >= w.found
		if f[0] == cleanKind {
			limit, met = fmt.Sprintf("at most %d in %d min", w.found, w.planted), planted >= w.planted && found <= w.found
		}
		t.hold(what, f[3]+" of "+f[2], limit, met)
	}
	return nil
}
