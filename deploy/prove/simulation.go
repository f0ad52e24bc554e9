package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"time"
)

// simulate plays nights in which everything breaks, from seeds, in made-up
// time: with the test program of deploy/simulation, which alone can make time.
func (s *site) simulate(ctx context.Context, t *table, nights int) error {
	program, summary := s.path("bin", "simulation.test"), s.path("simulation.json")
	build := exec.CommandContext(ctx, "go", "test", "-c", "-o", program, "./deploy/simulation")
	build.Dir = s.root
	if out, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("build the simulation: %w\n%s", err, out)
	}
	s.say("playing %d simulated nights", nights)
	play := exec.CommandContext(ctx, program, "-test.run=^TestSeeds$", "-test.timeout=0",
		"-from="+strconv.FormatUint(s.seed, 10), "-seeds="+strconv.Itoa(nights), "-summary="+summary)
	play.Dir = filepath.Join(s.root, "deploy", "simulation")
	out, playErr := play.CombinedOutput()
	if ctx.Err() != nil {
		return ctx.Err()
	}
	text, err := os.ReadFile(summary)
	var p played
	if err == nil {
		err = json.Unmarshal(text, &p)
	}
	if err != nil {
		return fmt.Errorf("the simulation did not come to its end: %w\n%s", firstError(playErr, err), lastLines(string(out), 10))
	}
	return fillSimulation(t, s.seed, nights, p, playErr)
}

// played is what the simulation's summary says, as far as it is told here.
type played struct {
	Played, Broken int // nights
	First          struct {
		Seed     uint64
		Breaches []string
	}
	Calls, Faults, Kills, Stops, Pauses, Wipes int
	Virtual                                    time.Duration
}

// fillSimulation holds what was played. A player that ended badly and names no
// broken promise has proved nothing; nor has one that played too few nights.
func fillSimulation(t *table, seed uint64, nights int, p played, ended error) error {
	if ended != nil && p.Broken == 0 {
		return fmt.Errorf("the simulation ended badly and names no broken promise: %w", ended)
	}
	t.hold(fmt.Sprintf("simulation: nights of seeds %d to %d, in which everything breaks", seed, seed+uint64(nights)-1),
		fmt.Sprintf("%d violations in %d nights", p.Broken, p.Played), fmt.Sprintf("0 in %d", nights), p.Broken == 0 && p.Played == nights)
	t.tell("  processes killed, stopped and frozen, brokers wiped, calls that failed",
		fmt.Sprintf("%d, %d, %d, %d, %d of %d", p.Kills, p.Stops, p.Pauses, p.Wipes, p.Faults, p.Calls))
	for _, b := range p.First.Breaches {
		t.note("violated in the simulation, seed %d: %s", p.First.Seed, b)
	}
	return nil
}
