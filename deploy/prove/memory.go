package main

import (
	"context"
	"fmt"
	"os"
	"syscall"
	"time"
)

const (
	shortMinutes, longMinutes = 20, 180
	memorySlots               = 2
	memoryLimitMiB            = 250.0
	growthLimitPercent        = 10.0
	sampleEvery               = 50 * time.Millisecond
	// roomGB is for two long chapters at once: recording, its copy in the
	// store, float64 scratch, master, both files and their copies.
	roomGB = 24
)

// longSpec asks for both kinds of file and for no length.
const longSpec = `spec: long
source: common practice
sound:
  level: {measure: rms-plain, window_dbfs: [-23, -18], aim_dbfs: -20}
  peak:  {max_dbtp: -3}
  edges: {head_s: [0.5, 1.0], head_aim_s: 0.75, tail_s: [1.0, 5.0], tail_aim_s: 3}
  files:
    - {format: flac, rate_hz: 44100, channels: 1, bits: 24}
    - {format: mp3, rate_hz: 44100, channels: 1, mode: cbr, kbps: 192}
`

// memory processes two short and two long chapters with two slots, and
// compares what the processes held at their largest.
func memory(ctx context.Context, s *site, t *table) error {
	if err := need("lame"); err != nil {
		return err
	}
	if err := room(s.dir, roomGB<<30); err != nil {
		return err
	}
	program, err := s.build(ctx, "./cmd/chapterhouse")
	if err != nil {
		return err
	}
	short, err := s.nightMemory(ctx, program, shortMinutes)
	if err != nil {
		return err
	}
	long, err := s.nightMemory(ctx, program, longMinutes)
	if err != nil {
		return err
	}
	fillMemory(t, short, long)
	return nil
}

// room wants free space on the disk of a folder.
func room(dir string, bytes uint64) error {
	var fs syscall.Statfs_t
	if err := syscall.Statfs(dir, &fs); err != nil {
		return err
	}
	if free := fs.Bavail * uint64(fs.Bsize); free < bytes {
		return fmt.Errorf("%s has %d GB free and the proof needs %d: set TMPDIR to a folder with more", dir, free>>30, bytes>>30)
	}
	return nil
}

// nightMemory is how large a night of two chapters grew.
func (s *site) nightMemory(ctx context.Context, program string, minutes float64) (peaks, error) {
	n, err := s.newHouse(ctx, "long", longSpec, recording{minutes, s.seed}, recording{minutes, s.seed + 1})
	if err != nil {
		return peaks{}, err
	}
	store, out := s.path("store"), s.path("out")
	for _, path := range []string{n.house, store, out} {
		defer os.RemoveAll(path)
	}
	s.say("processing them")
	var top peaks
	var watchErr error
	r, err := call(ctx, func(pid int, done <-chan struct{}) {
		top, watchErr = procfs("/proc").watch(pid, sampleEvery, done)
	}, program, "process", n.title, "--store", store, "--out", out, "--json", "--slots", fmt.Sprint(memorySlots))
	if err := firstError(err, watchErr); err != nil {
		return top, err
	}
	_, err = n.check(r.stdout)
	return top, err
}

func fillMemory(t *table, short, long peaks) {
	const mib = 1024.0
	t.hold("chapters at work at once", fmt.Sprintf("%d and %d", short.jobs, long.jobs), fmt.Sprint(memorySlots), short.jobs == memorySlots && long.jobs == memorySlots)
	t.tell(fmt.Sprintf("Rss, 2 chapters of %d min", shortMinutes), fmt.Sprintf("%.0f MiB", float64(short.rssKiB)/mib))
	t.atMost(fmt.Sprintf("Rss, 2 chapters of %d h", longMinutes/60), float64(long.rssKiB)/mib, memoryLimitMiB, "%.0f MiB", "")
	t.atMost("growth from the short to the long, Rss", growth(short.rssKiB, long.rssKiB), growthLimitPercent, "%.1f %%", "")
	t.tell(fmt.Sprintf("Pss, 2 chapters of %d min", shortMinutes), fmt.Sprintf("%.0f MiB", float64(short.pssKiB)/mib))
	t.tell(fmt.Sprintf("Pss, 2 chapters of %d h", longMinutes/60), fmt.Sprintf("%.0f MiB", float64(long.pssKiB)/mib))
	t.tell("growth from the short to the long, Pss", fmt.Sprintf("%.1f %%", growth(short.pssKiB, long.pssKiB)))
	t.note("Largest sums of /proc/*/smaps_rollup over the night's process and all below it, every %v: %d and %d times.", sampleEvery, short.samples, long.samples)
	t.note("In Rss the program's own pages count once a process, in Pss once altogether.")
}

// growth is by how many per cent b is over a; NaN where nothing was seen.
func growth(a, b int64) float64 { return 100 * float64(b-a) / float64(a) }
