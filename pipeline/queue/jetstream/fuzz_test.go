package jetstream

import (
	"encoding/json"
	"runtime"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

// FuzzRing: whatever comes on whatever subject is refused in one sentence, or
// is a ring whose engine, class and key stand in that subject and can't lead
// out of it.
func FuzzRing(f *testing.F) {
	key := pipeline.DigestOf([]byte("k"))
	for _, r := range []queue.Ring{
		{Engine: "a3f9c0de", Class: queue.Rush, Key: key},
		{Engine: "a3f9c0de", Class: queue.Overnight, Key: key, With: []pipeline.Digest{key, "../../titles/x"}},
		{Engine: "a.>", Class: queue.Rush, Key: key},
		{Engine: "", Class: "", Key: ""},
		{Engine: "a", Class: "rush.x", Key: key},
		{Engine: "a", Class: queue.Rush, Key: key[:63]},
	} {
		text, err := json.Marshal(r)
		if err != nil {
			f.Fatal(err)
		}
		f.Add("job.a3f9c0de."+string(queue.Rush)+"."+string(key), text)
		f.Add("job."+r.Engine+"."+string(r.Class)+"."+string(r.Key), text)
	}
	for _, text := range []string{``, `null`, `[]`, `{"with":[[[[`, `{"key":7}`, `{"engine":"` + strings.Repeat("a", 5000) + `"}`} {
		f.Add("job.a3f9c0de.rush.x", []byte(text))
	}
	f.Fuzz(func(t *testing.T, on string, data []byte) {
		if len(data) > maxRing {
			return
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		r, err := readRing(on, data)
		runtime.ReadMemStats(&after)
		if took := after.TotalAlloc - before.TotalAlloc; took > 1<<20+200*uint64(len(data)) {
			t.Errorf("%d bytes of memory for %d", took, len(data))
		}
		if err != nil {
			if text := err.Error(); text == "" || strings.Contains(text, "\n") || len(text) > 1000+len(data) {
				t.Errorf("%q is refused with %q", data, text)
			}
			return
		}
		part := strings.Split(on, ".")
		if len(part) != 4 || part[0] != "job" || part[1] != queue.Short(r.Engine) || part[2] != string(r.Class) || part[3] != string(r.Key) || !r.Key.Valid() {
			t.Errorf("%q on %s is read as %+v", data, on, r)
		}
		if strings.ContainsAny(on, "*> \r\n\t/") {
			t.Errorf("a ring on %q", on)
		}
	})
}
