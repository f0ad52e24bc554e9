package main

import (
	"context"
	"fmt"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"sync"
)

// simulate plays nights in which everything breaks, from seeds, in made-up
// time: the test program of deploy/simulation, once on each core.
func (s *site) simulate(ctx context.Context, t *table, nights int) error {
	program := s.path("bin", "simulation.test")
	build := exec.CommandContext(ctx, "go", "test", "-c", "-o", program, "./deploy/simulation")
	build.Dir = s.root
	if out, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("build the simulation: %w\n%s", err, out)
	}
	s.say("playing %d simulated nights", nights)
	shares := split(nights, runtime.NumCPU())
	outs, errs := make([]string, len(shares)), make([]error, len(shares))
	var all sync.WaitGroup
	from := s.seed
	for i, share := range shares {
		first := from
		all.Go(func() {
			cmd := exec.CommandContext(ctx, program, "-test.run=^TestSeeds$", "-test.v", "-test.timeout=0",
				"-from="+strconv.FormatUint(first, 10), "-seeds="+strconv.Itoa(share))
			cmd.Dir = filepath.Join(s.root, "deploy", "simulation")
			out, err := cmd.CombinedOutput()
			outs[i], errs[i] = string(out), err
		})
		from += uint64(share)
	}
	all.Wait()
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return fillSimulation(t, s.seed, nights, outs, errs)
}

// split parts n into so many shares, the first ones larger.
func split(n, parts int) []int {
	var shares []int
	for i := range parts {
		if share := (n + parts - 1 - i) / parts; share > 0 {
			shares = append(shares, share)
		}
	}
	return shares
}

// fillSimulation reads what the players said. A player that ended badly and
// names no broken promise has proved nothing.
func fillSimulation(t *table, seed uint64, nights int, outs []string, errs []error) error {
	broken := regexp.MustCompile(`seed (\d+): (.+)`)
	var breaches []string
	for i, out := range outs {
		found := broken.FindAllStringSubmatch(out, -1)
		for _, m := range found {
			breaches = append(breaches, fmt.Sprintf("seed %s: %s", m[1], m[2]))
		}
		switch {
		case errs[i] != nil && len(found) == 0:
			return fmt.Errorf("the simulation did not come to its end: %w\n%s", errs[i], lastLines(out, 10))
		case errs[i] == nil && !strings.Contains(out, "--- PASS: TestSeeds"):
			return fmt.Errorf("the simulation played nothing: %s", lastLines(out, 10))
		}
	}
	t.hold(fmt.Sprintf("simulation: nights of seeds %d to %d, in which everything breaks", seed, seed+uint64(nights)-1),
		fmt.Sprintf("%d violations", len(breaches)), "0", len(breaches) == 0)
	for _, b := range breaches {
		t.note("violated in the simulation: %s", b)
	}
	return nil
}
