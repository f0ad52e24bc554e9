package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// A footprint is what a process and all below it hold in memory at one moment.
type footprint struct {
	rssKiB int64 // sum of resident memory: pages that processes share count for each
	pssKiB int64 // the same, a page shared by n counted as 1/n for each
	procs  int
	jobs   int // processes that do a job
}

// A procfs is where the kernel shows processes: /proc.
type procfs string

// footprint sums smaps_rollup over a process and its descendants. Those that
// end meanwhile are left out.
func (p procfs) footprint(root int) (footprint, error) {
	children, err := p.children()
	if err != nil {
		return footprint{}, err
	}
	var f footprint
	type member struct {
		pid    int
		parent []byte // command line
	}
	for next := []member{{pid: root}}; len(next) > 0; {
		m := next[0]
		next = next[1:]
		command, err := os.ReadFile(p.of(m.pid, "cmdline"))
		if err != nil || len(command) == 0 {
			continue
		}
		// Between fork and exec a child of a Go program borrows all of its
		// parent's memory, command line too: it is counted already.
		if m.parent != nil && bytes.Equal(command, m.parent) {
			continue
		}
		rss, pss, err := p.rollup(m.pid)
		if err != nil {
			continue
		}
		f.rssKiB += rss
		f.pssKiB += pss
		f.procs++
		if words := bytes.Split(command, []byte{0}); len(words) > 1 && string(words[1]) == "job" {
			f.jobs++
		}
		for _, c := range children[m.pid] {
			next = append(next, member{c, command})
		}
	}
	return f, nil
}

func (p procfs) of(pid int, file string) string {
	return filepath.Join(string(p), strconv.Itoa(pid), file)
}

// children lists the children of every process.
func (p procfs) children() (map[int][]int, error) {
	entries, err := os.ReadDir(string(p))
	if err != nil {
		return nil, err
	}
	children := map[int][]int{}
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		text, err := os.ReadFile(p.of(pid, "stat"))
		if err != nil {
			continue // it has ended
		}
		// pid (name) state parent …; a name may hold anything.
		fields := strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:]))
		if len(fields) < 2 {
			continue
		}
		if parent, err := strconv.Atoi(fields[1]); err == nil {
			children[parent] = append(children[parent], pid)
		}
	}
	return children, nil
}

// rollup reads a process's sums, KiB.
func (p procfs) rollup(pid int) (rss, pss int64, err error) {
	text, err := os.ReadFile(p.of(pid, "smaps_rollup"))
	if err != nil {
		return 0, 0, err
	}
	found := 0
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		if len(f) != 3 || f[0] != "Rss:" && f[0] != "Pss:" {
			continue
		}
		n, err := strconv.ParseInt(f[1], 10, 64)
		if err != nil {
			return 0, 0, err
		}
		if f[0] == "Rss:" {
			rss = n
		} else {
			pss = n
		}
		found++
	}
	if found != 2 {
		return 0, 0, fmt.Errorf("smaps_rollup of process %d has no Rss and Pss", pid)
	}
	return rss, pss, nil
}

// Peaks are the largest values of many footprints, each for itself.
type peaks struct {
	footprint
	samples int
}

func (p *peaks) add(f footprint) {
	p.samples++
	p.rssKiB, p.pssKiB = max(p.rssKiB, f.rssKiB), max(p.pssKiB, f.pssKiB)
	p.procs, p.jobs = max(p.procs, f.procs), max(p.jobs, f.jobs)
}

// watch takes a process's footprint every so often until done.
func (p procfs) watch(pid int, every time.Duration, done <-chan struct{}) (peaks, error) {
	var top peaks
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		f, err := p.footprint(pid)
		if err != nil {
			return top, err
		}
		if f.procs > 0 {
			top.add(f)
		}
		select {
		case <-done:
			return top, nil
		case <-tick.C:
		}
	}
}
