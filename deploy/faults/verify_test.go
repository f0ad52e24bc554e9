package faults

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chapterhouse/deploy/faults/proxy"
	"chapterhouse/pipeline"
)

// TestJudgeWrites: the judge of histories finds what must not be.
func TestJudgeWrites(t *testing.T) {
	const title = "titles/one/title.json"
	wrote := func(name string, v any) proxy.Call {
		body, err := json.Marshal(v)
		must(t, err)
		return proxy.Call{Method: "PUT", Name: name, Status: 200, Body: body}
	}
	state := func(rev, seq int, wanted, standing string) proxy.Call {
		return wrote(title, pipeline.TitleState{Rev: rev, Seq: seq, Wanted: wanted, Standing: standing})
	}
	refused := func(c proxy.Call) proxy.Call { c.Status = http.StatusPreconditionFailed; return c }
	first, closed := state(1, 1, "000001", ""), state(2, 1, "000001", "000001")
	for _, c := range []struct {
		name  string
		calls []proxy.Call
		want  string // in the one thing that is wrong; empty: nothing is
	}{
		{"submitted and closed", []proxy.Call{first, closed}, ""},
		{"seen in another order", []proxy.Call{closed, first}, ""},
		{"a second writer is refused", []proxy.Call{first, closed, refused(closed)}, ""},
		{"a run gives way to a newer one", []proxy.Call{first, state(2, 2, "000002", ""), state(3, 2, "000002", "000002")}, ""},
		{"closed twice", []proxy.Call{first, closed, closed}, "revision 2 came after 2"},
		{"a write is missing", []proxy.Call{first, state(3, 1, "000001", "000001")}, "revision 3 was made from another than 1"},
		{"an older run stands after a newer", []proxy.Call{first, state(2, 2, "000002", ""), state(3, 2, "000002", "000002"), state(4, 2, "000002", "000001")}, "run 000001 stood after 000002"},
		{"a run is left out", []proxy.Call{first, state(2, 3, "000003", "")}, "run 3 came after run 1"},
		{"one commit", []proxy.Call{wrote("commits/a.json", 1), refused(wrote("commits/a.json", 2))}, ""},
		{"two commits", []proxy.Call{wrote("commits/a.json", 1), wrote("commits/a.json", 2)}, "2 writers were told that they created commits/a.json"},
		{"two closes", []proxy.Call{wrote("titles/one/runs/000001/close.json", 1), wrote("titles/one/runs/000001/close.json", 1)}, "2 writers"},
		{"one that may be made again", []proxy.Call{wrote("commits/remade.json", 1), wrote("commits/remade.json", 2)}, ""},
		{"what is written at will", []proxy.Call{wrote("narrators/a/narrator.json", 1), wrote("narrators/a/narrator.json", 2)}, ""},
	} {
		got := judgeWrites(c.calls, title, func(name string) bool { return name == "commits/remade.json" })
		if c.want == "" && len(got) > 0 || c.want != "" && !strings.Contains(strings.Join(got, "\n"), c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// aBucket is a folder with objects.
func aBucket(t *testing.T, objects map[string]string) (Bucket, func(name, text string)) {
	b := Bucket{t.TempDir()}
	write := func(name, text string) {
		path := b.path(name)
		must(t, os.MkdirAll(filepath.Dir(path), 0o755))
		must(t, os.WriteFile(path+".part", []byte(text), 0o644))
		must(t, os.Rename(path+".part", path))
	}
	for name, text := range objects {
		write(name, text)
	}
	return b, write
}

// TestWatch: a reader that looks all the while sees what must not change.
func TestWatch(t *testing.T) {
	const title, commit = "titles/one/title.json", "commits/a.json"
	for _, c := range []struct {
		name string
		then func(b Bucket, write func(name, text string))
		want string
	}{
		{"nothing happens", func(Bucket, func(string, string)) {}, ""},
		{"the same bytes are written again", func(_ Bucket, write func(string, string)) { write(commit, "1") }, ""},
		{"a commit changes", func(_ Bucket, write func(string, string)) { write(commit, "2") }, commit + " was written twice"},
		{"a commit goes", func(b Bucket, _ func(string, string)) { must(t, os.Remove(b.path(commit))) }, commit + " was there and is gone"},
		{"the title moves", func(_ Bucket, write func(string, string)) { write(title, `{"rev": 3, "seq": 2, "standing": "000002"}`) }, ""},
		{"the title goes back", func(_ Bucket, write func(string, string)) { write(title, `{"rev": 3, "seq": 2, "standing": "000000"}`) }, "run 000000 stood after 000001"},
		{"the title is an old one", func(_ Bucket, write func(string, string)) { write(title, `{"rev": 1, "seq": 2, "standing": "000001"}`) }, "revision 1 came after 2"},
	} {
		b, write := aBucket(t, map[string]string{commit: "1", title: `{"rev": 2, "seq": 2, "wanted": "000002", "standing": "000001"}`})
		w := watchBucket(b)
		must(t, await(t.Context(), time.Minute, "it looks", func() (bool, error) { return !w.at(commit).IsZero(), nil }))
		w.look()
		c.then(b, write)
		w.end()
		w.look()
		if got := strings.Join(w.found(), "\n"); c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestBlobFault(t *testing.T) {
	const text = "what was recorded"
	d := pipeline.DigestOf([]byte(text))
	name := "blobs/" + string(d[:2]) + "/" + string(d)
	b, write := aBucket(t, map[string]string{name: text})
	if why := b.fault(d, int64(len(text))); why != "" {
		t.Errorf("a whole blob: %s", why)
	}
	if why := b.fault(d, 3); why == "" {
		t.Error("a wrong size is right")
	}
	must(t, b.Truncate(d))
	if why := b.fault(d, int64(len(text))); why == "" {
		t.Error("half a blob is whole")
	}
	write(name, "what was recordee")
	if why := b.fault(d, int64(len(text))); why == "" {
		t.Error("other bytes are right")
	}
	must(t, b.Remove(d))
	if why := b.fault(d, int64(len(text))); !strings.Contains(why, "not there") {
		t.Errorf("of no blob it says %q", why)
	}
}

func TestTries(t *testing.T) {
	b, _ := aBucket(t, map[string]string{
		"attempts/k1/a.json": `{"worker": "worker-1"}`, "attempts/k1/b.err.json": `{"kind": "crash", "text": "it died"}`, "attempts/k2/c.json": `{"worker": "worker-2"}`,
	})
	begun, err := b.Begun()
	must(t, err)
	failed, err := b.Failed()
	must(t, err)
	if len(begun) != 2 || begun["k1"] != 1 || begun["k2"] != 1 || len(failed) != 1 || failed[0].Key != "k1" || failed[0].Kind != pipeline.Crash || strikesOf(failed) != 1 {
		t.Errorf("begun %+v, failed %+v", begun, failed)
	}
}
