package faults

import (
	"context"
	"fmt"
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

// Children is the proof that bad chapters delay only themselves: a title of
// so many chapters, three of them bad, between two nights of the good ones alone.
func Children(chapters int) Row {
	return Row{long: true, Fault: fmt.Sprintf("three of %d chapters eat memory, hang and crash", chapters), do: func(ctx context.Context, r *round) error {
		good := chapters - len(badChapters())
		// The control stands on both sides of what is held against it: a machine
		// that grows slower meanwhile is no fault of the bad chapters.
		before, err := r.goodNight(ctx, good)
		if err != nil {
			return err
		}
		n, err := r.badNight(ctx, chapters)
		if err != nil {
			return err
		}
		took, err := n.timed(ctx)
		if err != nil {
			return err
		}
		if err := n.judgeBad(ctx); err != nil {
			return err
		}
		n.stop()
		after, err := r.goodNight(ctx, good)
		if err != nil {
			return err
		}
		control := (before + after) / 2
		r.atMost("good chapters, from their gains to their last file, to the controls' mean", took.Seconds()/control.Seconds(), slowdown, "%.2f")
		r.tell("the controls, to their mean", max(before, after).Seconds()/control.Seconds(), "up to %.2f")
		r.tell("the controls' mean", control.Seconds(), "%.1f s")
		return nil
	}}
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

// badNight is a night in which the title's last chapters are bad.
func (r *round) badNight(ctx context.Context, chapters int) (*night, error) {
	h, err := r.kit.house("one", chapters, longS, r.seed)
	if err != nil {
		return nil, err
	}
	failing := ""
	for i, bad := range badChapters() {
		failing += fmt.Sprintf("%s:%s:%s ", bad.way, bad.step, h.Blobs[chapters-len(badChapters())+i])
	}
	return r.night(ctx, shape{chapters: chapters, seconds: longS, slots: 2, variant: "failing", env: []string{
		"FAILING=" + failing, fmt.Sprintf("CHAPTERHOUSE_STUCK_S=%d", stuckS),
	}})
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
