package main

import (
	"encoding/base64"
	"encoding/hex"
	"io"
	"io/fs"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

// TestSeveralMachines is the heart of a night on several machines: two
// coordinators and two workers, processes of their own, do the demo title over
// a NATS server with TLS and S3-compatible storage. What is fetched has the
// bytes that process makes on one machine, the metrics tell what was done, and
// no secret stands anywhere in what was printed, served or stored.
func TestSeveralMachines(t *testing.T) {
	t.Parallel()
	c := newCluster(t)
	home := demoHouse(t)
	title := filepath.Join(home, "titles", "eleven-tide-gates")
	me := append(c.settings(t, "me", "coordinator", ""), c.secrets(t, coordinatorPassword, false)...)
	heard := []string{} // all that anyone printed or served

	var coordinators, workers []*machine
	for i, name := range []string{"coordinator-1", "coordinator-2"} {
		env := append(c.settings(t, name, "coordinator", ""), c.secrets(t, coordinatorPassword, i == 0)...)
		coordinators = append(coordinators, start(t, env, "coordinator"))
	}
	spy, spied := spyOnLame(t)
	for i, name := range []string{"worker-1", "worker-2"} {
		env := append(c.settings(t, name, "worker", ""), c.secrets(t, workerPassword, i == 0)...)
		workers = append(workers, start(t, append(env, spy...), "worker"))
	}
	out := filepath.Join(c.dir, "out")
	for _, call := range [][]string{
		{"push", home}, {"submit", title, "--watch"}, {"status"}, {"fetch", "eleven-tide-gates", "--out", out},
	} {
		m := start(t, me, call...)
		if code := m.wait(t); code != 0 {
			t.Fatalf("%s: exit %d", m.name, code)
		}
		heard = append(heard, m.out.String(), m.err.String())
	}
	if text := heard[len(heard)-4]; !strings.Contains(text, "0 titles open") || !strings.Contains(text, "2 workers with 2 slots · 2 coordinators") {
		t.Errorf("status hears nobody:\n%s", text)
	}

	done := 0.0
	for _, m := range workers {
		text, is := metricsOf(t, m)
		heard = append(heard, text)
		if is["chapterhouse_broker_up"] != 1 || is[`chapterhouse_jobs_total{outcome="failed"}`] != 0 {
			t.Errorf("%s: %v", m.name, is)
		}
		if is["chapterhouse_job_seconds_count"] != is[`chapterhouse_jobs_total{outcome="done"}`] {
			t.Errorf("%s: %v jobs timed of %v done", m.name, is["chapterhouse_job_seconds_count"], is[`chapterhouse_jobs_total{outcome="done"}`])
		}
		done += is[`chapterhouse_jobs_total{outcome="done"}`]
	}
	// 9 sources are opened and measured, 9 parts weighed, 8 chapters rendered.
	if done < 9+8+8+8 {
		t.Errorf("%v jobs were done by all workers", done)
	}
	for _, m := range coordinators {
		text, is := metricsOf(t, m)
		heard = append(heard, text)
		if is["chapterhouse_broker_up"] != 1 || is["chapterhouse_titles_open"] != 0 || is["chapterhouse_workers"] != 2 || is["chapterhouse_slots"] != 2 {
			t.Errorf("%s: %v", m.name, is)
		}
	}
	all := slices.Concat(coordinators, workers)
	for _, m := range all {
		if err := m.cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
	}
	for _, m := range all {
		if code := m.wait(t); code != 0 {
			t.Errorf("%s: exit %d after it was told to stop", m.name, code)
		}
		heard = append(heard, m.out.String(), m.err.String())
	}

	run0(t, nil, "process", title)
	sameDeliveries(t, filepath.Join(out, "eleven-tide-gates"), filepath.Join(home, "out", "eleven-tide-gates"))
	secrets := []string{coordinatorPassword, workerPassword, c.gateway.SecretKey}
	unseen(t, "what was printed and served", strings.Join(heard, "\n"), secrets)
	files := 0
	for _, dir := range []string{out, c.gateway.BucketDir(bucket), filepath.Join(c.dir, "nats"), filepath.Join(c.dir, "cache"), spied} {
		files += unseenIn(t, dir, secrets)
	}
	if files < 100 {
		t.Errorf("secrets were looked for in %d files", files)
	}
}

// spyOnLame is an environment with a program in the place of lame that writes
// its environment down, in a folder: what children are given.
func spyOnLame(t *testing.T) (env []string, seen string) {
	t.Helper()
	dir := t.TempDir()
	seen = filepath.Join(dir, "seen")
	text := "#!/bin/sh\nenv >\"" + seen + "/$$\"\nPATH=${PATH#*:} exec lame \"$@\"\n"
	if err := os.WriteFile(filepath.Join(dir, "lame"), []byte(text), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(seen, 0o755); err != nil {
		t.Fatal(err)
	}
	return []string{"PATH=" + dir + string(os.PathListSeparator) + os.Getenv("PATH")}, seen
}

// sameDeliveries wants the checksums of every delivery to be those of another.
func sameDeliveries(t *testing.T, several, one string) {
	t.Helper()
	compared := 0
	err := filepath.WalkDir(one, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.Name() != "SHA256SUMS" {
			return err
		}
		rel, err := filepath.Rel(one, path)
		if err != nil {
			return err
		}
		want, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		got, err := os.ReadFile(filepath.Join(several, rel))
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
		t.Errorf("%d deliveries were compared: %v", compared, err)
	}
}

var (
	address = regexp.MustCompile(`"address": "(127\.0\.0\.1:\d+)"`)
	sample  = regexp.MustCompile(`(?m)^(chapterhouse_\S+) (\S+)$`)
)

// metricsOf reads a process's metrics: as they are served, and ours by name.
func metricsOf(t *testing.T, m *machine) (string, map[string]float64) {
	t.Helper()
	at := address.FindStringSubmatch(m.err.String())
	if at == nil {
		t.Fatalf("%s does not say where its metrics are", m.name)
	}
	var text strings.Builder
	for _, page := range []string{"/healthz", "/metrics"} {
		answer, err := http.Get("http://" + at[1] + page)
		if err != nil {
			t.Fatal(err)
		}
		if answer.StatusCode != http.StatusOK {
			t.Errorf("%s: %s", page, answer.Status)
		}
		_, err = io.Copy(&text, answer.Body)
		if err := answer.Body.Close(); err != nil {
			t.Fatal(err)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	is := map[string]float64{}
	for _, s := range sample.FindAllStringSubmatch(text.String(), -1) {
		v, err := strconv.ParseFloat(s[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		is[s[1]] = v
	}
	if len(is) == 0 {
		t.Fatalf("%s serves no metric: %v", m.name, slices.Collect(maps.Keys(is)))
	}
	return text.String(), is
}

// unseen wants no secret in a text, as it is or as headers and dumps write it.
func unseen(t *testing.T, what, text string, secrets []string) {
	t.Helper()
	for _, s := range secrets {
		for _, form := range []string{s, base64.StdEncoding.EncodeToString([]byte(s))[:4*(len(s)/3)], hex.EncodeToString([]byte(s))} {
			if at := strings.Index(text, form); at >= 0 {
				t.Errorf("%s holds a secret: …%q…", what, text[max(0, at-80):min(len(text), at+len(form)+40)])
			}
		}
	}
}

// unseenIn looks through all files below a folder, and counts them.
func unseenIn(t *testing.T, dir string, secrets []string) (n int) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		n++
		unseen(t, path, string(text), secrets)
		return err
	})
	if err != nil {
		t.Error(err)
	}
	return n
}

// demoHouse is a copy of the demo house that a test may write to.
func demoHouse(t *testing.T) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "house")
	for _, part := range []string{"house.yaml", "narrators", "titles"} {
		if err := copyFiles(filepath.Join(demo, part), filepath.Join(to, part)); err != nil {
			t.Fatal(err)
		}
	}
	return to
}
