package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/delivery"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"
)

// cmdDemo copies the demo house to a folder: its narrators, and the titles
// that are named. The title "short" is made of two of the demo's chapters, one
// of each narrator, and delivers both.
//
//	demo FOLDER [TITLE…]
func cmdDemo(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: demo FOLDER [TITLE…]")
	}
	to := ts.MkAbs(args[0])
	copyTree(ts, filepath.Join(demo, "narrators"), filepath.Join(to, "narrators"))
	copyTree(ts, filepath.Join(demo, "house.yaml"), filepath.Join(to, "house.yaml"))
	for _, title := range args[1:] {
		if title != "short" {
			copyTree(ts, filepath.Join(demo, "titles", title), filepath.Join(to, "titles", title))
			continue
		}
		for _, file := range []string{"03-a-letter-north.flac", "06-the-mill-race.flac"} {
			copyTree(ts, filepath.Join(demo, "titles", "eleven-tide-gates", file), filepath.Join(to, "titles", title, file))
		}
		ts.Check(os.WriteFile(filepath.Join(to, "titles", title, "title.yaml"), []byte(shortTitle), 0o644))
	}
}

const shortTitle = `title: Short
narrator: ines-marlow
setup: cupboard
chapters:
  - {chapter: The Mill Race, file: 06-the-mill-race.flac}
  - {chapter: A Letter North, file: 03-a-letter-north.flac, narrator: tobias-wren, setup: stair-room}
`

func copyTree(ts *testscript.TestScript, from, to string) { ts.Check(copyFiles(from, to)) }

// copyFiles copies a file, or a folder without what a night left in it.
func copyFiles(from, to string) error {
	return filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(from, path)
		if d.IsDir() {
			if d.Name() == "out" || d.Name() == ".chapterhouse" {
				return filepath.SkipDir
			}
			return os.MkdirAll(filepath.Join(to, rel), 0o755)
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		if err := os.MkdirAll(filepath.Dir(filepath.Join(to, rel)), 0o755); err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(to, rel), text, 0o644)
	})
}

// cmdReplace replaces the first OLD in a file by NEW; there must be one.
//
//	replace FILE OLD NEW
func cmdReplace(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: replace FILE OLD NEW")
	}
	path := ts.MkAbs(args[0])
	text, err := os.ReadFile(path)
	ts.Check(err)
	if !strings.Contains(string(text), args[1]) {
		ts.Fatalf("%s has no %q in it", args[0], args[1])
	}
	ts.Check(os.WriteFile(path, []byte(strings.Replace(string(text), args[1], args[2], 1)), 0o644))
}

// cmdScramble puts noise in the place of a file's content and leaves size,
// time and inode as they were: whoever reads the file again is found out.
//
//	scramble FILE…
func cmdScramble(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: scramble FILE…")
	}
	for _, name := range args {
		path := ts.MkAbs(name)
		info, err := os.Stat(path)
		ts.Check(err)
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		ts.Check(err)
		noise := make([]byte, info.Size())
		for i := range noise {
			noise[i] = byte(i * i >> 3)
		}
		_, err = f.Write(noise)
		ts.Check(err)
		ts.Check(f.Close())
		ts.Check(os.Chtimes(path, info.ModTime(), info.ModTime()))
	}
}

// cmdDamage flips a byte of what a store holds for the first file of a delivery.
//
//	damage STORE MANIFEST
func cmdDamage(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: damage STORE MANIFEST")
	}
	var m delivery.Manifest
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[1])), &m))
	path := filepath.Join(ts.MkAbs(args[0]), filepath.FromSlash(store.BlobName(m.Files[0].Verified)))
	data, err := os.ReadFile(path)
	ts.Check(err)
	data[len(data)/2] ^= 1
	ts.Check(os.Remove(path))
	ts.Check(os.WriteFile(path, data, 0o644))
}

// cmdCut copies the first PERCENT of a file's bytes.
//
//	cut FROM TO PERCENT
func cmdCut(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: cut FROM TO PERCENT")
	}
	text, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	percent, err := strconv.Atoi(args[2])
	ts.Check(err)
	to := ts.MkAbs(args[1])
	ts.Check(os.MkdirAll(filepath.Dir(to), 0o755))
	ts.Check(os.WriteFile(to, text[:len(text)*percent/100], 0o644))
}

// cmdJSON holds places in a JSON file against what they should be: PATH=VALUE,
// PATH~REGEXP, #PATH=LENGTH. A path is keys and indexes with dots between; a
// place that is not there is "absent".
//
//	json FILE CLAIM…
func cmdJSON(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: json FILE CLAIM…")
	}
	var doc any
	if err := json.Unmarshal([]byte(ts.ReadFile(args[0])), &doc); err != nil {
		ts.Fatalf("%s is no JSON: %v", args[0], err)
	}
	for _, claim := range args[1:] {
		i := strings.IndexAny(claim, "=~")
		if i < 0 {
			ts.Fatalf("%q claims nothing", claim)
		}
		path, want := claim[:i], claim[i+1:]
		path, length := strings.CutPrefix(path, "#")
		got := lookup(doc, path, length)
		met := got == want
		if claim[i] == '~' {
			re, err := regexp.Compile(want)
			ts.Check(err)
			met = re.MatchString(got)
		}
		if !met {
			ts.Fatalf("%s: %s is %q, not %s", args[0], claim[:i], got, claim[i:])
		}
	}
}

// cmdLouder holds the second of two measured files against the first: its
// loudness is so many LU higher, to the hundredth that is printed.
//
//	louder FILE LU
func cmdLouder(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: louder FILE LU")
	}
	var measured []Measured
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[0])), &measured))
	more, err := strconv.ParseFloat(args[1], 64)
	ts.Check(err)
	if is := float64(measured[1].Levels.Integrated - measured[0].Levels.Integrated); math.Abs(is-more) > 0.011 {
		ts.Fatalf("%.2f LU louder, not %s", is, args[1])
	}
}

// lookup is what stands at a path, as text.
func lookup(doc any, path string, length bool) string {
	for _, key := range strings.FieldsFunc(path, func(r rune) bool { return r == '.' }) {
		var next any
		switch at := doc.(type) {
		case map[string]any:
			v, ok := at[key]
			if !ok {
				return "absent"
			}
			next = v
		case []any:
			i, err := strconv.Atoi(key)
			if err != nil || i >= len(at) {
				return "absent"
			}
			next = at[i]
		default:
			return "absent"
		}
		doc = next
	}
	switch v := doc.(type) {
	case []any:
		if length {
			return strconv.Itoa(len(v))
		}
	case map[string]any:
		if length {
			return strconv.Itoa(len(v))
		}
	case string:
		return v
	}
	text, _ := json.Marshal(doc)
	return string(text)
}

// cmdDecide writes a decision on every finding of a chapter (counted from 0)
// that asks for an ear, as a person would who has heard them.
//
//	decide REPORT CHAPTER FILE WHY
func cmdDecide(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 4 {
		ts.Fatalf("usage: decide REPORT CHAPTER FILE WHY")
	}
	var rep report.Report
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[0])), &rep))
	at, err := strconv.Atoi(args[1])
	ts.Check(err)
	var b strings.Builder
	for _, f := range rep.Chapters[at].Findings {
		if f.Weight != pipeline.Ready {
			spec := ""
			if f.Spec != "" {
				spec = "spec: " + f.Spec + ", "
			}
			fmt.Fprintf(&b, "- {check: %s, %schapter: %d, at_s: %.2f, why: %q}\n", f.Check, spec, rep.Chapters[at].Number, f.StartS, args[3])
		}
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[2]), []byte(b.String()), 0o644))
}

// cmdSentences wants a file, as stdout or stderr, to have just N lines, none
// of them empty, with what lies inside a program: no colours, no stack, no
// type name.
//
//	sentences FILE N
func cmdSentences(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: sentences FILE N")
	}
	text := strings.TrimSuffix(ts.ReadFile(args[0]), "\n")
	lines := strings.Split(text, "\n")
	if strconv.Itoa(len(lines)) != args[1] {
		ts.Fatalf("%d lines, not %s:\n%s", len(lines), args[1], text)
	}
	for _, l := range lines {
		if strings.TrimSpace(l) == "" || strings.ContainsAny(l, "\x1b\t") || strings.Contains(l, "goroutine") || strings.Contains(l, "%!") || strings.Contains(l, "&{") {
			ts.Fatalf("this is no sentence: %q", l)
		}
	}
}

// cmdLast copies the last line of a file.
//
//	last FROM TO
func cmdLast(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: last FROM TO")
	}
	lines := strings.Split(strings.TrimSpace(ts.ReadFile(args[0])), "\n")
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(lines[len(lines)-1]+"\n"), 0o644))
}

// cmdExit runs the program and wants it to end with a code.
//
//	exit CODE ARGUMENT…
func cmdExit(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: exit CODE ARGUMENT…")
	}
	err := ts.Exec("chapterhouse", args[1:]...)
	code := 0
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		code = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if strconv.Itoa(code) != args[0] {
		ts.Fatalf("exit %d, not %s", code, args[0])
	}
}

// cmdNone wants no file below a folder whose name matches one of the patterns.
//
//	none FOLDER PATTERN…
func cmdNone(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: none FOLDER PATTERN…")
	}
	ts.Check(filepath.WalkDir(ts.MkAbs(args[0]), func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		for _, pattern := range args[1:] {
			if ok, err := filepath.Match(pattern, d.Name()); err != nil || ok {
				return fmt.Errorf("%s is still there (%v)", path, err)
			}
		}
		return nil
	}))
}

// cmdBuild builds the program into a folder with some of the environment changed.
//
//	gobuild FOLDER KEY=VALUE…
func cmdBuild(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: gobuild FOLDER KEY=VALUE…")
	}
	to := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(to, 0o755))
	cmd := exec.Command("go", "build", "-o", to, ".")
	cmd.Env = append(os.Environ(), args[1:]...)
	if out, err := cmd.CombinedOutput(); err != nil {
		ts.Fatalf("%v\n%s", err, out)
	}
}
