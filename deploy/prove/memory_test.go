package main

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// aProc writes one process into a made-up /proc.
func aProc(t *testing.T, dir string, pid, parent int, name, cmdline, rollup string) {
	t.Helper()
	d := filepath.Join(dir, strconv.Itoa(pid))
	if err := os.MkdirAll(d, 0o755); err != nil {
		t.Fatal(err)
	}
	for file, text := range map[string]string{
		"stat":         fmt.Sprintf("%d (%s) S %d 1 1 0", pid, name, parent),
		"cmdline":      strings.ReplaceAll(cmdline, " ", "\x00"),
		"smaps_rollup": rollup,
	} {
		if err := os.WriteFile(filepath.Join(d, file), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func rollupOf(rss, pss int) string {
	return fmt.Sprintf("55-7f ---p 00 00:00 0 [rollup]\nRss: %14d kB\nPss: %14d kB\nPss_Dirty: 3 kB\n", rss, pss)
}

func TestFootprint(t *testing.T) {
	dir := t.TempDir()
	aProc(t, dir, 10, 1, "night) S 99", "chapterhouse process x", rollupOf(100, 60))
	aProc(t, dir, 11, 10, "job", "chapterhouse job a", rollupOf(40, 30))
	aProc(t, dir, 12, 10, "job", "chapterhouse job b", rollupOf(41, 31))
	aProc(t, dir, 13, 12, "lame", "lame --decode f", rollupOf(5, 4))
	aProc(t, dir, 14, 10, "forking", "chapterhouse process x", rollupOf(100, 60)) // not yet exec
	aProc(t, dir, 15, 10, "ended", "", rollupOf(0, 0))
	aProc(t, dir, 16, 10, "ending", "sort -", "")
	aProc(t, dir, 20, 1, "another", "chapterhouse process y", rollupOf(1000, 900))
	if err := os.MkdirAll(filepath.Join(dir, "sys"), 0o755); err != nil {
		t.Fatal(err)
	}
	f, err := procfs(dir).footprint(10)
	if want := (footprint{rssKiB: 186, pssKiB: 125, procs: 4, jobs: 2}); err != nil || f != want {
		t.Errorf("%+v, %v; want %+v", f, err, want)
	}
	if _, err := procfs(filepath.Join(dir, "none")).footprint(10); err == nil {
		t.Error("a /proc that isn't there is read")
	}
}

// TestWatch sees what a child takes: dd holds one block.
func TestWatch(t *testing.T) {
	if _, err := os.Stat("/proc/self/smaps_rollup"); err != nil {
		t.Skip("this kernel has no smaps_rollup")
	}
	const blockMiB = 48
	cmd := exec.Command("sh", "-c", fmt.Sprintf("nice dd if=/dev/zero bs=%dM count=40 of=/dev/null; true", blockMiB))
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		_ = cmd.Wait()
		close(done)
	}()
	top, err := procfs("/proc").watch(cmd.Process.Pid, time.Millisecond, done)
	if err != nil {
		t.Fatal(err)
	}
	if mib := top.rssKiB / 1024; mib < blockMiB || mib > blockMiB+20 {
		t.Errorf("it held %d MiB at most, want little over %d", mib, blockMiB)
	}
	if top.pssKiB > top.rssKiB || top.pssKiB < blockMiB*1024 {
		t.Errorf("Pss %d KiB, Rss %d KiB", top.pssKiB, top.rssKiB)
	}
}

func TestMemoryIsHeld(t *testing.T) {
	at := func(mib float64, jobs int) peaks {
		return peaks{footprint: footprint{rssKiB: int64(1024 * mib), pssKiB: int64(512 * mib), jobs: jobs}, samples: 9}
	}
	for _, c := range []struct {
		name        string
		short, long peaks
		want        bool
	}{
		{"the same", at(100, 2), at(100, 2), true},
		{"a tenth more", at(100, 2), at(110, 2), true},
		{"more than a tenth", at(100, 2), at(110.5, 2), false},
		{"at the limit", at(240, 2), at(250, 2), true},
		{"over the limit", at(240, 2), at(251, 2), false},
		{"smaller", at(100, 2), at(90, 2), true},
		{"one slot idle", at(100, 2), at(100, 1), false},
		{"nothing seen", peaks{}, peaks{}, false},
	} {
		var tab table
		fillMemory(&tab, c.short, c.long)
		if got := tab.met(); got != c.want {
			t.Errorf("%s: met %t, want %t: %+v", c.name, got, c.want, tab.rows)
		}
	}
}

func TestRoom(t *testing.T) {
	if err := room(t.TempDir(), 1); err != nil {
		t.Error(err)
	}
	if err := room(t.TempDir(), math.MaxUint64); err == nil || !strings.Contains(err.Error(), "TMPDIR") {
		t.Errorf("a disk of any size is large enough: %v", err)
	}
}
