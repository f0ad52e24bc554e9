package faults

import (
	"context"
	"fmt"
	"time"

	"chapterhouse/deploy/faults/proxy"
	"chapterhouse/pipeline"
)

func rowsRun() []Row {
	return []Row{
		{N: 35, Fault: "submitted again with another limit while it runs", do: submitAgain},
		{N: 36, Fault: "cancelled in mid-run", do: cancelled},
		{N: 39, Fault: "workers of two engines", do: twoEngines},
	}
}

func submitAgain(ctx context.Context, r *round) error {
	n, _, err := r.frozenNight(ctx, shape{})
	if err != nil {
		return err
	}
	if err := n.house.Judge(119); err != nil {
		return err
	}
	if err := n.submit(ctx); err != nil {
		return err
	}
	n.workers[0].Continue()
	if err := n.finish(ctx); err != nil {
		return err
	}
	if n.accepted[0] == n.accepted[1] {
		r.violate("another limit is the same run %s", n.accepted[0])
	}
	// The first run never stood once the second was wanted: verify holds that
	// the last accepted one stands. What both need was made once.
	twice, err := n.doneAgain()
	if err != nil {
		return err
	}
	r.count("jobs of both runs done twice", twice, 0)
	return n.verify(ctx, expect{})
}

func cancelled(ctx context.Context, r *round) error {
	n, _, err := r.frozenNight(ctx, shape{chapters: 6})
	if err != nil {
		return err
	}
	if _, err := n.desk.call(ctx, "", "cancel", n.house.Slug); err != nil {
		return err
	}
	at := time.Now()
	n.workers[0].Continue()
	// A job that was leased when the word came is done; none is begun later.
	const last = 5 * time.Second
	if err := sleep(ctx, last+lease+2*time.Second); err != nil {
		return err
	}
	late, latest := 0, 0.0
	for _, w := range n.workers {
		for _, c := range w.begun(at) {
			latest = max(latest, c.At.Sub(at).Seconds())
			if c.At.Sub(at) > last {
				late++
			}
		}
	}
	r.tell("the last job is begun after", latest, "%.1f s")
	r.count(fmt.Sprintf("jobs begun more than %v after the word", last), late, 0)
	done, err := n.Bucket.List("commits/")
	if err != nil {
		return err
	}
	if err := n.verify(ctx, expect{cancelled: true}); err != nil {
		return err
	}
	// What was done is found by the next run.
	if err := n.submit(ctx); err != nil {
		return err
	}
	if err := n.finish(ctx); err != nil {
		return err
	}
	again, err := n.finishedAgain(done)
	if err != nil {
		return err
	}
	r.count("finished jobs done again by the next run", again, 0)
	return n.verify(ctx, expect{tries: len(n.workers)})
}

// twoEngines is an upgrade in the middle of the night: a run stays with the
// engine that it began with, and the next has one that its chains fit.
func twoEngines(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{workers: 1})
	if err != nil {
		return err
	}
	other, err := n.machine(ctx, "worker-new", false)
	if err != nil {
		return err
	}
	if err := other.start(ctx, "other-engine", nil, "worker"); err != nil {
		return err
	}
	trap := n.workers[0].Store.Catch(proxy.Pass, 0, 1, n.from(pipeline.StepWeigh, begins))
	if err := n.submit(ctx); err != nil {
		return err
	}
	if _, err := wait(ctx, n, trap, "the old worker begins"); err != nil {
		return err
	}
	// The new worker is idle all the while; the old one's loss must not tempt it.
	n.workers[0].Kill()
	if err := sleep(ctx, lease+2*time.Second); err != nil {
		return err
	}
	if err := n.work(ctx, n.workers[0]); err != nil {
		return err
	}
	if err := n.finish(ctx); err != nil {
		return err
	}
	strange := 0
	for _, c := range other.Store.Calls() {
		if begins(c) || commits(c) {
			strange++
		}
	}
	// The title once more by the new program: its chain asks for the stage's
	// new revision, which the old worker does not have.
	upgraded := time.Now()
	if err := n.submitBy(ctx, "other-engine"); err != nil {
		return err
	}
	if err := n.finish(ctx); err != nil {
		return err
	}
	measured := 0
	for _, m := range []*Machine{n.workers[0], other} {
		for _, c := range m.begun(upgraded) {
			if m != other {
				strange++
			}
			step, err := n.Bucket.Step(keyOf(c.Name))
			if err != nil {
				return err
			}
			if step == pipeline.StepIntake || step == pipeline.StepProfile {
				measured++
			}
		}
	}
	r.count("jobs that a worker of the wrong engine began", strange, 0)
	r.count("sources measured again for the new engine", measured, 0)
	return n.verify(ctx, expect{tries: 1 + 2*n.shape.chapters}) // weighs and files are of another stage
}
