package stored

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/memory"
)

const settingsText = "house: Quiet Street\n"

// folder makes a house of files in a folder of its own.
func folder(t testing.TB, texts map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	lay(t, dir, map[string]string{"house.yaml": settingsText})
	lay(t, dir, texts)
	return dir
}

func lay(t testing.TB, dir string, texts map[string]string) {
	t.Helper()
	for name, text := range texts {
		file := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// found is every file of a folder, the record of what was pushed left out.
func found(t testing.TB, dir string) map[string]string {
	t.Helper()
	texts := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil || rel == filepath.Join(recordDir, recordFile) {
			return err
		}
		text, err := os.ReadFile(path)
		texts[filepath.ToSlash(rel)] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return texts
}

func mustPush(t testing.TB, s store.Store, dir string) Pushed {
	t.Helper()
	p, err := Push(t.Context(), s, dir)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func mustPull(t testing.TB, s store.Store, dir string) Pulled {
	t.Helper()
	p, err := Pull(t.Context(), s, dir)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// What is pushed is what stands where a house's YAML stands, and nothing else;
// what is pulled is that, byte for byte.
func TestPushPullIsIdentity(t *testing.T) {
	names := []string{
		"titles/one/title.yaml", "titles/one/decisions.yaml", "titles/Zwölf Türen/title.yaml", "titles/two words/notes.yaml",
		"narrators/readme.yaml", "narrators/otto/chains/deep/er/x.yaml", "specs/drafts/old.yaml",
	}
	others := map[string]string{
		"titles/one/01.wav": "RIFF", "titles/one/takes/take.yaml": "not the house's", "titles/loose.yaml": "x", "other.yaml": "x", "out/one/report.yaml": "x",
		".chapterhouse/blobs/aa/x.yaml": "x", "titles/.hidden/title.yaml": "x", "narrators/.x.yaml": "x", "notes/x.yaml": "x", "specs/read.me": "x",
	}
	rapid.Check(t, func(rt *rapid.T) {
		want := map[string]string{"house.yaml": settingsText, "narrators/otto/narrator.yaml": "narrator: otto\nname: Otto\nsetups: {}\n"}
		for _, name := range names {
			if rapid.Bool().Draw(rt, name) {
				want[name] = string(rapid.SliceOfN(rapid.Byte(), 0, 300).Draw(rt, "bytes of "+name))
			}
		}
		s := memory.New()
		dir := folder(t, want)
		lay(t, dir, others)
		p := mustPush(t, s, dir)
		if p.Seq != 1 || !slices.Equal(p.Sent, sorted(want)) || p.Removed != nil {
			rt.Fatalf("pushed %+v, want %q", p, sorted(want))
		}
		into := filepath.Join(t.TempDir(), "new", "folder")
		if got := mustPull(t, s, into); !slices.Equal(got.Written, sorted(want)) || got.Seq != 1 {
			rt.Fatalf("pulled %+v", got)
		}
		if got := found(t, into); !maps.Equal(got, want) {
			rt.Fatalf("pulled %q, want %q", got, want)
		}
		if again := mustPush(t, s, into); again.Seq != 1 || again.Sent != nil {
			rt.Fatalf("pushed back what was pulled: %+v", again)
		}
	})
}

// Two people and one store, in any order of edits, pushes and pulls: nobody's
// work is lost without a word, and a push that succeeds is what stands.
func TestTwoPeople(t *testing.T) {
	names := []string{"titles/a/title.yaml", "titles/b/title.yaml", "narrators/notes.yaml"}
	rapid.Check(t, func(rt *rapid.T) {
		s := memory.New()
		dirs := []string{folder(t, nil), folder(t, nil)}
		seen := []map[string]string{nil, nil} // what each folder and the store last both had
		edits := 0
		stands := func() map[string]string {
			m, err := read(t.Context(), s)
			if errors.Is(err, ErrNone) {
				return nil
			}
			if err != nil {
				rt.Fatal(err)
			}
			texts, err := fetch(t.Context(), s, m, sorted(m.Files))
			if err != nil {
				rt.Fatal(err)
			}
			out := map[string]string{}
			for name, text := range texts {
				out[name] = string(text)
			}
			return out
		}
		for range rapid.IntRange(1, 25).Draw(rt, "steps") {
			who := rapid.IntRange(0, 1).Draw(rt, "who")
			dir := dirs[who]
			switch rapid.SampledFrom([]string{"edit", "edit", "remove", "push", "pull"}).Draw(rt, "what") {
			case "edit":
				edits++
				lay(t, dir, map[string]string{rapid.SampledFrom(names).Draw(rt, "file"): fmt.Sprintf("edit %d of %d\n", edits, who)})
			case "remove":
				_ = os.Remove(filepath.Join(dir, rapid.SampledFrom(names).Draw(rt, "file")))
			case "push":
				before, mine := stands(), found(t, dir)
				_, err := Push(t.Context(), s, dir)
				switch {
				case err == nil:
					if got := stands(); !maps.Equal(got, mine) {
						rt.Fatalf("pushed %q, and %q stands", mine, got)
					}
					if before != nil && !maps.Equal(before, mine) && !maps.Equal(before, seen[who]) {
						rt.Fatalf("a push took the place of %q, which its folder had never seen (it had %q)", before, seen[who])
					}
					seen[who] = mine
				case !errors.Is(err, ErrMoved):
					rt.Fatal(err)
				case !maps.Equal(before, stands()):
					rt.Fatal("a refused push changed the store")
				}
			case "pull":
				mine, theirs := found(t, dir), stands()
				p, err := Pull(t.Context(), s, dir)
				now := found(t, dir)
				switch {
				case err == nil:
					for name, text := range mine {
						if now[name] != text && text != seen[who][name] {
							rt.Fatalf("pull took %q of %s, which the store never had from here", text, name)
						}
					}
					for name := range names {
						if n := names[name]; now[n] != theirs[n] && !slices.Contains(p.Kept, n) {
							rt.Fatalf("%s is %q, in the store %q, and not said to be kept", n, now[n], theirs[n])
						}
					}
					seen[who] = theirs
				case errors.Is(err, ErrNone) && theirs == nil:
				case !errors.Is(err, ErrChanged):
					rt.Fatal(err)
				case !maps.Equal(mine, now):
					rt.Fatal("a refused pull changed the folder")
				}
			}
		}
	})
}

// A refusal names the files and what to do; who then pulls and pushes gets
// through with both people's work.
func TestMoved(t *testing.T) {
	s := memory.New()
	one, two := folder(t, map[string]string{"titles/t/title.yaml": "title: T\n", "specs/notes/x.yaml": "x"}), t.TempDir()
	mustPush(t, s, one)
	mustPull(t, s, two)
	lay(t, one, map[string]string{"titles/t/title.yaml": "title: One's\n"})
	if err := os.Remove(filepath.Join(one, "specs/notes/x.yaml")); err != nil {
		t.Fatal(err)
	}
	if p := mustPush(t, s, one); p.Seq != 2 || !slices.Equal(p.Sent, []string{"titles/t/title.yaml"}) || !slices.Equal(p.Removed, []string{"specs/notes/x.yaml"}) {
		t.Errorf("pushed %+v", p)
	}
	lay(t, two, map[string]string{"titles/u/title.yaml": "title: Two's\n"})
	_, err := Push(t.Context(), s, two)
	if !errors.Is(err, ErrMoved) || pipeline.KindOf(err) != pipeline.House ||
		!strings.HasSuffix(err.Error(), "these files differ there: specs/notes/x.yaml, titles/t/title.yaml; pull first") {
		t.Errorf("push after another's: %v", err)
	}
	p := mustPull(t, s, two)
	if !slices.Equal(p.Written, []string{"titles/t/title.yaml"}) || !slices.Equal(p.Removed, []string{"specs/notes/x.yaml"}) || !slices.Equal(p.Kept, []string{"titles/u/title.yaml"}) {
		t.Errorf("pulled %+v", p)
	}
	if _, err := os.Stat(filepath.Join(two, "specs")); err == nil {
		t.Error("folders that a removed file left empty are still there")
	}
	if p := mustPush(t, s, two); p.Seq != 3 {
		t.Errorf("pushed %+v", p)
	}
	mustPull(t, s, one)
	if a, b := found(t, one), found(t, two); !maps.Equal(a, b) {
		t.Errorf("one has %q, two %q", a, b)
	}
	// The same edit by both: nothing differs, and neither is refused.
	for _, dir := range []string{one, two} {
		lay(t, dir, map[string]string{"titles/u/title.yaml": "title: Ours\n"})
		if p := mustPush(t, s, dir); p.Seq != 4 {
			t.Errorf("the same edit: %+v", p)
		}
	}
	// Both changed one file: nothing is overwritten; moved aside, it can be pulled.
	lay(t, one, map[string]string{"titles/u/title.yaml": "title: One\n"})
	lay(t, two, map[string]string{"titles/u/title.yaml": "title: Two\n"})
	mustPush(t, s, one)
	if _, err := Pull(t.Context(), s, two); !errors.Is(err, ErrChanged) || !strings.Contains(err.Error(), "titles/u/title.yaml; move these files aside") {
		t.Errorf("pull over an edit: %v", err)
	}
	if err := os.Rename(filepath.Join(two, "titles/u/title.yaml"), filepath.Join(two, "titles/u/mine.txt")); err != nil {
		t.Fatal(err)
	}
	if p := mustPull(t, s, two); !slices.Equal(p.Written, []string{"titles/u/title.yaml"}) {
		t.Errorf("pulled %+v", p)
	}
}

// A folder that is pushed to another store is held against what stands there.
func TestTwoStores(t *testing.T) {
	a, b := memory.New(), memory.New()
	mine, other := folder(t, nil), folder(t, map[string]string{"titles/t/title.yaml": "title: T\n"})
	mustPush(t, a, mine)
	mustPush(t, b, other)
	if _, err := Push(t.Context(), b, mine); !errors.Is(err, ErrMoved) {
		t.Errorf("push over another house: %v", err)
	}
	if p := mustPush(t, memory.New(), mine); p.Seq != 1 {
		t.Errorf("push to an empty store: %+v", p)
	}
}

func TestOpen(t *testing.T) {
	s := memory.New()
	if _, err := Open(t.Context(), s); !errors.Is(err, ErrNone) {
		t.Errorf("nothing pushed: %v", err)
	}
	const demo = "../../../testdata/house"
	dir := filepath.Join(t.TempDir(), "house")
	if err := os.CopyFS(dir, os.DirFS(demo)); err != nil {
		t.Fatal(err)
	}
	if p := mustPush(t, s, dir); len(p.Sent) < 7 {
		t.Errorf("pushed %+v", p)
	}
	got, err := Open(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	want, err := house.Load(demo)
	if err != nil {
		t.Fatal(err)
	}
	want.Root = ""
	if !reflect.DeepEqual(got, want) {
		t.Errorf("opened %+v, want %+v", got, want)
	}
}
