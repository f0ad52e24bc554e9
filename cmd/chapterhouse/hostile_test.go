package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
)

// hostile are names that somebody might give, or lay into the store: what would
// lead out of a folder, forge a line, move a cursor, address other subjects, or
// be run by whoever shows them, as a page or a spreadsheet does.
var hostile = map[string]string{
	"up":                    "../../etc/passwd",
	"up, other slashes":     `..\..\x`,
	"absolute":              "/etc/passwd",
	"drive":                 `C:\x`,
	"here":                  ".",
	"parent":                "..",
	"empty":                 "",
	"space":                 " ",
	"hidden":                ".git",
	"slash":                 "a/b",
	"slash behind":          "a/",
	"NUL":                   "a\x00b",
	"line break":            "a\r\nb",
	"forged fault":          "x\nhouse.yaml:1:1: all is well",
	"forged log":            "x\n2026-01-01T00:00:00.000Z\tINFO\tall is well",
	"tab":                   "a\tb",
	"escape":                "a\x1b[2J\x1b]0;x\x07b",
	"escape of eight bits":  "a\u009b31mb",
	"backspace":             "ready\b\b\b\b\breturn",
	"delete":                "a\x7fb",
	"line separator":        "a\u2028b",
	"paragraph separator":   "a\u2029b",
	"direction":             "a\u202eFLAW.flac",
	"isolate":               "a\u2066b\u2069",
	"subject":               "a.>",
	"wildcard":              "*",
	"system subject":        "$JS.API.STREAM.DELETE.JOBS",
	"formula":               `=cmd|'/C calc'!A0`,
	"formula with plus":     "+1+1",
	"formula with at":       "@SUM(A1)",
	"script":                "<script>alert(1)</script>",
	"attribute":             `" onload="alert(1)`,
	"template":              "{{.}}",
	"pattern":               "{number} {chapter}",
	"format":                "%s%d%n%!",
	"option":                "--store=x",
	"shell":                 "$(touch x); `touch x`",
	"quotes":                `'"`,
	"4 KB":                  strings.Repeat("x", 4096),
	"4 KB of accents":       strings.Repeat("é", 2048),
	"201 characters":        strings.Repeat("x", 201),
	"combining":             "Cafe\u0301",
	"many combining":        "a" + strings.Repeat("\u0301", 1000),
	"joiners":               "a\u200d\u200cb",
	"zero width":            "\u200b",
	"other letters":         "第一章 Übergang Ðæ",
	"not a character":       "a\uffffb",
	"beyond the first page": "a😀b",
	"reserved":              "CON",
	"no number":             "NaN",
	"null":                  "null",
	"anchor":                "&a",
	"alias":                 "*a",
	"tag":                   "!!binary x",
	"digits":                "007",
}

// asJSON is a double-quoted scalar of YAML too.
func asJSON(s string) string {
	text, _ := json.Marshal(s)
	return string(text)
}

// TestHostileHouse gives every name in the house's YAML every hostile name. It
// is refused with file, line and column, on a line of its own that a terminal
// may be given; or it is carried as data that the store, report and delivery take.
func TestHostileHouse(t *testing.T) {
	const (
		narratorFile = "narrators/otto/narrator.yaml"
		chainFile    = "narrators/otto/chains/plain.yaml"
		specFile     = "specs/own.yaml"
		titleFile    = "titles/one/title.yaml"
		decided      = "titles/one/decisions.yaml"
	)
	good := map[string]string{
		"house.yaml": "house: @house\nspecs: [own]\n",
		narratorFile: "narrator: @narrator\nname: @person\nsetups: {@setupkey: {microphone: @microphone, chain: @chainref}}\n",
		chainFile:    "chain: @chain\nnarrator: @chainof\nsetup: @chainsetup\nreference: {speech_dbfs: -23}\nstages: [{gain: {gain_db: 1, why: @reason}}]\n",
		specFile: "spec: @spec\nsource: @source\nsound:\n  level: {measure: rms-plain, window_dbfs: [-23, -18], aim_dbfs: -20}\n  peak: {max_dbtp: -3}\n" +
			"  edges: {head_s: [0.5, 1], head_aim_s: 0.75, tail_s: [1, 5], tail_aim_s: 3}\n  files: [{format: @format, rate_hz: 44100, bits: 24}]\npackaging: {name: @pattern}\n",
		titleFile: "title: @title\nnarrator: @reader\nsetup: @setup\nspecs: [@titlespec]\nchapters:\n  - {chapter: @chapter, role: @role, file: @file, session: @session}\n",
		decided:   "- {check: @check, chapter: 1, why: @why}\n",
	}
	plain := map[string]string{
		"house": "Quiet Street", "narrator": "otto", "person": "Otto", "setupkey": "desk", "microphone": "one", "chainref": "plain", "chain": "plain", "chainof": "otto",
		"chainsetup": "desk", "reason": "so", "spec": "own", "source": "common practice", "format": "flac", "pattern": "{number} {chapter}", "title": "One", "reader": "otto",
		"setup": "desk", "titlespec": "own", "chapter": "First", "role": "chapter", "file": "a.wav", "session": "monday", "check": "clipped", "why": "meant",
	}
	root := t.TempDir()
	write := func(file, field, name string) {
		text := good[file]
		for key, value := range plain {
			if key == field {
				value = name
			}
			text = replaceWord(text, "@"+key, asJSON(value))
		}
		path := filepath.Join(root, filepath.FromSlash(file))
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	for file := range good {
		write(file, "", "")
	}
	if err := os.WriteFile(filepath.Join(root, "titles/one/a.wav"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	load := func(field, name string) (pipeline.Submission, error) {
		for file, text := range good {
			if field != "" && replaceWord(text, "@"+field, "") != text {
				write(file, field, name)
				defer write(file, "", "")
			}
		}
		return submissionOf(root, filepath.Join(root, "titles/one"))
	}
	if sub, err := load("", ""); err != nil || sub.Title.Name != "One" || len(sub.Narrators) != 1 {
		t.Fatalf("without a hostile name: %+v, %v", sub, err)
	}
	// What names nothing but itself is data; every other field is a slug, or a word from a list.
	data := map[string]bool{"house": true, "person": true, "microphone": true, "reason": true, "source": true, "pattern": true, "title": true, "chapter": true, "why": true}
	for field := range plain {
		for about, name := range hostile {
			sub, err := load(field, name)
			if err == nil {
				if err := sub.Check(); err != nil {
					t.Errorf("%s, %s: the house takes it, the store would not: %v", field, about, err)
				}
				carried := stringsOf(sub)
				switch {
				case !data[field] && !pipeline.ValidSlug(name):
					t.Errorf("%s, %s: %q is taken", field, about, name)
				case data[field] && strings.TrimSpace(name) != "" && !slices.ContainsFunc(carried, func(s string) bool { // a reason stands behind its stage
					return strings.HasSuffix(s, norm.NFC.String(strings.TrimSpace(name)))
				}):
					t.Errorf("%s, %s: %.100q is taken and not carried", field, about, name)
				}
				for _, s := range carried {
					if pipeline.Visible(s) != strings.ReplaceAll(strings.ReplaceAll(s, "\n", "\uFFFD"), "\t", "\uFFFD") || utf8.RuneCountInString(s) > 2000 || !norm.NFC.IsNormalString(s) {
						t.Errorf("%s, %s: %.100q is carried", field, about, s)
					}
				}
				continue
			}
			if data[field] && field != "pattern" && (about == "script" || about == "formula" || about == "template" || about == "combining" || about == "other letters") {
				t.Errorf("%s, %s: refused: %v", field, about, err)
			}
			var faults house.Faults
			if !errors.As(err, &faults) {
				t.Errorf("%s, %s: %v is no fault of a file", field, about, err)
			}
			for _, f := range faults {
				if f.File == "" || f.Line < 1 || f.Column < 1 {
					t.Errorf("%s, %s: no place: %q", field, about, f)
				}
				if line := f.String(); pipeline.Visible(line) != line || len(line) > 1500 {
					t.Errorf("%s, %s: said as %.200q", field, about, line)
				}
			}
		}
	}
}

// replaceWord replaces a placeholder, and not one that starts with it.
func replaceWord(text, word, by string) string {
	var b strings.Builder
	for {
		i := strings.Index(text, word)
		if i < 0 {
			return b.String() + text
		}
		rest := text[i+len(word):]
		b.WriteString(text[:i])
		if rest != "" && rest[0] >= 'a' && rest[0] <= 'z' {
			b.WriteString(word)
		} else {
			b.WriteString(by)
		}
		text = rest
	}
}

// submissionOf is what a title's folder becomes, its recordings left out.
func submissionOf(root, folder string) (pipeline.Submission, error) {
	h, err := house.Load(root)
	if err != nil {
		return pipeline.Submission{}, err
	}
	title, decisions, err := h.Title(folder)
	if err != nil {
		return pipeline.Submission{}, err
	}
	title.Findings = h.Notices(title)
	sub := pipeline.Submission{House: h.Settings.House, Settings: h.Settings, Title: title, Narrators: h.Narrators, Decisions: decisions}
	for _, name := range title.Specs {
		sub.Specs = append(sub.Specs, h.Specs[name])
	}
	return sub, nil
}

// stringsOf is every text in a value, as JSON has it.
func stringsOf(v any) []string {
	var all []string
	var walk func(any)
	walk = func(v any) {
		switch v := v.(type) {
		case string:
			all = append(all, v)
		case []any:
			for _, item := range v {
				walk(item)
			}
		case map[string]any:
			for key, item := range v {
				all = append(all, key)
				walk(item)
			}
		}
	}
	text, err := json.Marshal(v)
	var tree any
	if err = errors.Join(err, json.Unmarshal(text, &tree)); err != nil {
		return []string{err.Error() + "\x00"}
	}
	walk(tree)
	return all
}

// TestHostileFiles names folders and recordings so, as far as the file system
// takes the name: without a title.yaml they are the title's and chapters' names.
func TestHostileFiles(t *testing.T) {
	for about, name := range hostile {
		for _, where := range []string{"title", "recording", "recording in title.yaml", "narrator", "chain", "spec"} {
			root := t.TempDir()
			folder, file := filepath.Join(root, "titles", "one"), "a.wav"
			lay := map[string]string{"house.yaml": "house: Quiet Street\n"}
			switch where {
			case "title":
				folder = filepath.Join(root, "titles", name)
			case "recording":
				file = name + ".wav"
			case "recording in title.yaml":
				file = name + ".wav"
				lay["titles/one/title.yaml"] = "title: One\nchapters: [{chapter: First, file: " + asJSON(file) + "}]\n"
			case "narrator":
				lay["narrators/"+name+"/narrator.yaml"] = "narrator: " + asJSON(name) + "\nname: Otto\nsetups: {}\n"
			case "chain":
				lay["narrators/otto/narrator.yaml"] = "narrator: otto\nname: Otto\nsetups: {}\n"
				lay["narrators/otto/chains/"+name+".yaml"] = "chain: " + asJSON(name) + "\n"
			case "spec":
				lay["specs/"+name+".yaml"] = "spec: " + asJSON(name) + "\n"
			}
			if filepath.Dir(folder) != filepath.Join(root, "titles") || strings.ContainsAny(name, "/\x00") || name == "" || len(name) > 200 {
				continue // no name of one file or folder
			}
			if where == "recording" || where == "recording in title.yaml" || where == "title" {
				rel, _ := filepath.Rel(root, filepath.Join(folder, file))
				lay[rel] = "not read here"
			}
			for file, text := range lay {
				path := filepath.Join(root, file)
				if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o644)); err != nil {
					t.Fatal(err)
				}
			}
			sub, err := submissionOf(root, folder)
			if err != nil {
				if line := err.Error(); pipeline.Visible(strings.ReplaceAll(line, "\n", "")) != strings.ReplaceAll(line, "\n", "") || pipeline.KindOf(err) != pipeline.House {
					t.Errorf("%s called %s: said as %.200q", where, about, line)
				}
				var faults house.Faults
				if errors.As(err, &faults) && strings.Count(err.Error(), "\n") != len(faults)-1 {
					t.Errorf("%s called %s: %d faults are said as %q", where, about, len(faults), err)
				}
				continue
			}
			if err := sub.Check(); err != nil {
				t.Errorf("%s called %s: the house takes it, the store would not: %v", where, about, err)
			}
			if strings.HasPrefix(where, "recording") && sub.Title.Chapters[0].Parts[0].File != file {
				t.Errorf("%s called %s: it is looked for as %q", where, about, sub.Title.Chapters[0].Parts[0].File)
			}
			if where == "title" && fmt.Sprintf("%q", sub.Title.Name) != fmt.Sprintf("%q", norm.NFC.String(strings.TrimSpace(name))) {
				t.Errorf("title called %s: it is %q", about, sub.Title.Name)
			}
		}
	}
}
