package main

import (
	"encoding/json"
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"
)

// cmdBlob sets a variable to where the blob lies that a place in a JSON file names.
//
//	blob VARIABLE FILE PATH
func cmdBlob(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: blob VARIABLE FILE PATH")
	}
	var doc any
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[1])), &doc))
	d := pipeline.Digest(lookup(doc, args[2], false))
	if !d.Valid() {
		ts.Fatalf("%s: %s is %q, which is no digest", args[1], args[2], d)
	}
	ts.Setenv(args[0], store.BlobName(d))
}

// cmdFlip changes one bit in the middle of a file and leaves all else as it
// was, as a disk does that fails silently.
//
//	flip FILE
func cmdFlip(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: flip FILE")
	}
	path := ts.MkAbs(args[0])
	data, err := os.ReadFile(path)
	ts.Check(err)
	info, err := os.Stat(path)
	ts.Check(err)
	data[len(data)/2] ^= 1
	ts.Check(os.Chmod(path, 0o644))
	ts.Check(os.WriteFile(path, data, 0o644))
	ts.Check(os.Chmod(path, info.Mode()))
	ts.Check(os.Chtimes(path, info.ModTime(), info.ModTime()))
}

// cmdMeasured holds what a report says of a chapter's first file (chapters are
// counted from 0) against the first file that measure has measured.
//
//	measured REPORT CHAPTER MEASURED
func cmdMeasured(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: measured REPORT CHAPTER MEASURED")
	}
	var rep report.Report
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[0])), &rep))
	var all []Measured
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[2])), &all))
	for _, ch := range rep.Chapters {
		if args[1] != "0" && ch.Number != rep.Chapters[1].Number || args[1] == "0" && ch.Number != rep.Chapters[0].Number {
			continue
		}
		said, err := pipeline.Canonical(ch.Files[0].Record.Levels)
		ts.Check(err)
		is, err := pipeline.Canonical(all[0].Levels)
		ts.Check(err)
		if string(said) != string(is) {
			ts.Fatalf("the report says\n%s\nand the file measures\n%s", said, is)
		}
	}
}

// TestShare: a share of the files is a percentage above 0.
func TestShare(t *testing.T) {
	for _, c := range []struct {
		o    checkOptions
		want float64
		ok   bool
	}{
		{checkOptions{}, 0, true},
		{checkOptions{readData: true}, 1, true},
		{checkOptions{subset: "5%"}, 0.05, true},
		{checkOptions{subset: "0.5%", readData: true}, 0.005, true},
		{checkOptions{subset: "100%"}, 1, true},
		{checkOptions{subset: "5"}, 0, false},
		{checkOptions{subset: "0%"}, 0, false},
		{checkOptions{subset: "101%"}, 0, false},
		{checkOptions{subset: "NaN%"}, 0, false},
		{checkOptions{subset: "%"}, 0, false},
	} {
		if got, err := c.o.share(); got != c.want || (err == nil) != c.ok {
			t.Errorf("%+v: %v, %v", c.o, got, err)
		}
	}
}
