package main

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/testdata/voices/plant"
)

// TestNamings: every kind that is planted may be named, by checks that there are.
func TestNamings(t *testing.T) {
	names := map[string]bool{}
	for _, c := range check.Builtin() {
		names[c.Name] = true
	}
	all := namings()
	for _, k := range plant.Kinds() {
		n, ok := all[k.Name]
		if !ok || len(n.checks) == 0 {
			t.Errorf("nothing may name %s", k.Name)
		}
		if k.Clear < 0 || k.Clear >= len(k.Sizes) {
			t.Errorf("%s: level %d is clearly audible, of %d", k.Name, k.Clear, len(k.Sizes))
		}
	}
	for kind, n := range all {
		if n.tolS <= 0 && !n.within {
			t.Errorf("%s has to be named to the sample", kind)
		}
		for _, c := range n.checks {
			if !names[c] {
				t.Logf("%s may be named by %s, which is no check yet", kind, c)
			}
		}
	}
}

// TestScore: a plant is found by a check that may name it and begins near enough,
// once, by the nearest; other findings are alarms unless they are at what is
// there.
func TestScore(t *testing.T) {
	const rate = 1000
	click := plant.Plant{Kind: "click", Level: "x", Places: []plant.Span{{From: 5000, To: 5002}}}
	for _, c := range []struct {
		what         string
		found        []pipeline.Finding
		hits, above  int
		offMS        float64
		alarms, ears int
	}{
		{what: "nothing"},
		{what: "near", found: []pipeline.Finding{{Check: "clicks", StartS: 5.015, Weight: pipeline.Ready}}, hits: 1, offMS: 15},
		{what: "the nearer of two", found: []pipeline.Finding{{Check: "clicks", StartS: 4.985, Weight: pipeline.Listen}, {Check: "clicks", StartS: 5.001, Weight: pipeline.Ready}}, hits: 1, above: 1},
		{what: "too far", found: []pipeline.Finding{{Check: "clicks", StartS: 5.03, Weight: pipeline.Listen}}, alarms: 1, ears: 1},
		{what: "another check", found: []pipeline.Finding{{Check: "hum", StartS: 5, EndS: 6, Weight: pipeline.Ready}}, alarms: 1},
	} {
		sum := newTally()
		sum.score(plant.Scene{RateHz: rate, Plants: []plant.Plant{click}}, c.found)
		got := sum.grades[grade{"click", "x"}]
		if got.planted != 1 || got.found != c.hits || got.above != c.above {
			t.Errorf("%s: %+v", c.what, got)
		}
		if c.hits > 0 && (len(got.offS) != 1 || got.offS[0] > c.offMS/1000+1e-9 || got.offS[0] < c.offMS/1000-1e-9) {
			t.Errorf("%s: off by %v", c.what, got.offS)
		}
		sum.alarm("", plant.Scene{RateHz: rate, Natural: []plant.Plant{click}}, c.found)
		if all := sum.sum(); all.listens+all.notices+all.returns != c.alarms || all.listens != c.ears || len(sum.ears) != c.ears {
			t.Errorf("%s: alarms %+v", c.what, all)
		}
	}
}

// TestSides: the two share no voice, booth, noise or seed.
func TestSides(t *testing.T) {
	sides := boardSides(1, 1)
	has := map[string]bool{}
	for i, s := range sides {
		for n := range 200 {
			r := s.reading(n)
			for _, what := range []string{r.Voice, r.Booth, strings.Split(r.Noise, ",")[0]} {
				if i == 0 {
					has[what] = true
				} else if has[what] {
					t.Fatalf("both sides have %s", what)
				}
			}
		}
		for _, k := range plant.Kinds() {
			planted := 0
			for n := range s.beds() {
				for _, w := range s.wanted([]plant.Kind{k}, n, func(plant.Kind) bool { return true }) {
					if w.Level == k.Clear {
						planted++
					}
				}
			}
			if float64(planted) < boardPlants*s.size {
				t.Errorf("%s: %s is planted %d times", s.name, k.Name, planted)
			}
		}
	}
}

// TestFilesBoard: labels beside recordings give the same counts; what none
// accounts for is an alarm.
func TestFilesBoard(t *testing.T) {
	dir := t.TempDir()
	x := make([]int16, 20*48000)
	for i := range x { // a saw that stays within, of several tones so that none stands still
		x[i] = int16(3000*float64((i*37)%1000)/1000 + 500*float64((i*71)%311)/311)
	}
	for _, at := range []int{5 * 48000, 12 * 48000} {
		for i := range 30 {
			x[at+i] = 32767
		}
	}
	writeWave(t, filepath.Join(dir, "a.wav"), x)
	csv := filepath.Join(dir, "labels.csv")
	if err := os.WriteFile(csv, []byte("file,start_s,end_s,kind,level\na.wav,5,5.01,clip,clear\na.wav,8,8.01,dropout,soft\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	var out table
	if err := boardOfFiles(&site{order: order{files: dir, labels: csv}, log: &strings.Builder{}}, &out); err != nil {
		t.Fatal(err)
	}
	rows := map[string]row{}
	for _, r := range out.rows {
		rows[r.what] = r
	}
	if r := rows["clip, clear"]; !r.met || !strings.HasPrefix(r.measured, "  1 of   1") {
		t.Errorf("the labelled clip: %+v", r)
	}
	if r := rows["dropout, soft"]; r.limit != "" || !strings.HasPrefix(r.measured, "  0 of   1") {
		t.Errorf("what is no dropout: %+v", r)
	}
	if r := rows["false alarms for an ear: clipped"]; !strings.HasPrefix(r.measured, "1 in 0.0 h") || !strings.Contains(r.measured, "1 at what is there") {
		t.Errorf("the clip without a label: %+v", r)
	}
	for text, want := range map[string]string{
		"file,start_s\na.wav,1\n":                                  "the first line has to be",
		"file,start_s,end_s,kind,level\na.wav,9,8,clip,x\n":        "no two times",
		"file,start_s,end_s,kind,level\na.wav,1,2,rumble,x\n":      "no kind is called",
		"file,start_s,end_s,kind,level\nother.wav,1,2,clip,gone\n": "names other.wav",
	} {
		if err := os.WriteFile(csv, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		err := boardOfFiles(&site{order: order{files: dir, labels: csv}, log: &strings.Builder{}}, &table{})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// writeWave writes 16-bit mono at 48 kHz.
func writeWave(t *testing.T, path string, x []int16) {
	t.Helper()
	head := append([]byte("RIFF"), binary.LittleEndian.AppendUint32(nil, uint32(36+2*len(x)))...)
	head = append(head, "WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00"...)
	head = binary.LittleEndian.AppendUint32(head, 48000)
	head = binary.LittleEndian.AppendUint32(head, 96000)
	head = append(head, "\x02\x00\x10\x00data"...)
	head = binary.LittleEndian.AppendUint32(head, uint32(2*len(x)))
	for _, v := range x {
		head = binary.LittleEndian.AppendUint16(head, uint16(v))
	}
	if err := os.WriteFile(path, head, 0o644); err != nil {
		t.Fatal(err)
	}
}

// TestStored: a kind and level of which fewer are found than before falls short,
// and so does another false alarm; what is found more of is met.
func TestStored(t *testing.T) {
	click := plant.Kinds()[0]
	path := filepath.Join(t.TempDir(), "board")
	now := newTally()
	now.hours = 1
	for level := range click.Sizes {
		now.grades[grade{click.Name, click.Level(level)}] = count{planted: 10, found: 5}
	}
	at := func(update bool) *table {
		var out table
		s := &site{order: order{stored: path, update: update, size: 0.1, seed: 1}}
		if err := againstStored(s, &out, "print", []plant.Kind{click}, now); err != nil {
			t.Fatal(err)
		}
		return &out
	}
	if !at(true).met() || !at(false).met() {
		t.Fatal("what was just stored falls short")
	}
	top := grade{click.Name, click.Level(0)}
	for _, c := range []struct {
		found, ears int
		met         bool
	}{{6, 0, true}, {4, 0, false}, {5, 1, false}} {
		now.grades[top] = count{planted: 10, found: c.found}
		now.alarms["clicks"] = alarms{listens: c.ears}
		if at(false).met() != c.met {
			t.Errorf("%+v: met is %v", c, !c.met)
		}
	}
}
