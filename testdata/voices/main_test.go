package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/testdata/voices/narration"
)

func TestCommandLine(t *testing.T) {
	dir := t.TempDir()
	out, label := filepath.Join(dir, "x.wav"), filepath.Join(dir, "x.json")
	if err := run([]string{"-voice", "heron", "-minutes", "0.4", "-rate", "48000", "-bits", "16", "-channels", "2", "-out", out, "-labels", label}); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(label)
	if err != nil {
		t.Fatal(err)
	}
	var l narration.Labels
	if err := json.Unmarshal(text, &l); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(out)
	if err != nil {
		t.Fatal(err)
	}
	if info.Size() != 44+4*l.Frames || l.RateHz != 48000 || l.Voice != "heron" {
		t.Errorf("%d bytes, labels %s at %d Hz over %d frames", info.Size(), l.Voice, l.RateHz, l.Frames)
	}
	if s := float64(l.Frames) / 48000; s < 18 || s > 32 {
		t.Errorf("%.1f s, asked were 24", s)
	}
	last := int64(0)
	for _, m := range l.Marks {
		if m.From < 0 || m.To > l.Frames || m.To <= m.From {
			t.Errorf("%s from %d to %d of %d frames", m.Kind, m.From, m.To, l.Frames)
		}
		if m.Kind == "sentence" {
			if m.From < last {
				t.Errorf("a sentence begins at %d, before the last one ends at %d", m.From, last)
			}
			last = m.To
		}
	}
	for args, part := range map[string]string{
		"-voice heron":                     "-out",
		"-voice nobody -out " + out:        "-voices lists",
		"-rate 8000 -out " + out:           "44100",
		"-bits 20 -out " + out:             "16 or 24",
		"-booth 1x1 -out " + out:           "want width",
		"-noise rain:-60 -out " + out:      "kinds are",
		"-text " + dir + "/no -out " + out: "no such file",
	} {
		if err := run(strings.Fields(args)); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("%s: %v, want %q in it", args, err, part)
		}
	}
}
