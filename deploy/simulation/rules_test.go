package simulation

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// rules are what the promises of a night hang on, each with the place that
// keeps it and what stands there in a build without it.
var rules = []struct {
	rule, file string
	text, gone string
}{
	{
		"write before ring", "coordinator/rings.go",
		"	if err := c.writeDown(ctx, k, w); err != nil {\n		return err\n	}\n	if err := c.Queue.Submit(ctx, w.ring); err != nil {\n		return fmt.Errorf(\"ring for %s: %w\", w.ring.Key.Short(), err)\n	}\n	return nil\n",
		"	if err := c.Queue.Submit(ctx, w.ring); err != nil {\n		return fmt.Errorf(\"ring for %s: %w\", w.ring.Key.Short(), err)\n	}\n	return c.writeDown(ctx, k, w)\n",
	},
	{
		"read back", "worker/job.go",
		"	var stands pipeline.Commit\n	return store.ReadJSON(ctx, w.Store, name, &stands)\n",
		"	return nil\n",
	},
	{
		"commit, then done", "worker/worker.go",
		"		about, err = w.work(ctx, lease, p, recipes)\n",
		"		_ = lease.Done(ctx)\n		about, err = w.work(ctx, lease, p, recipes)\n",
	},
	{
		"silence after the term", "pipeline/queue/term.go",
		"	if t.over || !sent.Before(t.until) {\n",
		"	if t.over {\n",
	},
	{
		"create if absent", "pipeline/store/object.go",
		"	_, err := s.Swap(ctx, name, Absent, data)\n",
		"	_, version, err := ReadVersion(ctx, s, name)\n	if err == nil {\n		_, err = s.Swap(ctx, name, version, data)\n	}\n",
	},
	{
		"wanted before standing", "coordinator/reconcile.go",
		"		if t.Wanted != p.run {\n			return errMoved // a newer run is wanted, or none: this one never stands\n		}\n",
		"",
	},
	{
		"blobs before their commit", "worker/job.go",
		"		if err := w.keep(ctx, p, dir, out.Blob); err != nil {\n			return err\n		}\n",
		"		defer w.keep(ctx, p, dir, out.Blob)\n",
	},
	{
		"the ring's own key last", "worker/job.go",
		"	for _, r := range slices.Backward(made) {\n",
		"	for _, r := range slices.All(made) {\n",
	},
	{
		"in the index before it is wanted", "coordinator/submit.go",
		"		if err := store.Create(ctx, s, openName(title, run), []byte(\"{}\")); err != nil {\n			return \"\", fmt.Errorf(\"submit %s: %w\", title, err)\n		}\n",
		"",
	},
	{
		"ring again, in case the broker forgot", "coordinator/rings.go",
		"		if err := c.submit(ctx, k, w); err != nil {\n			return err\n		}\n		r.ring, r.keys",
		"		r.ring, r.keys",
	},
	{
		"withdraw what is silent for long", "coordinator/rings.go",
		"			if err := c.Queue.Withdraw(ctx, r.ring); err != nil {\n				return fmt.Errorf(\"ring for %s: %w\", r.ring.Key.Short(), err)\n			}\n			r.since = now\n",
		"			r.since = now\n",
	},
}

// TestRules plays nights of builds that lack one rule each: every one of them
// is found out. Where it is not, the world is too kind.
func TestRules(t *testing.T) {
	if testing.Short() {
		t.Skip("it builds the simulation anew for each rule")
	}
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rules {
		t.Run(r.rule, func(t *testing.T) {
			file := filepath.Join(root, filepath.FromSlash(r.file))
			whole, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if n := strings.Count(string(whole), r.text); n != 1 {
				t.Fatalf("%s has the place of the rule %d times, want once: bring the table up to date with the source\n%s", r.file, n, r.text)
			}
			dir := t.TempDir()
			without := filepath.Join(dir, filepath.Base(r.file))
			overlay := filepath.Join(dir, "overlay.json")
			played := filepath.Join(dir, "summary.json")
			write(t, without, []byte(strings.Replace(string(whole), r.text, r.gone, 1)))
			text, err := json.Marshal(map[string]any{"Replace": map[string]string{file: without}})
			if err != nil {
				t.Fatal(err)
			}
			write(t, overlay, text)
			cmd := exec.Command("go", "test", "-overlay", overlay, "-run", "TestSeeds", "./deploy/simulation", "-seeds", "1000", "-summary", played)
			cmd.Dir = root
			out, err := cmd.CombinedOutput()
			var s Summary
			if text, err := os.ReadFile(played); err != nil {
				t.Fatalf("no night was played: %v\n%s", err, out)
			} else if err := json.Unmarshal(text, &s); err != nil {
				t.Fatal(err)
			}
			if err == nil || s.Broken == 0 {
				t.Fatalf("%d nights without the rule were good: the world is too kind", s.Played)
			}
			t.Logf("found out at seed %d, after %d nights: %s", s.First.Seed, s.Played, s.First.Breaches[0])
		})
	}
}

func write(t *testing.T, path string, text []byte) {
	t.Helper()
	if err := os.WriteFile(path, text, 0o644); err != nil {
		t.Fatal(err)
	}
}
