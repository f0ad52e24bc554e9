package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"

	"chapterhouse/pipeline"
)

const (
	speedRounds  = 5
	speedMinutes = 10
	// lameLimit bounds a whole chapter in units of one encode of it, lameAim is
	// where it should come to.
	lameLimit = 4.0
	lameAim   = 2.0
)

// speed compares processor times: of chains with ffmpeg's graph of filters, of a
// chapter's whole night with one encode of it, and of meters with libebur128.
func speed(ctx context.Context, s *site, t *table) error {
	groups := []struct {
		name  string
		prove func(context.Context, *site, *table) error
	}{{"chains", speedOfChains}, {"night", speedOfNight}, {"meters", speedOfMeters}}
	chosen := strings.Split(s.rows, ",")
	var names []string
	for _, g := range groups {
		names = append(names, g.name)
	}
	for _, name := range chosen {
		if s.rows != "" && !slices.Contains(names, name) {
			return fmt.Errorf("speed has no rows called %q: choose among %s", name, strings.Join(names, ", "))
		}
	}
	var errs []error
	for _, g := range groups {
		if s.rows == "" || slices.Contains(chosen, g.name) {
			errs = append(errs, g.prove(ctx, s, t))
		}
	}
	return firstError(errs...)
}

// speedOfNight takes one chapter through a whole night, in turns with an encode
// of the same recording.
func speedOfNight(ctx context.Context, s *site, t *table) error {
	if err := need("lame"); err != nil {
		return err
	}
	program, err := s.build(ctx, "./cmd/chapterhouse")
	if err != nil {
		return err
	}
	title, err := s.newHouse(ctx, "retail", "", recording{minutes: speedMinutes, seed: s.seed})
	if err != nil {
		return err
	}
	var rounds []round
	for i := range speedRounds {
		s.say("round %d of %d", i+1, speedRounds)
		r, err := s.race(ctx, program, title)
		if err != nil {
			return err
		}
		rounds = append(rounds, r)
	}
	fillSpeed(t, rounds)
	return nil
}

// A round is processor times of one encode and one night, seconds.
type round struct {
	lame  float64
	night float64 // with every process it started
	steps map[pipeline.Step]pipeline.Cost
}

// race encodes a title's recording and processes the title, with a store of its own.
func (s *site) race(ctx context.Context, program string, n night) (round, error) {
	mp3, store, out := s.path("lame.mp3"), s.path("store"), s.path("out")
	for _, path := range []string{mp3, store, out} {
		defer os.RemoveAll(path)
	}
	lame, err := call(ctx, nil, "lame", "--quiet", "-b", "192", n.recordings[0], mp3)
	if err != nil {
		return round{}, err
	}
	whole, err := call(ctx, nil, program, "process", n.title, "--store", store, "--out", out, "--json")
	if err != nil {
		return round{}, err
	}
	said, err := n.check(whole.stdout)
	if err != nil {
		return round{}, err
	}
	return round{lame: lame.cpuS, night: whole.cpuS, steps: said.Cost}, nil
}

func fillSpeed(t *table, rounds []round) {
	if len(rounds) == 0 {
		return
	}
	inLames := func(of func(round) float64) (middle, least, most float64) {
		var all []float64
		for _, r := range rounds {
			all = append(all, of(r)/r.lame)
		}
		return median(all), slices.Min(all), slices.Max(all)
	}
	sum := func(r round) float64 {
		var v float64
		for _, step := range steps() {
			v += r.steps[step].CPUS
		}
		return v
	}
	for _, step := range steps() {
		if rounds[0].steps[step].CPUS == 0 {
			continue // nothing of this kind was made
		}
		middle, _, _ := inLames(func(r round) float64 { return r.steps[step].CPUS })
		var real []float64
		for _, r := range rounds {
			real = append(real, r.steps[step].AudioS/r.steps[step].CPUS)
		}
		t.tell("step "+string(step), fmt.Sprintf("%.2f x lame, %.0f x real time", middle, median(real)))
	}
	middle, _, _ := inLames(sum)
	t.tell("sum of the steps", fmt.Sprintf("%.2f x lame", middle))
	rest, _, _ := inLames(func(r round) float64 { return r.night - sum(r) })
	t.tell("all else: reading in, store, broker, starting children", fmt.Sprintf("%.2f x lame", rest))
	middle, least, most := inLames(func(r round) float64 { return r.night })
	t.atMost("the whole night, every process", middle, lameLimit, "%.2f x lame", fmt.Sprintf("%.2f to %.2f in %d rounds, aim %.0f", least, most, len(rounds), lameAim))
	t.note("Processor time (user and system) of one retail chapter of %d minutes from 24-bit WAV, over that of lame -b 192 on the", speedMinutes)
	t.note("same WAV in the same round; medians. x real time is the audio a step hears over its processor time.")
}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

func steps() []pipeline.Step {
	return []pipeline.Step{pipeline.StepIntake, pipeline.StepProfile, pipeline.StepWeigh, pipeline.StepFile, pipeline.StepCheck}
}

// said is what a proof reads of the JSON report.
type said struct {
	Cost       map[pipeline.Step]pipeline.Cost `json:"cost"`
	Deliveries []struct {
		Spec  string `json:"spec"`
		Files int    `json:"files"`
	} `json:"deliveries"`
}

// check reads a night's report and makes sure that every file was made: a
// night that left work out has proved nothing.
func (n night) check(report []byte) (said, error) {
	var r said
	if err := json.Unmarshal(report, &r); err != nil {
		return r, fmt.Errorf("the report can't be read: %w", err)
	}
	files := 0
	for _, d := range r.Deliveries {
		files += d.Files
	}
	if files != n.files {
		return r, fmt.Errorf("the night made %d files of %d", files, n.files)
	}
	if r.Cost[pipeline.StepFile].CPUS <= 0 {
		return r, fmt.Errorf("the report names no cost of its files")
	}
	return r, nil
}
