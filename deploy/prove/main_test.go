package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestExitCodes(t *testing.T) {
	var left []string // folders that proofs worked in
	fill := func(f func(*table) error) func(context.Context, *site, *table) error {
		return func(_ context.Context, s *site, t *table) error {
			left = append(left, s.dir)
			if err := os.WriteFile(s.path("much"), []byte("much"), 0o644); err != nil {
				return err
			}
			return f(t)
		}
	}
	all := []proof{
		{name: "good", help: "is met", files: true, prove: fill(func(t *table) error { t.atMost("a", 1, 2, "%.0f", ""); return nil })},
		{name: "bad", help: "falls short", prove: fill(func(t *table) error { t.atMost("a", 3, 2, "%.0f", ""); return nil })},
		{name: "broken", help: "can't say", prove: fill(func(t *table) error { t.atMost("a", 1, 2, "%.0f", ""); return errors.New("no disk") })},
		{name: "many", help: "is done so often", runs: true, prove: fill(func(t *table) error { t.atMost("a", 1, 2, "%.0f", ""); return nil })},
		{name: "empty", help: "says nothing", prove: fill(func(*table) error { return nil })},
	}
	root := filepath.Join("..", "..")
	for _, c := range []struct {
		args     string
		want     int
		out, err string
	}{
		{"good", exitMet, "at most 2  yes", ""},
		{"good --files x --seed 7", exitMet, "yes", ""},
		{"--seed 7 good", exitMet, "yes", ""},
		{"bad", exitMissed, "at most 2  no", ""},
		{"broken", exitMissed, "at most 2  yes", "prove broken: no disk"},
		{"empty", exitMissed, "what", ""},
		{"", exitUsage, "", "name a proof"},
		{"other", exitUsage, "", `no proof is called "other"`},
		{"other", exitUsage, "", "  bad         falls short"},
		{"good bad", exitUsage, "", "one proof at a time"},
		{"good --seed x", exitUsage, "", "invalid value"},
		{"good --speed", exitUsage, "", "not defined"},
		{"bad --files x", exitUsage, "", "bad reads no --files"},
		{"bad --runs 3", exitUsage, "", "bad takes no --runs"},
		{"many --runs 3 --rows 1,2", exitMet, "yes", ""},
		{"many --runs -3", exitUsage, "", "--runs takes 1 or more"},
		{"--help", exitUsage, "", "usage: deploy/prove.sh NAME"},
		{"good --root " + t.TempDir(), exitMissed, "", "no checkout"},
	} {
		var out, err strings.Builder
		args := append([]string{"--root", root}, strings.Fields(c.args)...)
		if got := run(t.Context(), args, all, &out, &err); got != c.want {
			t.Errorf("%q exits %d, want %d: %s", c.args, got, c.want, err.String())
		}
		if !strings.Contains(out.String(), c.out) || !strings.Contains(err.String(), c.err) {
			t.Errorf("%q says\n%s\n%s\nwant %q and %q", c.args, out.String(), err.String(), c.out, c.err)
		}
	}
	for _, dir := range left {
		if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s is still there", dir)
		}
	}
	if len(left) != 7 {
		t.Errorf("%d proofs ran, want 7", len(left))
	}
}

// TestCallCountsChildren: the processor time of a program holds that of the
// programs it runs.
func TestCallCountsChildren(t *testing.T) {
	const burn = "i=0; while [ $i -lt 100000 ]; do i=$((i+1)); done"
	r, err := call(t.Context(), nil, "sh", "-c", "(sh -c '"+burn+"'; sh -c '"+burn+"'); true")
	if err != nil {
		t.Fatal(err)
	}
	one, err := call(t.Context(), nil, "sh", "-c", burn)
	if err != nil {
		t.Fatal(err)
	}
	if r.cpuS < one.cpuS || one.cpuS <= 0 {
		t.Errorf("two children took %v s of processor and one %v s", r.cpuS, one.cpuS)
	}
	if _, err := call(t.Context(), nil, "sh", "-c", "echo why >&2; exit 3"); err == nil || !strings.Contains(err.Error(), "why") {
		t.Errorf("a failed program says %v", err)
	}
}
