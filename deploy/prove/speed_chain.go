package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

const (
	chainRounds  = 7
	chainMinutes = 20
	// What a chain costs against ffmpeg's graph of filters, as many times faster.
	likeLeast, likeAim = 2.0, 4.0
	fullLeast, fullAim = 1.5, 3.0
)

// A chainRound is processor times of the same recording through every graph in
// turn, seconds.
type chainRound struct{ ffmpeg, sox, like, full float64 }

// speedOfChains takes a recording through two fixed chains and through ffmpeg's
// and sox's graphs, in turns.
func speedOfChains(ctx context.Context, s *site, t *table) error {
	if err := need("ffmpeg", "sox"); err != nil {
		return err
	}
	run, err := s.build(ctx, "./deploy/speed/run")
	if err != nil {
		return err
	}
	voices, err := s.build(ctx, "./testdata/voices")
	if err != nil {
		return err
	}
	recording := s.path("speed.wav")
	s.say("narrating %d minutes", chainMinutes)
	args := append([]string{"-minutes", fmt.Sprint(chainMinutes), "-seed", fmt.Sprint(s.seed), "-out", recording}, voiceArgs...)
	if _, err := call(ctx, nil, voices, append(args, "-speech", "-26")...); err != nil {
		return err
	}
	file := func(name string) string { return filepath.Join(s.root, "deploy", "speed", name) }
	ffmpegGraph, err := os.ReadFile(file("ffmpeg.graph"))
	if err != nil {
		return err
	}
	soxEffects, err := os.ReadFile(file("sox.effects"))
	if err != nil {
		return err
	}
	oneChain := s.path("sox.effects") // to sox a new line is a new chain
	if err := os.WriteFile(oneChain, []byte(strings.ReplaceAll(strings.TrimSpace(string(soxEffects)), "\n", " ")+"\n"), 0o644); err != nil {
		return err
	}
	ways := []struct {
		program string
		args    []string
		of      func(*chainRound) *float64
	}{
		{"ffmpeg", []string{"-nostdin", "-v", "error", "-threads", "1", "-i", recording, "-filter_threads", "1", "-af",
			strings.ReplaceAll(string(ffmpegGraph), "\n", ""), "-f", "null", "-"}, func(r *chainRound) *float64 { return &r.ffmpeg }},
		{run, []string{file("like.yaml"), recording}, func(r *chainRound) *float64 { return &r.like }},
		{run, []string{file("full.yaml"), recording}, func(r *chainRound) *float64 { return &r.full }},
		{"sox", []string{"-V1", "-R", "--single-threaded", "--effects-file", oneChain, recording,
			"-t", "raw", "-b", "16", "-e", "signed", os.DevNull}, func(r *chainRound) *float64 { return &r.sox }},
	}
	var rounds []chainRound
	for i := range chainRounds {
		s.say("round %d of %d", i+1, chainRounds)
		var r chainRound
		for _, w := range ways {
			ran, err := call(ctx, nil, w.program, w.args...)
			if err != nil {
				return err
			}
			*w.of(&r) = ran.userS
		}
		rounds = append(rounds, r)
	}
	fillChains(t, rounds)
	for _, name := range []string{"like", "full"} {
		ran, err := call(ctx, nil, run, "-moved", file(name+".yaml"), recording)
		if err != nil {
			return err
		}
		if err := fillMoved(t, name, ran.stdout); err != nil {
			return err
		}
	}
	t.note("Chains: user processor time of %d minutes of 24-bit narration, decode, chain, dither to 16 bits, samples", chainMinutes)
	t.note("discarded; one thread each, in turns. The graphs, from deploy/speed:")
	for _, name := range []string{"ffmpeg.graph", "sox.effects", "like.yaml", "full.yaml"} {
		text, err := os.ReadFile(file(name))
		if err != nil {
			return err
		}
		t.note("%s:\n    %s", name, strings.ReplaceAll(strings.TrimSpace(string(text)), "\n", "\n    "))
	}
	return nil
}

// fillChains compares rounds: each with its own ffmpeg, so that a machine that
// slows down slows both.
func fillChains(t *table, rounds []chainRound) {
	if len(rounds) == 0 {
		return
	}
	times := func(of func(chainRound) float64) (middle float64, more string) {
		var all, real []float64
		for _, r := range rounds {
			all, real = append(all, r.ffmpeg/of(r)), append(real, chainMinutes*60/of(r))
		}
		return median(all), fmt.Sprintf("%.2f to %.2f in %d rounds, %.0f x real time", slices.Min(all), slices.Max(all), len(rounds), median(real))
	}
	for _, c := range []struct {
		what       string
		of         func(chainRound) float64
		least, aim float64
	}{
		{"chain like for like with ffmpeg's graph", func(r chainRound) float64 { return r.like }, likeLeast, likeAim},
		{"full chain of twelve stages, against the same graph", func(r chainRound) float64 { return r.full }, fullLeast, fullAim},
	} {
		middle, more := times(c.of)
		t.hold(c.what, fmt.Sprintf("%.2f x as fast as ffmpeg, %s, aim %.0f", middle, more, c.aim), fmt.Sprintf("at least %.2f", c.least), middle >= c.least)
	}
	middle, more := times(func(r chainRound) float64 { return r.sox })
	t.tell("sox's effects", fmt.Sprintf("%.2f x as fast as ffmpeg, %s", middle, more))
}

// fillMoved holds every stage that moves gain to having moved it: a detector
// with nothing to do proves no speed.
func fillMoved(t *table, chain string, lines []byte) error {
	var worked []string
	all := true
	for d := json.NewDecoder(bytes.NewReader(lines)); d.More(); {
		var m struct {
			Stage      string  `json:"stage"`
			Share      float64 `json:"share"`
			FurthestDB float64 `json:"furthest_db"`
		}
		if err := d.Decode(&m); err != nil {
			return fmt.Errorf("what stages did can't be read: %w", err)
		}
		worked = append(worked, fmt.Sprintf("%s %.0f %%, %.1f dB", m.Stage, 100*m.Share, m.FurthestDB))
		all = all && m.Share > 0
	}
	t.hold(chain+": stages that moved gain, share of the time and furthest", strings.Join(worked, "; "), "all of them", all && len(worked) > 0)
	return nil
}
