package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"go.uber.org/zap"
	"golang.org/x/text/unicode/norm"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
	"chapterhouse/pipeline/delivery"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/memory"
	"chapterhouse/pipeline/store/s3"
)

// TestHostileNames: a name that could lead anywhere stands in no object's name,
// no key of S3 (which is a prefix and the object's name) and no subject. S3
// and broker are not asked: what they would be asked for is refused before.
func TestHostileNames(t *testing.T) {
	blob := pipeline.DigestOf(nil)
	for about, name := range hostile {
		slug := pipeline.ValidSlug(name)
		if wants := map[string]bool{"digits": true, "null": true}; slug != wants[about] {
			t.Errorf("%s: a slug is %t", about, slug)
		}
		for _, object := range []string{name, "titles/" + name + "/title.json", "narrators/otto/titles/" + name + "/000001.json"} {
			err := store.CheckName(object)
			local := filepath.IsLocal(object) && strings.Trim(object, "abcdefghijklmnopqrstuvwxyz0123456789._-/") == "" && !strings.Contains("/"+object, "/.")
			if err == nil && !local {
				t.Errorf("%s: %.80q may name an object", about, object)
			}
			if err != nil && pipeline.Visible(err.Error()) != err.Error() {
				t.Errorf("%s: said as %.200q", about, err)
			}
		}
		if prefix := strings.Trim(name, "/"); prefix != "" && store.CheckName(prefix) != nil {
			if _, err := s3.Open(t.Context(), s3.Options{Endpoint: "http://127.0.0.1:1", Bucket: "b", Prefix: name, AccessKey: "a", SecretKey: "s"}); err == nil {
				t.Errorf("%s: %.80q may stand before keys of S3", about, name)
			}
		}
		good := queue.Ring{Engine: "0123abcd", Class: queue.Rush, Key: blob}
		for _, r := range []queue.Ring{{Engine: name, Class: good.Class, Key: blob}, {Engine: good.Engine, Class: queue.Class(name), Key: blob}, {Engine: good.Engine, Class: good.Class, Key: pipeline.Digest(name)}} {
			subject := strings.Join([]string{r.Engine, string(r.Class), string(r.Key)}, ".")
			if err := queue.CheckRing(r); err == nil && strings.Trim(subject, "abcdefghijklmnopqrstuvwxyz0123456789.") != "" {
				t.Errorf("%s: %.80q may be a subject", about, subject)
			}
		}
		s := memory.New()
		if _, _, err := coordinator.Standing(t.Context(), s, name); err == nil {
			t.Errorf("%s: a title of that name stands", about)
		}
		if _, err := coordinator.TitlesOf(t.Context(), s, name); err == nil && !slug && store.CheckPrefix("narrators/"+name+"/titles/") != nil {
			t.Errorf("%s: a narrator of that name is looked for", about)
		}
	}
}

// full is an outcome with every text in it, names and all, the same.
func full(name string) pipeline.Outcome {
	spec := pipeline.Spec{Sound: pipeline.Sound{Files: []pipeline.FileFormat{{}}}}
	found := pipeline.Finding{EndS: 1}
	o := pipeline.Outcome{
		Specs: []pipeline.Spec{spec}, Skipped: []pipeline.SkippedSpec{{}}, Sessions: []pipeline.SessionOutcome{{Notes: []string{""}}},
		Gains: pipeline.Gains{Specs: map[string]pipeline.LevelRecord{name: {Notes: []string{""}}}}, Findings: []pipeline.Finding{found},
		Withheld: map[string]string{name: ""}, Chapters: []pipeline.ChapterOutcome{
			{Number: 1, Findings: []pipeline.Finding{found}, Parts: []pipeline.PartOutcome{{}, {}}, Files: []pipeline.FileOutcome{{}}},
			{Number: 2, Findings: []pipeline.Finding{found}},
		},
	}
	fill(reflect.ValueOf(&o).Elem(), name)
	asks := o.Chapters[1].Findings[0] // above the fold
	asks.Accepted, asks.Weight, asks.Act = "", pipeline.Listen, pipeline.Pickup
	o.Chapters[1].Findings = append(o.Chapters[1].Findings, asks)
	return o
}

// fill sets every text of a value.
func fill(v reflect.Value, s string) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(s)
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Field(i).CanSet() {
				fill(v.Field(i), s)
			}
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i), s)
		}
	case reflect.Map:
		for _, key := range v.MapKeys() {
			item := reflect.New(v.Type().Elem()).Elem()
			item.Set(v.MapIndex(key))
			fill(item, s)
			v.SetMapIndex(key, item)
		}
	}
}

// TestHostileReports: whatever stands in an outcome, the text has the lines it
// would have, and no more of it acts on a terminal; the JSON holds it whole.
func TestHostileReports(t *testing.T) {
	lines := func(name string) int {
		var b bytes.Buffer
		rep := report.Report{Outcome: full(name), Deliveries: []report.Delivery{{Spec: name, Folder: name, Withheld: name}, {Spec: name, Folder: name, Complete: true}}}
		if err := report.Text(&b, rep); err != nil {
			t.Fatal(err)
		}
		for line := range strings.SplitSeq(b.String(), "\n") {
			if pipeline.Visible(line) != line {
				t.Errorf("%.40q: the text says %.200q", name, line)
			}
		}
		return strings.Count(b.String(), "\n")
	}
	want := lines("x")
	for about, name := range hostile {
		if got := lines(name); got != want && name != "" { // an empty word may leave a line out
			t.Errorf("%s: %d lines, not %d", about, got, want)
		}
		var b bytes.Buffer
		if err := report.JSON(&b, report.Report{Outcome: full(name)}); err != nil {
			t.Fatal(err)
		}
		for line := range strings.SplitSeq(b.String(), "\n") {
			if pipeline.Visible(line) != line {
				t.Errorf("%s: the JSON says %.200q", about, line)
			}
		}
		var back report.Report
		if err := json.Unmarshal(b.Bytes(), &back); err != nil || !reflect.DeepEqual(back.Outcome, full(name)) {
			t.Errorf("%s: the JSON is read back as %.200v, %v", about, back.Outcome.Title, err)
		}
		if o := full(name); o.Check() == nil {
			t.Errorf("%s: the store may hold such an outcome", about)
		}
	}
}

// TestHostilePages: whatever stands in an outcome, the page has the elements it
// would have and no quote ends early, and no cell of a table is a formula.
func TestHostilePages(t *testing.T) {
	type marks struct{ open, close, quotes int }
	page := func(name string) (string, marks) {
		var b bytes.Buffer
		rep := report.Report{Outcome: full(name), Deliveries: []report.Delivery{{Spec: name, Folder: name, Withheld: name}, {Spec: name, Folder: name, Complete: true}}}
		if err := report.HTML(&b, rep, report.Pictures{}); err != nil {
			t.Fatal(err)
		}
		_, body, _ := strings.Cut(b.String(), "</style>")
		return b.String(), marks{strings.Count(body, "<"), strings.Count(body, ">"), strings.Count(body, `"`)}
	}
	_, want := page("x")
	var sheet marks
	for about, name := range hostile {
		text, got := page(name)
		if got != want && name != "" { // an empty word may leave an element out
			t.Errorf("%s: the page has %+v, not %+v", about, got, want)
		}
		for line := range strings.SplitSeq(text, "\n") {
			if pipeline.Visible(line) != line {
				t.Errorf("%s: the page says %.200q", about, line)
			}
		}
		pickups := func(w io.Writer, r report.Report) error {
			l := attention.Of(r.Outcome)
			var b bytes.Buffer
			if err := report.PickupsHTML(&b, r.Outcome, l, ""); err != nil || strings.Count(b.String(), "<td") == 0 {
				t.Errorf("%s: the sheet has %d cells, %v", about, strings.Count(b.String(), "<td"), err)
			}
			_, body, _ := strings.Cut(b.String(), "</style>")
			if got := (marks{strings.Count(body, "<"), strings.Count(body, ">"), strings.Count(body, `"`)}); name != "" && got != sheet {
				if sheet != (marks{}) {
					t.Errorf("%s: the sheet has %+v, not %+v", about, got, sheet)
				}
				sheet = got
			}
			return report.PickupsCSV(w, l, "")
		}
		for _, write := range []func(io.Writer, report.Report) error{report.CSV, report.FindingsCSV, pickups} {
			var b bytes.Buffer
			if err := write(&b, report.Report{Outcome: full(name)}); err != nil {
				t.Fatal(err)
			}
			rows, err := csv.NewReader(bytes.NewReader(b.Bytes())).ReadAll()
			if err != nil {
				t.Errorf("%s: the table can't be read back: %v", about, err)
			}
			for _, cell := range slices.Concat(rows...) {
				if cell != "" && strings.ContainsAny(cell[:1], "=+-@") {
					t.Errorf("%s: a cell is %.80q", about, cell)
				}
			}
		}
	}
}

// TestHostileDeliveries: chapters are delivered under names that every common
// file system takes, each its own, in their folder and nowhere else, and the
// checksums are read by the program they are for.
func TestHostileDeliveries(t *testing.T) {
	s := memory.New()
	audio := []byte("audio")
	blob := pipeline.DigestOf(audio)
	if err := s.Put(t.Context(), blob, bytes.NewReader(audio)); err != nil {
		t.Fatal(err)
	}
	for _, pattern := range []string{"{number} {chapter}", "{chapter} {number}", "{chapter}{chapter}", "{title} {narrator} {chapter}"} {
		spec := pipeline.Spec{Spec: "own", Packaging: pipeline.Packaging{Name: pattern}}
		o := pipeline.Outcome{Run: "000001", Slug: "one", Title: "One", Specs: []pipeline.Spec{spec}}
		for _, name := range hostile {
			o.Chapters = append(o.Chapters, pipeline.ChapterOutcome{Number: len(o.Chapters) % 7, Name: name, Files: []pipeline.FileOutcome{
				{Spec: "own", Format: pipeline.FileFormat{Format: pipeline.MP3}, Blob: blob, Bytes: int64(len(audio)), Verdict: pipeline.Ready}}})
		}
		around := t.TempDir()
		dir := filepath.Join(around, "out", "one", "own")
		m, err := delivery.Write(t.Context(), s, o, spec, dir, "")
		if err != nil || len(m.Files) != len(hostile) {
			t.Fatalf("%s: %d files, %v", pattern, len(m.Files), err)
		}
		for _, f := range m.Files {
			if f.Name != filepath.Base(f.Name) || len(f.Name) > 255 || pipeline.Visible(f.Name) != f.Name || !norm.NFC.IsNormalString(f.Name) ||
				!utf8.ValidString(f.Name) || strings.ContainsAny(f.Name, `/\:*?"<>|`) || f.Name[0] == '.' || f.Name[0] == ' ' {
				t.Errorf("%s: %q is delivered as %q", pattern, f.Chapter, f.Name)
			}
		}
		files := 0
		err = filepath.WalkDir(around, func(path string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				files++
				if filepath.Dir(path) != dir {
					t.Errorf("%s: %s was written", pattern, path)
				}
			}
			return err
		})
		if err != nil || files != len(hostile)+3 { // the manifest, the checksums and the note
			t.Errorf("%s: %d files for %d chapters, %v", pattern, files, len(hostile), err)
		}
		check := exec.Command("sha256sum", "--check", "--strict", "--quiet", delivery.ChecksumsFile) // GNU coreutils
		check.Dir = dir
		if out, err := check.CombinedOutput(); err != nil {
			t.Errorf("%s: sha256sum: %v\n%s", pattern, err, out)
		}
	}
}

// TestHostileLogs: an event is one line, and an error as many as it has faults.
func TestHostileLogs(t *testing.T) {
	for about, name := range hostile {
		var b bytes.Buffer
		log := settings{Log: "info"}.logger(&b)
		log.Named(name).With(zap.String("title", name)).Warn("strike "+name, zap.Error(errors.New(name)), zap.Any("names", []string{name}), zap.Stringer("key", key(name)))
		line, ok := strings.CutSuffix(b.String(), "\n")
		if !ok || pipeline.Visible(strings.ReplaceAll(line, "\t", "")) != strings.ReplaceAll(line, "\t", "") {
			t.Errorf("%s: logged as %.300q", about, b.String())
		}
		b.Reset()
		tell(&b, fmt.Errorf("deliver %s: %w", strings.ReplaceAll(name, "\n", ""), errors.New("no")))
		if line, ok := strings.CutSuffix(b.String(), "\n"); !ok || pipeline.Visible(line) != line {
			t.Errorf("%s: told as %.300q", about, b.String())
		}
	}
}

type key string

func (a key) String() string { return string(a) }

// TestHostileCalls: a call with such a name ends with a sentence and touches nothing.
func TestHostileCalls(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	t.Setenv("CHAPTERHOUSE_STORE", filepath.Join(dir, "store"))
	if err := os.Mkdir("store", 0o755); err != nil {
		t.Fatal(err)
	}
	for about, name := range hostile {
		for _, args := range [][]string{{"fetch", "--", name}, {"fetch", "--narrator=" + name}, {"fetch", "one", "--narrator=" + name}, {"fetch", "--narrator=otto", "--", name}, {"process", "--", name}, {"push", "--", name},
			{"submit", "--", name}, {"status", "--", name}, {"cancel", "--", name}, {"rerun", "--", name}, {"watch", "--", name}} {
			if name == "" && args[0] == "status" {
				continue // of the whole night
			}
			var out, errs bytes.Buffer
			code := run(t.Context(), args, &out, &errs)
			if code != exitUsage && code != exitFailed || out.Len() > 0 || errs.Len() == 0 || errs.Len() > 1500+3*len(name) {
				t.Errorf("%s: %.80q: exit %d, %.200q", about, args, code, errs.String())
			}
			for line := range strings.SplitSeq(errs.String(), "\n") {
				if pipeline.Visible(line) != line {
					t.Errorf("%s: %.80q: said as %.200q", about, args, line)
				}
			}
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 1 {
		t.Errorf("left: %v, %v", entries, err)
	}
}
