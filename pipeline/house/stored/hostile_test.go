package stored

import (
	"bytes"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/memory"
	"chapterhouse/pipeline/store/storetest"
)

// TestFailTheNthCall has each call of a push, and of a pull, fail once in each
// way, and then does the same again: the end is what it would have been.
func TestFailTheNthCall(t *testing.T) {
	for _, fault := range []storetest.Fault{storetest.Fail, storetest.LoseReply, storetest.Conflict} {
		failed := 0
		for n := 1; ; n++ {
			inner := memory.New()
			dir := folder(t, map[string]string{"titles/t/title.yaml": "title: T\n"})
			mustPush(t, inner, dir)
			lay(t, dir, map[string]string{"titles/t/title.yaml": "title: Other\n", "titles/u/title.yaml": "title: U\n"})
			s := storetest.Wrap(inner, storetest.Nth(n, fault))
			_, err := Push(t.Context(), s, dir)
			if err != nil {
				failed++
				if !errors.Is(err, storetest.ErrFault) {
					t.Errorf("fault %d at call %d of push: %v", fault, n, err)
				}
				// Whatever came of it, the person works on and pushes again.
				lay(t, dir, map[string]string{"titles/u/title.yaml": "title: U and on\n"})
				if _, err := Push(t.Context(), inner, dir); err != nil {
					t.Errorf("fault %d at call %d of push, second try: %v", fault, n, err)
				}
			}
			into := t.TempDir()
			p := storetest.Wrap(inner, storetest.Nth(n, fault))
			if _, err := Pull(t.Context(), p, into); err != nil {
				failed++
				if !errors.Is(err, storetest.ErrFault) {
					t.Errorf("fault %d at call %d of pull: %v", fault, n, err)
				}
				if got := found(t, into); len(got) != 0 {
					t.Errorf("fault %d at call %d of pull left %q", fault, n, got)
				}
				mustPull(t, inner, into)
			}
			if a, b := found(t, dir), found(t, into); !maps.Equal(a, b) {
				t.Errorf("fault %d at call %d: pushed %q, pulled %q", fault, n, a, b)
			}
			if err == nil && s.Calls() < n && p.Calls() < n {
				break
			}
		}
		if failed == 0 {
			t.Errorf("fault %d never showed", fault)
		}
	}
}

// A push whose reply is lost, and everything after it, may have been done: the
// person works on, and the store tells the next push.
func TestLostReply(t *testing.T) {
	for _, done := range []storetest.Fault{storetest.LoseReply, storetest.Fail} {
		inner := memory.New()
		dir := folder(t, map[string]string{"titles/t/title.yaml": "title: T\n"})
		mustPush(t, inner, dir)
		swapped := false
		s := storetest.Wrap(inner, func(c storetest.Call) storetest.Fault {
			switch {
			case swapped:
				return storetest.Fail
			case c.Op == "Swap":
				swapped = true
				return done
			}
			return storetest.None
		})
		lay(t, dir, map[string]string{"titles/t/title.yaml": "title: Sent\n"})
		if _, err := Push(t.Context(), s, dir); !errors.Is(err, storetest.ErrFault) {
			t.Fatalf("fault %d: %v", done, err)
		}
		lay(t, dir, map[string]string{"titles/t/title.yaml": "title: Later\n"})
		if p, err := Push(t.Context(), inner, dir); err != nil || len(p.Sent) != 1 {
			t.Errorf("fault %d: the next push: %+v, %v", done, p, err)
		}
	}
}

// Whoever can write to the store can put any path and any bytes there; nothing
// of that is written, and none of it outside the folder.
func TestPullHostile(t *testing.T) {
	text := []byte("title: T\n")
	d := string(pipeline.DigestOf(text))
	long := strings.Repeat("x", 201)
	for name, object := range map[string]string{
		"up":               `{"seq":1,"files":{"../house.yaml":"` + d + `"}}`,
		"up in the middle": `{"seq":1,"files":{"titles/../../x.yaml":"` + d + `"}}`,
		"absolute":         `{"seq":1,"files":{"/titles/t/title.yaml":"` + d + `"}}`,
		"two slashes":      `{"seq":1,"files":{"titles//title.yaml":"` + d + `"}}`,
		"a dot":            `{"seq":1,"files":{"titles/./title.yaml":"` + d + `"}}`,
		"a slash behind":   `{"seq":1,"files":{"titles/t/title.yaml/":"` + d + `"}}`,
		"no path":          `{"seq":1,"files":{"":"` + d + `"}}`,
		"hidden":           `{"seq":1,"files":{"titles/.git/title.yaml":"` + d + `"}}`,
		"the record":       `{"seq":1,"files":{".chapterhouse/.pushed.json":"` + d + `"}}`,
		"a hook":           `{"seq":1,"files":{".git/hooks/post-checkout":"` + d + `"}}`,
		"no yaml":          `{"seq":1,"files":{"titles/t/01.wav":"` + d + `"}}`,
		"elsewhere":        `{"seq":1,"files":{"out/t/title.yaml":"` + d + `"}}`,
		"too deep":         `{"seq":1,"files":{"titles/t/u/title.yaml":"` + d + `"}}`,
		"NUL":              `{"seq":1,"files":{"titles/t\u0000/title.yaml":"` + d + `"}}`,
		"line break":       `{"seq":1,"files":{"titles/t\r\nu/title.yaml":"` + d + `"}}`,
		"escape":           `{"seq":1,"files":{"titles/\u001b[2J/title.yaml":"` + d + `"}}`,
		"direction":        `{"seq":1,"files":{"titles/\u202elmay/title.yaml":"` + d + `"}}`,
		"long":             `{"seq":1,"files":{"titles/` + long + `/title.yaml":"` + d + `"}}`,
		"file and folder":  `{"seq":1,"files":{"specs/a.yaml":"` + d + `","specs/a.yaml/b.yaml":"` + d + `"}}`,
		"no digest":        `{"seq":1,"files":{"house.yaml":"../../etc/passwd"}}`,
		"no seq":           `{"files":{"house.yaml":"` + d + `"}}`,
		"other types":      `{"seq":"1","files":["house.yaml"]}`,
		"half a text":      `{"seq":1,"files":{"house.yaml":"` + d,
		"nothing":          ``,
		"blob damaged":     `{"seq":1,"files":{"house.yaml":"` + string(pipeline.DigestOf([]byte("damaged"))) + `"}}`,
		"blob too large":   `{"seq":1,"files":{"house.yaml":"` + string(pipeline.DigestOf(bytes.Repeat([]byte("#"), 65<<10))) + `"}}`,
	} {
		t.Run(name, func(t *testing.T) {
			s := memory.New()
			s.Break(store.BlobName(pipeline.Digest(d)), text)
			s.Break(store.BlobName(pipeline.DigestOf([]byte("damaged"))), []byte("damages"))
			s.Break(store.BlobName(pipeline.DigestOf(bytes.Repeat([]byte("#"), 65<<10))), bytes.Repeat([]byte("#"), 65<<10))
			s.Break(manifestName, []byte(object))
			around := t.TempDir()
			into := filepath.Join(around, "house")
			lay(t, into, map[string]string{"titles/mine/title.yaml": "title: Mine\n"})
			before := found(t, around)
			_, err := Pull(t.Context(), s, into)
			if !errors.Is(err, store.ErrDamaged) {
				t.Errorf("pull: %v, want ErrDamaged", err)
			}
			if err != nil && pipeline.Visible(err.Error()) != err.Error() {
				t.Errorf("the error is not fit for a terminal: %q", err)
			}
			if now := found(t, around); !maps.Equal(before, now) {
				t.Errorf("pull left %q of %q", now, before)
			}
			if _, err := Open(t.Context(), s); !errors.Is(err, store.ErrDamaged) {
				t.Errorf("open: %v, want ErrDamaged", err)
			}
			if strings.HasPrefix(name, "blob") {
				return
			}
			if _, err := Push(t.Context(), s, folder(t, nil)); !errors.Is(err, store.ErrDamaged) {
				t.Errorf("push: %v, want ErrDamaged", err)
			}
		})
	}
}

// A blob that is gone is told by the file it was, and pushed again by whoever has it.
func TestMissingBlob(t *testing.T) {
	s := memory.New()
	dir := folder(t, map[string]string{"titles/t/title.yaml": "title: T\n"})
	mustPush(t, s, dir)
	if err := s.Delete(t.Context(), store.BlobName(pipeline.DigestOf([]byte("title: T\n")))); err != nil {
		t.Fatal(err)
	}
	into := t.TempDir()
	if _, err := Pull(t.Context(), s, into); !errors.Is(err, store.ErrAbsent) || !strings.HasPrefix(err.Error(), "titles/t/title.yaml in the store: ") {
		t.Errorf("pull: %v", err)
	}
	if p := mustPush(t, s, dir); p.Seq != 1 {
		t.Errorf("pushed %+v", p)
	}
	mustPull(t, s, into)
}

// Links in the folder lead nothing out of it, neither what is written nor what is sent.
func TestLinks(t *testing.T) {
	s := memory.New()
	mustPush(t, s, folder(t, map[string]string{"titles/t/title.yaml": "title: T\n", "specs/notes/x.yaml": "x"}))
	outside := t.TempDir()
	lay(t, outside, map[string]string{"title.yaml": "not yours"})
	into := t.TempDir()
	for link, to := range map[string]string{"titles": outside, "specs": outside} {
		if err := os.Symlink(to, filepath.Join(into, link)); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := Pull(t.Context(), s, into); err == nil {
		t.Error("pulled over a link that leads out")
	}
	if got := found(t, outside); !maps.Equal(got, map[string]string{"title.yaml": "not yours"}) {
		t.Errorf("outside stands %q", got)
	}
	lay(t, into, map[string]string{"house.yaml": settingsText})
	_, err := Push(t.Context(), s, into)
	var faults house.Faults
	if !errors.As(err, &faults) || len(faults) != 2 || faults[1].String() != "titles: this is a link to a folder; put the folder itself here" {
		t.Errorf("push: %v", err)
	}
	// A link in a file's place is replaced, and what it leads to stays.
	for _, link := range []string{"titles", "specs"} {
		if err := os.Remove(filepath.Join(into, link)); err != nil {
			t.Fatal(err)
		}
	}
	lay(t, into, map[string]string{"titles/t/.title.yaml.part": "left behind"})
	if err := os.Symlink(filepath.Join(outside, "title.yaml"), filepath.Join(into, "titles/t/title.yaml")); err != nil {
		t.Fatal(err)
	}
	if _, err := Pull(t.Context(), s, into); !errors.Is(err, ErrChanged) {
		t.Errorf("pull over a link that the store does not have: %v", err)
	}
	if err := os.Rename(filepath.Join(into, "titles/t/title.yaml"), filepath.Join(into, "titles/t/.title.yaml.part")); err != nil {
		t.Fatal(err)
	}
	mustPull(t, s, into)
	if got := found(t, outside); !maps.Equal(got, map[string]string{"title.yaml": "not yours"}) {
		t.Errorf("outside stands %q", got)
	}
}

// What can't be sent or is no house is said at once, with its file; nothing is sent.
func TestPushChecks(t *testing.T) {
	for name, c := range map[string]struct {
		texts map[string]string
		want  []string
	}{
		"two files' faults": {map[string]string{"house.yaml": "hose: x\n", "narrators/otto/narrator.yaml": "narrator: otta\n"}, []string{"house.yaml:1:1: hose", "narrators/otto/narrator.yaml:1:1: "}},
		"too large":         {map[string]string{"titles/t/title.yaml": strings.Repeat("#", 65<<10), "house.yaml": "hose: x\n"}, []string{"house.yaml:1:1: hose", "titles/t/title.yaml: the file is over 64 KiB"}},
		"too large a spec":  {map[string]string{"specs/s.yaml": strings.Repeat("#", 65<<10)}, []string{"specs/s.yaml: the file is over 64 KiB"}},
		"a name":            {map[string]string{"titles/t\nhouse.yaml:1:1: all is well/title.yaml": "title: T\n"}, []string{"the file's name holds"}},
		"no UTF-8":          {map[string]string{"titles/\xff/title.yaml": "title: T\n"}, []string{"the folder's name is not UTF-8 text; rename it"}},
		"long names":        {map[string]string{"specs/" + strings.Repeat("x", 220) + "/x.yaml": "x"}, []string{"the file's name has 220 characters"}},
	} {
		t.Run(name, func(t *testing.T) {
			s := memory.New()
			_, err := Push(t.Context(), s, folder(t, c.texts))
			var faults house.Faults
			if !errors.As(err, &faults) || pipeline.KindOf(err) != pipeline.House {
				t.Fatalf("error %v", err)
			}
			for _, want := range c.want {
				if !slices.ContainsFunc(faults, func(f house.Fault) bool { return strings.Contains(f.String(), want) }) {
					t.Errorf("%q is not said in\n%v", want, err)
				}
			}
			if lines := strings.Split(err.Error(), "\n"); len(lines) != len(faults) {
				t.Errorf("%d faults in %d lines:\n%v", len(faults), len(lines), err)
			}
			if err := s.List(t.Context(), "", func(i store.Info) error { return errors.New(i.Name) }); err != nil {
				t.Errorf("sent %v", err)
			}
		})
	}
}

// A pull that could not write everything goes on when it is called again.
func TestPullGoesOn(t *testing.T) {
	s := memory.New()
	dir := folder(t, map[string]string{"specs/notes/x.yaml": "x", "titles/t/title.yaml": "title: T\n"})
	mustPush(t, s, dir)
	into := t.TempDir()
	mustPull(t, s, into)
	lay(t, dir, map[string]string{"specs/notes/x.yaml": "xx", "titles/t/title.yaml": "title: TT\n", "titles/u/title.yaml": "title: U\n"})
	mustPush(t, s, dir)
	lay(t, into, map[string]string{"titles/u/title.yaml/in the way": ""}) // a folder where a file is to be
	if _, err := Pull(t.Context(), s, into); err == nil {
		t.Fatal("no error")
	}
	if err := os.RemoveAll(filepath.Join(into, "titles/u")); err != nil {
		t.Fatal(err)
	}
	mustPull(t, s, into)
	if a, b := found(t, dir), found(t, into); !maps.Equal(a, b) {
		t.Errorf("pushed %q, pulled %q", a, b)
	}
}

// FuzzManifest: what stands at house/house.json is refused, or it is what Push
// could have written.
func FuzzManifest(f *testing.F) {
	d := string(pipeline.DigestOf(nil))
	for _, seed := range []string{
		`{"seq":1,"files":{"house.yaml":"` + d + `"}}`, `{"seq":1,"files":{"titles/a/title.yaml":"` + d + `","narrators/b/chains/c.yaml":"` + d + `"}}`,
		`{"seq":1,"files":{"../x.yaml":"` + d + `"}}`, `{"seq":1,"files":{"titles/\u202e/x.yaml":"` + d + `"}}`, `{"seq":-1}`, `null`, `[]`, `{"files":null}`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var m manifest
		if json.Unmarshal(text, &m) != nil || m.Check() != nil {
			return
		}
		dir := t.TempDir()
		root, err := os.OpenRoot(dir)
		if err != nil {
			t.Fatal(err)
		}
		defer root.Close()
		if len(m.Files) > 50 {
			return // enough to write
		}
		for name := range m.Files {
			if err := write(root, name, []byte(name)); err != nil {
				t.Fatalf("%q can't be written: %v", name, err)
			}
		}
		texts, faults, err := scan(root)
		if err != nil || len(faults) > 0 || !slices.Equal(sorted(texts), sorted(m.Files)) {
			t.Fatalf("%q is read back as %q, %v, %v", sorted(m.Files), sorted(texts), faults, err)
		}
	})
}
