package coordinator

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// audit audits the world's store, bytes and all.
func (w *world) audit() Audited {
	w.t.Helper()
	return w.auditOf(AuditOptions{ReadData: 1})
}

func (w *world) auditOf(o AuditOptions) Audited {
	w.t.Helper()
	got, err := Audit(context.Background(), w.store, o)
	if err != nil {
		w.t.Fatal(err)
	}
	return got
}

// faults are what an audit found, in short.
func faults(a Audited) (all []string) {
	for _, f := range a.Faults {
		all = append(all, fmt.Sprintf("%s %s %s", f.Weight, f.Fault, f.Object))
	}
	return all
}

// hits are what a fault concerns, in short.
func hits(f Fault) string {
	var all []string
	for _, h := range f.Hits {
		s := fmt.Sprintf("%s/%s/%d", h.Title, h.Run, h.Chapter)
		for _, more := range [][]string{h.Narrators, h.Specs, h.Files} {
			s += " " + strings.Join(more, "+")
		}
		if h.Standing {
			s += " stands"
		}
		all = append(all, s)
	}
	return strings.Join(all, "; ")
}

// flip changes one bit of an object.
func (w *world) flip(name string, at int) {
	w.t.Helper()
	data := []byte(w.objects(name)[name])
	if len(data) == 0 {
		w.t.Fatalf("%s is not there or empty", name)
	}
	data[at%len(data)] ^= 1
	w.store.Break(name, data)
}

func (w *world) delete(name string) {
	w.t.Helper()
	if !w.there(name) {
		w.t.Fatalf("%s is not there", name)
	}
	if err := w.store.Delete(context.Background(), name); err != nil {
		w.t.Fatal(err)
	}
}

// replace puts one text in the place of another in an object.
func (w *world) replace(name, old, by string) {
	w.t.Helper()
	data := w.objects(name)[name]
	if !strings.Contains(data, old) {
		w.t.Fatalf("%s holds no %q: %.2000s", name, old, data)
	}
	w.store.Break(name, []byte(strings.Replace(data, old, by, 1)))
}

// file is what the standing close says of a chapter's file for a spec.
func (w *world) file(chapter int, spec string) pipeline.FileOutcome {
	w.t.Helper()
	o := read[pipeline.Outcome](w, runName(title, w.state().Standing, "close"))
	for _, f := range o.Chapters[w.index(chapter)].Files {
		if f.Spec == spec {
			return f
		}
	}
	w.t.Fatalf("chapter %d has no file for %s", chapter, spec)
	return pipeline.FileOutcome{}
}

// keyOf is the key of a step's result over a path.
func (w *world) keyOf(step pipeline.Step, path string) pipeline.Digest {
	w.t.Helper()
	all := w.recipes(step, path)
	if len(all) == 0 {
		w.t.Fatalf("nothing of step %s was made of %s", step, path)
	}
	return all[0].Key()
}

// TestAuditSound: a store is silent at every moment of a night, and after it.
func TestAuditSound(t *testing.T) {
	w := newWorld(t)
	w.submit()
	co := w.coordinator(w.store)
	for range 100 {
		seen, err := co.Reconcile(t.Context(), title)
		if err != nil {
			t.Fatal(err)
		}
		if got := w.audit(); len(got.Faults) > 0 {
			t.Fatalf("at step %s: %v", seen.Step, faults(got))
		}
		if seen.Closed {
			break
		}
		for range 3 {
			if w.answer(); len(w.audit().Faults) > 0 {
				t.Fatalf("after an answer: %v", faults(w.audit()))
			}
		}
	}
	w.sub.Narrators["ines"] = narrator("ines", 120)
	w.submitAndClose()
	got := w.audit()
	if len(got.Faults) > 0 || got.Left() > 0 {
		t.Errorf("%v", faults(got))
	}
	if all := len(w.objects("")); got.Objects != all || got.Titles != 1 || got.Read != got.Blobs || got.ReadSize != got.Bytes || got.Blobs == 0 || got.Commits == 0 || got.Recipes != got.Commits {
		t.Errorf("%+v of %d objects", got, all)
	}
}

// TestAuditNames: each kind of damage by itself is named, with whom it hits,
// and nothing else is.
func TestAuditNames(t *testing.T) {
	for _, c := range []struct {
		name  string
		plant func(*world) string // the object
		want  string              // weight and kind
		hits  string
	}{
		{"a rendered file's bytes", func(w *world) string {
			name := store.BlobName(w.file(3, "retail").Blob)
			w.flip(name, 7)
			return name
		}, "damage damaged", title + "/000001/3 tobias retail 03-1.flac stands"},
		{"a rendered file cut short", func(w *world) string {
			name := store.BlobName(w.file(4, "lossless").Blob)
			w.store.Break(name, []byte("audio"))
			return name
		}, "damage damaged", title + "/000001/4 ines+tobias lossless 04-1.flac+04-2.flac stands"},
		{"a rendered file gone", func(w *world) string {
			name := store.BlobName(w.file(1, "retail").Blob)
			w.delete(name)
			return name
		}, "damage missing", title + "/000001/1 ines retail 01-1.flac stands"},
		{"a source's bytes", func(w *world) string {
			d, _ := w.of("02-1.flac")
			w.flip(store.BlobName(d), 3)
			return store.BlobName(d)
		}, "damage damaged", title + "/000001/2 ines  02-1.flac"},
		{"a source gone", func(w *world) string {
			d, _ := w.of("04-2.flac")
			w.delete(store.BlobName(d))
			return store.BlobName(d)
		}, "damage missing", title + "/000001/4 tobias  04-2.flac"},
		{"a blob that nobody names", func(w *world) string {
			src := w.upload("99-1.flac", recording{})
			w.flip(store.BlobName(src.Blob), 0)
			return store.BlobName(src.Blob)
		}, "damage damaged", ""},
		{"a commit's form", func(w *world) string {
			name := commitName(w.keyOf(pipeline.StepProfile, "03-1.flac"))
			w.store.Break(name, []byte(`{"key":`))
			return name
		}, "damage damaged", title + "/000001/3 tobias  03-1.flac"},
		{"a commit under another's name", func(w *world) string {
			name, other := commitName(w.keyOf(pipeline.StepWeigh, "01-1.flac")), commitName(w.keyOf(pipeline.StepWeigh, "02-1.flac"))
			w.store.Break(name, []byte(w.objects(other)[other]))
			return name
		}, "damage damaged", title + "/000001/1 ines  01-1.flac"},
		{"a commit's record", func(w *world) string {
			name := commitName(w.keyOf(pipeline.StepCheck, "02-1.flac"))
			w.replace(name, `"record":{"pauses":[[`, `"record":{"pauses":[7,[`)
			return name
		}, "damage damaged", title + "/000001/2 ines  02-1.flac"},
		{"a commit of a file without one", func(w *world) string {
			name := commitName(w.file(2, "lossless").Key)
			w.replace(name, `"role":"audio"`, `"role":"eudio"`)
			return name
		}, "damage damaged", title + "/000001/2 ines lossless 02-1.flac stands"},
		{"a commit with another size", func(w *world) string {
			f := w.file(2, "lossless")
			w.replace(commitName(f.Key), fmt.Sprintf(`"bytes":%d`, f.Bytes), `"bytes":7`)
			return commitName(f.Key)
		}, "damage damaged", title + "/000001/2 ines lossless 02-1.flac stands"},
		{"a commit's step", func(w *world) string {
			name := commitName(w.keyOf(pipeline.StepIntake, "02-1.flac"))
			w.replace(name, `"step":"intake"`, `"step":"intale"`)
			return name
		}, "damage damaged", title + "/000001/2 ines  02-1.flac"},
		{"a file's commit gone", func(w *world) string {
			w.delete(commitName(w.file(3, "lossless").Key))
			return commitName(w.file(3, "lossless").Key)
		}, "damage missing", title + "/000001/3 tobias lossless 03-1.flac stands"},
		{"a recipe's bytes", func(w *world) string {
			name := recipeName(w.keyOf(pipeline.StepProfile, "04-1.flac"))
			w.flip(name, 40)
			return name
		}, "damage damaged", title + "/000001/4 ines  04-1.flac"},
		{"a file's recipe gone", func(w *world) string {
			name := recipeName(w.file(4, "retail").Key)
			w.delete(name)
			return name
		}, "damage missing", title + "/000001/4 ines+tobias retail 04-1.flac+04-2.flac stands"},
		{"the title's state", func(w *world) string {
			w.store.Break(titleName(title), []byte("{"))
			return titleName(title)
		}, "damage damaged", title + "//-1   "},
		{"the title's state lost", func(w *world) string {
			w.delete(titleName(title))
			return titleName(title)
		}, "damage missing", title + "//-1   "},
		{"a state that names a run which is none", func(w *world) string {
			w.replace(titleName(title), `"standing":"000001"`, `"standing":"../../x"`)
			return titleName(title)
		}, "damage damaged", title + "//-1   "},
		{"a submission gone", runObject("submit", (*world).delete), "damage missing", title + "/000001/-1    stands"},
		{"a plan gone", runObject("plan", (*world).delete), "damage missing", title + "/000001/-1    stands"},
		{"fits gone", runObject("fits", (*world).delete), "damage missing", title + "/000001/-1    stands"},
		{"gains that are none", runObject("gains", (*world).cut), "damage damaged", title + "/000001/-1    stands"},
		{"a close gone", runObject("close", (*world).delete), "damage missing", title + "/000001/-1    stands"},
		{"a close that is cut off", runObject("close", (*world).cut), "damage damaged", title + "/000001/-1    stands"},
		{"a submission with another size", func(w *world) string {
			w.replace(runName(title, "000001", "submit"), `"bytes":9`, `"bytes":8`)
			return runName(title, "000001", "submit")
		}, "damage damaged", title + "/000001/-1    stands"},
		{"a close with another measure", func(w *world) string {
			w.replace(runName(title, "000001", "close"), `"head_s":0.75,"length_s"`, `"head_s":0.76,"length_s"`)
			for _, who := range []string{"ines", "tobias"} {
				w.delete(shareName(who, title, "000001"))
				if err := remakeShare(context.Background(), w.store, placeOf(shareName(who, title, "000001"))); err != nil {
					w.t.Fatal(err)
				}
			}
			return runName(title, "000001", "close")
		}, "damage wrong", title + "/000001/1 ines lossless 01-1.flac stands"},
		{"a narrator's share gone", func(w *world) string {
			w.delete(shareName("tobias", title, "000001"))
			return shareName("tobias", title, "000001")
		}, "damage missing", title + "/000001/-1 tobias   stands"},
		{"a narrator's share that says otherwise", func(w *world) string {
			w.replace(shareName("ines", title, "000001"), `"name":"Low Water"`, `"name":"Lew Water"`)
			return shareName("ines", title, "000001")
		}, "damage wrong", title + "/000001/-1 ines   stands"},
		{"a narrator's share that can't be read", func(w *world) string {
			w.cut(shareName("ines", title, "000001"))
			return shareName("ines", title, "000001")
		}, "damage damaged", title + "/000001/-1 ines   stands"},
		{"a narrator's fits gone", func(w *world) string {
			w.delete(narratorName("ines"))
			return narratorName("ines")
		}, "damage missing", title + "/000001/-1 ines   stands"},
		{"a narrator's fits that can't be read", func(w *world) string {
			w.cut(narratorName("ines"))
			return narratorName("ines")
		}, "damage damaged", "//-1 ines  "},
		{"an entry of a run that is over", func(w *world) string {
			w.put(openName(title, "000001"), "{}")
			return openName(title, "000001")
		}, "notice stale", title + "/000001/-1   "},
		{"an entry of a submission that was cut off", func(w *world) string {
			w.put(openName(title, "000002"), "{}")
			return openName(title, "000002")
		}, "notice stale", title + "/000002/-1   "},
		{"a failed try that can't be read", func(w *world) string {
			name := "attempts/" + string(w.keyOf(pipeline.StepProfile, "02-1.flac")) + "/a.err.json"
			w.put(name, "{")
			return name
		}, "damage damaged", title + "/000001/2 ines  02-1.flac"},
		{"a quarantine that can't be read", func(w *world) string {
			name := quarantineName(w.keyOf(pipeline.StepWeigh, "02-1.flac"))
			w.put(name, "{}")
			return name
		}, "damage damaged", title + "/000001/2 ines  02-1.flac"},
		{"a quarantine of nothing", func(w *world) string {
			name := quarantineName(pipeline.DigestOf([]byte("nothing")))
			w.put(name, `{"reason":"why not"}`)
			return name
		}, "notice stale", ""},
		{"tries of nothing", func(w *world) string {
			name := "attempts/" + string(pipeline.DigestOf([]byte("nothing"))) + "/"
			w.put(name+"a.json", `{}`)
			return name
		}, "notice stale", ""},
		{"a file of the house gone", func(w *world) string {
			d := pipeline.DigestOf([]byte("house: Quiet Street"))
			w.put(houseName, `{"seq":1,"files":{"house.yaml":"`+string(d)+`"}}`)
			return store.BlobName(d)
		}, "damage missing", ""},
		{"a file of the house damaged", func(w *world) string {
			d := w.upload("house.yaml", recording{}).Blob
			w.put(houseName, `{"seq":1,"files":{"house.yaml":"`+string(d)+`"}}`)
			w.flip(store.BlobName(d), 1)
			return store.BlobName(d)
		}, "damage damaged", ""},
		{"the house that was pushed", func(w *world) string {
			w.put(houseName, `{"seq":1,"files":{"house.yaml":"../x"}}`)
			return houseName
		}, "damage damaged", ""},
		{"something else", func(w *world) string {
			w.put("blobs.json", "{}")
			return "blobs.json"
		}, "notice unknown", ""},
		{"a blob under a name that is none", func(w *world) string {
			w.put("recipes/0.json", "{}")
			return "recipes/0.json"
		}, "notice unknown", ""},
		{"a newer build's commit", func(w *world) string {
			r := `{"step":"series"}`
			key := pipeline.DigestOf([]byte(r))
			w.put(recipeName(key), r)
			w.put(commitName(key), `{"key":"`+string(key)+`","step":"series"}`)
			return commitName(key)
		}, "notice unknown", ""},
		{"a submission that was cut off", func(w *world) string {
			w.put("titles/salt-road/runs/000001/submit.json", "{}")
			return "titles/salt-road/title.json"
		}, "notice missing", "salt-road//-1   "},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			w.submitAndClose()
			object := c.plant(w)
			got := w.audit()
			if want := []string{c.want + " " + object}; !slices.Equal(faults(got), want) {
				t.Fatalf("%v, want %v", faults(got), want)
			}
			if h := hits(got.Faults[0]); h != c.hits {
				t.Errorf("hits %q, want %q", h, c.hits)
			}
			if f := got.Faults[0]; f.What == "" || f.Do == "" {
				t.Errorf("%+v", f)
			}
			if left := got.Left(); left != map[bool]int{true: 1}[strings.HasPrefix(c.want, "damage")] {
				t.Errorf("%d left", left)
			}
			if before := w.objects(""); !bytes.Equal(mustJSON(t, got), mustJSON(t, w.audit())) || len(before) != len(w.objects("")) {
				t.Error("another audit says something else")
			}
		})
	}
}

// runObject does something to an object of the first run.
func runObject(what string, do func(*world, string)) func(*world) string {
	return func(w *world) string {
		name := runName(title, "000001", what)
		do(w, name)
		return name
	}
}

// cut leaves half of an object.
func (w *world) cut(name string) {
	data := w.objects(name)[name]
	w.store.Break(name, []byte(data[:len(data)/2]))
}

func (w *world) put(name, data string) {
	w.t.Helper()
	if err := store.Create(context.Background(), w.store, name, []byte(data)); err != nil {
		w.t.Fatal(err)
	}
}

func mustJSON(t testing.TB, v any) []byte {
	t.Helper()
	text, err := pipeline.Canonical(v)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// TestPlaceOf takes apart every name that there is, and only those.
func TestPlaceOf(t *testing.T) {
	key := pipeline.DigestOf([]byte("k"))
	k := string(key)
	for name, want := range map[string]place{
		store.BlobName(key):                    {kind: blobPlace, key: key},
		recipeName(key):                        {kind: recipePlace, key: key},
		commitName(key):                        {kind: commitPlace, key: key},
		quarantineName(key):                    {kind: quarantinePlace, key: key},
		"attempts/" + k + "/x.json":            {kind: tryPlace, key: key},
		"attempts/" + k + "/x.err.json":        {kind: failurePlace, key: key},
		titleName("t"):                         {kind: titlePlace, title: "t"},
		runName("t", "000001", "engine"):       {kind: runPlace, title: "t", run: "000001", what: "engine"},
		openName("t", "000001"):                {kind: openPlace, title: "t", run: "000001"},
		narratorName("n"):                      {kind: narratorPlace, narrator: "n"},
		shareName("n", "t", "000001"):          {kind: sharePlace, narrator: "n", title: "t", run: "000001"},
		houseName:                              {kind: housePlace},
		"seen.json":                            {kind: besidePlace},
		"probe/x/y":                            {kind: besidePlace},
		"":                                     {},
		"x":                                    {},
		"seen":                                 {},
		"blobs/" + k:                           {},
		"blobs/00/" + k:                        {},
		"recipes/" + k:                         {},
		"recipes/" + k[:63] + ".json":          {},
		"recipes/x/" + k + ".json":             {},
		"titles/t/runs/000001/other.json":      {},
		"titles/t/runs/000001/close.json.part": {},
		"titles/title.json":                    {},
		"narrators/n/titles/t/x/y.json":        {},
	} {
		if got := placeOf(name); got != want {
			t.Errorf("%q: %+v, want %+v", name, got, want)
		}
	}
}
