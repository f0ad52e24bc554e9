package faults

import (
	"context"
	"fmt"
	"slices"
	"time"

	"chapterhouse/pipeline"
)

// badChapters are chapters that fail, each in its way and at its step. They
// stand at the title's end: their first tries are the last that anybody waits for.
func badChapters() []badOne {
	return []badOne{
		{"eat", pipeline.StepProfile, "memory"},
		{"hang", pipeline.StepWeigh, "no progress"},
		{"panic", pipeline.StepFile, "index out of range"},
	}
}

type badOne struct {
	way    string
	step   pipeline.Step
	reason string
}

// slowdown is how much longer good chapters may take for the bad ones' sake.
const slowdown = 1.2

// badNights is how many nights with bad chapters are measured: the mean of two
// between three controls is steadier than one of a few seconds.
const badNights = 2

// Children is the proof that bad chapters delay only themselves: nights of a
// title of so many chapters, three of them bad, between nights of the good ones alone.
func Children(chapters int) Row {
	return Row{long: true, Fault: fmt.Sprintf("three of %d chapters eat memory, hang and crash", chapters), do: func(ctx context.Context, r *round) error {
		// Controls stand on both sides of what is held against them: a machine
		// that grows slower meanwhile is no fault of the bad chapters.
		var bad, control []time.Duration
		for i := range 2*badNights + 1 {
			of, night := &control, func() (time.Duration, error) { return r.goodNight(ctx, chapters-len(badChapters())) }
			if i%2 == 1 {
				of, night = &bad, func() (time.Duration, error) { return r.badNight(ctx, chapters) }
			}
			took, err := night()
			if err != nil {
				return err
			}
			*of = append(*of, took)
		}
		controls := mean(control)
		r.atMost("good chapters, from their gains to their last file, to the controls' mean", mean(bad)/controls, slowdown, "%.2f")
		r.tell("the controls, to their mean", slices.Max(control).Seconds()/controls, "up to %.2f")
		r.tell("the controls' mean", controls, "%.1f s")
		return nil
	}}
}

// mean is the mean of times, seconds.
func mean(all []time.Duration) (s float64) {
	for _, d := range all {
		s += d.Seconds() / float64(len(all))
	}
	return s
}

// goodNight measures a night of good chapters alone.
func (r *round) goodNight(ctx context.Context, chapters int) (time.Duration, error) {
	n, err := r.night(ctx, shape{chapters: chapters, seconds: longS, slots: 2})
	if err != nil {
		return 0, err
	}
	took, err := n.timed(ctx)
	if err != nil {
		return 0, err
	}
	if err := n.verify(ctx, expect{tries: 2}); err != nil {
		return 0, err
	}
	n.stop()
	return took, nil
}

// badNight measures a night in which the title's last chapters are bad, and judges it.
func (r *round) badNight(ctx context.Context, chapters int) (time.Duration, error) {
	h, err := r.kit.house("one", chapters, longS, r.seed)
	if err != nil {
		return 0, err
	}
	failing := ""
	for i, bad := range badChapters() {
		failing += fmt.Sprintf("%s:%s:%s ", bad.way, bad.step, h.Blobs[chapters-len(badChapters())+i])
	}
	n, err := r.night(ctx, shape{chapters: chapters, seconds: longS, slots: 2, variant: "failing", env: []string{
		"FAILING=" + failing, fmt.Sprintf("CHAPTERHOUSE_STUCK_S=%d", stuckS),
	}})
	if err != nil {
		return 0, err
	}
	took, err := n.timed(ctx)
	if err == nil {
		err = n.judgeBad(ctx)
	}
	n.stop()
	return took, err
}

// timed does a night and returns how long its good chapters took from the
// pinning of the gains to their last file.
func (n *night) timed(ctx context.Context) (time.Duration, error) {
	if err := n.submit(ctx); err != nil {
		return 0, err
	}
	if err := n.closed(ctx, n.house.Slug, longRound); err != nil {
		return 0, err
	}
	t, o, err := n.Bucket.Standing(n.house.Slug)
	if err != nil {
		return 0, err
	}
	pinned := n.written(runName(n.house.Slug, t.Standing, "gains"))
	last := pinned
	for _, ch := range o.Chapters {
		for _, f := range ch.Files {
			if at := n.written(commitName(f.Key)); at.After(last) {
				last = at
			}
		}
	}
	if pinned.IsZero() || !last.After(pinned) {
		return 0, fmt.Errorf("no file was written after the gains were pinned")
	}
	return last.Sub(pinned), nil
}

// written is when a machine was told that it had written an object; zero: never.
func (n *night) written(name string) time.Time {
	for _, m := range n.machines {
		for _, c := range m.Store.Calls() {
			if c.Name == name && c.Method == "PUT" && c.Wrote() {
				return c.Ended
			}
		}
	}
	return time.Time{}
}

// judgeBad holds what became of the bad chapters.
func (n *night) judgeBad(ctx context.Context) error {
	t, err := n.Bucket.Title(n.house.Slug)
	if err != nil {
		return err
	}
	tries, err := n.Bucket.Begun()
	if err != nil {
		return err
	}
	failed, err := n.Bucket.Failed()
	if err != nil {
		return err
	}
	holes := map[int]string{}
	for i, bad := range badChapters() {
		holes[n.shape.chapters-len(badChapters())+i+1] = bad.reason
		keys := map[pipeline.Digest]bool{}
		for _, f := range failed {
			if step, err := n.Bucket.Step(f.Key); err == nil && step == bad.step {
				keys[f.Key] = true
			}
		}
		for key := range keys {
			n.round.count("tries before a bad chapter is given up", tries[key], strikes)
		}
	}
	// Pins wait for the first failure and for no other.
	for _, pin := range []struct {
		what string
		step pipeline.Step
	}{{"fits", pipeline.StepProfile}, {"gains", pipeline.StepWeigh}} {
		at := n.written(runName(n.house.Slug, t.Standing, pin.what))
		before := 0
		for _, f := range failed {
			if step, err := n.Bucket.Step(f.Key); err == nil && step == pin.step && n.written(f.Name).Before(at) {
				before++
			}
		}
		n.round.count(fmt.Sprintf("failed tries of the bad %s when %s were pinned", pin.step, pin.what), before, 1)
	}
	return n.verify(ctx, expect{holes: holes, strikes: strikes * len(holes), tries: -1})
}
