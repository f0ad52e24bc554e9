package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"
	"testing"
)

// TestSeveralMachines is the heart of a night on several machines: two
// coordinators and two workers, processes of their own, do the demo title over
// a NATS server with TLS and S3-compatible storage, and what is fetched has
// the bytes that process makes on one machine.
func TestSeveralMachines(t *testing.T) {
	c := newCluster(t)
	home := demoHouse(t)
	title := filepath.Join(home, "titles", "eleven-tide-gates")
	me := c.settings(t, "me", "coordinator", coordinatorPassword, "")

	var all []*machine
	for _, name := range []string{"coordinator-1", "coordinator-2"} {
		all = append(all, start(t, c.settings(t, name, "coordinator", coordinatorPassword, ""), "coordinator"))
	}
	for _, name := range []string{"worker-1", "worker-2"} {
		all = append(all, start(t, c.settings(t, name, "worker", workerPassword, ""), "worker"))
	}
	began := time.Now()
	t.Log(run0(t, me, "submit", title, "--watch"), time.Since(began))
	out := filepath.Join(c.dir, "out")
	for _, m := range all { t.Log(m.err.String()) }
	t.Log(run0(t, me, "fetch", "eleven-tide-gates", "--out", out))
	for _, m := range all {
		if err := m.cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
	}
	for _, m := range all {
		if code := m.wait(t); code != 0 {
			t.Errorf("%s: exit %d after it was told to stop", m.name, code)
		}
	}

	run0(t, nil, "process", title)
	compared := 0
	alone := filepath.Join(home, "out", "eleven-tide-gates")
	err := filepath.WalkDir(alone, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.Name() != "SHA256SUMS" {
			return err
		}
		rel, err := filepath.Rel(alone, path)
		if err != nil {
			return err
		}
		want, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		got, err := os.ReadFile(filepath.Join(out, "eleven-tide-gates", rel))
		if err != nil {
			return err
		}
		if string(got) != string(want) {
			t.Errorf("%s: several machines made\n%s\nand one makes\n%s", rel, got, want)
		}
		compared++
		return nil
	})
	if err != nil || compared == 0 {
		t.Fatalf("%d deliveries were compared: %v", compared, err)
	}
}

// demoHouse is a copy of the demo house that a test may write to.
func demoHouse(t *testing.T) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "house")
	for _, part := range []string{"house.yaml", "narrators", "titles"} {
		err := filepath.WalkDir(filepath.Join(demo, part), func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			rel, err := filepath.Rel(demo, path)
			if err != nil {
				return err
			}
			if d.IsDir() {
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
		if err != nil {
			t.Fatal(err)
		}
	}
	return to
}
