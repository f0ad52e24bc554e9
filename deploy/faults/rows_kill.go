package faults

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"syscall"
	"time"

	"chapterhouse/deploy/faults/proxy"
	"chapterhouse/pipeline"
)

// begins looks like a worker that begins a try.
func begins(c proxy.Call) bool {
	return c.Method == "PUT" && strings.HasPrefix(c.Name, "attempts/") && !isFailed(c.Name)
}

// commits looks like a worker that commits a result.
func commits(c proxy.Call) bool { return c.Method == "PUT" && strings.HasPrefix(c.Name, "commits/") }

// from is a look at calls for keys of one step or of a later one.
func (n *night) from(step pipeline.Step, looks func(proxy.Call) bool) func(proxy.Call) bool {
	flow := []pipeline.Step{pipeline.StepIntake, pipeline.StepProfile, pipeline.StepWeigh, pipeline.StepFile}
	return func(c proxy.Call) bool {
		if !looks(c) {
			return false
		}
		is, err := n.Bucket.Step(keyOf(c.Name))
		return err == nil && slices.Index(flow, is) >= slices.Index(flow, step)
	}
}

// step is the one that a row hits, by the seed.
func (r *round) step() pipeline.Step {
	return []pipeline.Step{pipeline.StepFile, pipeline.StepWeigh, pipeline.StepProfile}[r.seed%3]
}

// freezeAtWork freezes a worker while its child is in the middle of a job, of
// a step or of a later one, and returns the key that it works on.
func (n *night) freezeAtWork(ctx context.Context, w *Machine, step pipeline.Step) (pipeline.Digest, error) {
	for {
		// The child is started once the try is noted.
		trap := w.Store.Catch(proxy.HoldReply, 0, 1, n.from(step, begins))
		c, err := wait(ctx, n, trap, fmt.Sprintf("%s begins a %s", w.Name, step))
		if err != nil {
			return "", err
		}
		key := keyOf(c.Name)
		trap.Release()
		err = n.until(ctx, closing, w.Name+" starts a child or ends the job", func() bool {
			return w.Children() > 0 || n.Bucket.There(commitName(key))
		})
		if err != nil {
			return "", err
		}
		w.Stop()
		if w.Children() > 0 && !n.Bucket.There(commitName(key)) {
			return key, nil
		}
		w.Continue() // it was too fast: the next job
	}
}

// frozenNight is a night whose title is submitted and whose first worker is
// frozen in the middle of a job, whose key is returned.
func (r *round) frozenNight(ctx context.Context, s shape) (*night, pipeline.Digest, error) {
	n, err := r.night(ctx, s)
	if err != nil {
		return nil, "", err
	}
	if err := n.submit(ctx); err != nil {
		return nil, "", err
	}
	key, err := n.freezeAtWork(ctx, n.workers[0], r.step())
	return n, key, err
}

// wait is the next thing that falls into a trap.
func wait[T any](ctx context.Context, n *night, trap *proxy.Trap[T], what string) (T, error) {
	err := n.until(ctx, closing, what, func() bool { return trap.Caught() > 0 })
	if err != nil {
		var none T
		return none, err
	}
	return trap.Wait(ctx)
}

// begun is the tries that a machine has begun since.
func (m *Machine) begun(since time.Time) []proxy.Call {
	return slices.DeleteFunc(m.Store.Calls(), func(c proxy.Call) bool { return !begins(c) || !c.At.After(since) })
}

// begunBy waits until a worker begins a try of a key, and returns when.
func (n *night) begunBy(ctx context.Context, w *Machine, key pipeline.Digest, since time.Time, limit time.Duration) (time.Time, error) {
	var at time.Time
	err := await(ctx, limit, fmt.Sprintf("%s takes %s over", w.Name, key.Short()), func() (bool, error) {
		for _, c := range w.begun(since) {
			if keyOf(c.Name) == key {
				at = c.At
				return true, nil
			}
		}
		return false, nil
	})
	return at, err
}

// takenOver measures how long after a loss another worker begins the same job.
func (n *night) takenOver(ctx context.Context, w *Machine, key pipeline.Digest, since time.Time) error {
	limit := lease + redelivery
	at, err := n.begunBy(ctx, w, key, since, limit+20*time.Second)
	if err != nil {
		return err
	}
	n.round.atMost("taken over after", at.Sub(since).Seconds(), limit.Seconds(), "%.1f s")
	return nil
}

func rowsKill() []Row {
	return []Row{
		{N: 1, Fault: "worker killed while its child works", do: killAtWork},
		{N: 2, Fault: "worker killed after its blobs, before its commit", do: killBeforeCommit},
		{N: 3, Fault: "worker killed after its commit, before it told the broker", do: killBeforeDone},
		{N: 4, Fault: "worker frozen for three lease times, then thawed", do: freeze},
		{N: 27, Fault: "scratch disk full", root: true, do: fullDisk},
	}
}

func killAtWork(ctx context.Context, r *round) error {
	n, key, err := r.frozenNight(ctx, shape{})
	if err != nil {
		return err
	}
	killed := time.Now()
	n.workers[0].Kill()
	if err := n.takenOver(ctx, n.workers[1], key, killed); err != nil {
		return err
	}
	if err := n.finish(ctx); err != nil {
		return err
	}
	return n.verify(ctx, expect{tries: 1})
}

func killBeforeCommit(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{})
	if err != nil {
		return err
	}
	trap := n.workers[0].Store.Catch(proxy.Hold, 0, 1, n.from(pipeline.StepFile, commits))
	if err := n.submit(ctx); err != nil {
		return err
	}
	c, err := wait(ctx, n, trap, "worker-1 commits a file")
	if err != nil {
		return err
	}
	killed := time.Now()
	n.workers[0].Kill()
	trap.Drop()
	if err := n.takenOver(ctx, n.workers[1], keyOf(c.Name), killed); err != nil {
		return err
	}
	if err := n.finish(ctx); err != nil {
		return err
	}
	return n.verify(ctx, expect{tries: 1})
}

// tellsDone looks like a worker that tells the broker of a finished job.
func tellsDone(m proxy.Message) bool {
	return proxy.IsAck(m.Subject) && strings.HasPrefix(m.Payload, "+ACK")
}

// committed is the key that a worker has committed last.
func (m *Machine) committed() (pipeline.Digest, error) {
	var key pipeline.Digest
	for _, c := range m.Store.Calls() {
		if commits(c) && c.Status/100 == 2 {
			key = keyOf(c.Name)
		}
	}
	if key == "" {
		return "", errors.New(m.Name + " has committed nothing")
	}
	return key, nil
}

// triesOf is how many tries of a key were begun.
func (n *night) triesOf(key pipeline.Digest) (int, error) {
	begun, err := n.Bucket.Begun()
	return begun[key], err
}

// doneAgain is how many jobs were begun more than once.
func (n *night) doneAgain() (int, error) {
	begun, err := n.Bucket.Begun()
	return again(slices.Collect(maps.Values(begun))), err
}

// finishedAgain is how many jobs, of those that had left these commits, were
// begun once more.
func (n *night) finishedAgain(commits []string) (int, error) {
	begun, err := n.Bucket.Begun()
	var tries []int
	for _, name := range commits {
		tries = append(tries, begun[keyOf(name)])
	}
	return again(tries), err
}

func again(tries []int) (jobs int) {
	for _, times := range tries {
		if times > 1 {
			jobs++
		}
	}
	return jobs
}

func killBeforeDone(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{})
	if err != nil {
		return err
	}
	trap := n.workers[0].Broker.Catch(proxy.Hold, int(r.seed%3), 1, tellsDone)
	if err := n.submit(ctx); err != nil {
		return err
	}
	if _, err := wait(ctx, n, trap, "worker-1 tells that it is done"); err != nil {
		return err
	}
	key, err := n.workers[0].committed()
	if err != nil {
		return err
	}
	n.workers[0].Kill()
	trap.Drop()
	if err := n.finish(ctx); err != nil {
		return err
	}
	// The ring comes again when its lease is over.
	if err := sleep(ctx, lease+2*time.Second); err != nil {
		return err
	}
	tries, err := n.triesOf(key)
	if err != nil {
		return err
	}
	r.count("done again", tries-1, 0)
	return n.verify(ctx, expect{})
}

func freeze(ctx context.Context, r *round) error {
	n, key, err := r.frozenNight(ctx, shape{})
	if err != nil {
		return err
	}
	frozen := time.Now()
	if err := n.takenOver(ctx, n.workers[1], key, frozen); err != nil {
		return err
	}
	if err := sleep(ctx, time.Until(frozen.Add(3*lease))); err != nil {
		return err
	}
	if !n.Bucket.There(commitName(key)) {
		r.violate("nobody has committed the frozen worker's job in three lease times")
	}
	thawed := time.Now()
	n.workers[0].Continue()
	if err := n.finish(ctx); err != nil {
		return err
	}
	if err := sleep(ctx, 3*time.Second); err != nil { // what the thawed one still has to say
		return err
	}
	wrote, said := 0, 0
	for _, c := range n.workers[0].Store.Calls() {
		if c.At.After(thawed) && c.Wrote() && keyOf(c.Name) == key {
			wrote++
		}
	}
	for _, m := range n.workers[0].Broker.Said() {
		if m.At.After(thawed) && (strings.HasPrefix(m.Payload, "-NAK") || strings.HasPrefix(m.Payload, "+TERM")) {
			said++
		}
	}
	r.count("objects of that job that the thawed worker wrote", wrote, 0)
	r.count("rings that the thawed worker gave back or ended", said, 0)
	return n.verify(ctx, expect{tries: 1})
}

// scratchMiB holds a chapter's source and not its samples as float64.
const scratchMiB = 1

func fullDisk(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{})
	if err != nil {
		return err
	}
	small := n.workers[0]
	if err := small.End(ctx); err != nil {
		return err
	}
	if err := syscall.Mount("tmpfs", small.Scratch, "tmpfs", 0, fmt.Sprintf("size=%dm", scratchMiB)); err != nil {
		return fmt.Errorf("mount a small disk, which needs root: %w", err)
	}
	defer syscall.Unmount(small.Scratch, syscall.MNT_DETACH)
	if err := n.work(ctx, small); err != nil {
		return err
	}
	if err := n.submit(ctx); err != nil {
		return err
	}
	if err := n.finish(ctx); err != nil {
		return err
	}
	if !strings.Contains(small.Everything(), "no space left") {
		r.violate("the small disk was never full: %s", small.Says())
	}
	if err := small.End(ctx); err != nil {
		return err
	}
	left, err := os.ReadDir(small.Scratch)
	if err != nil {
		return err
	}
	r.count("things left on the full disk", len(left), 0)
	if err := n.noStrikes(); err != nil {
		return err
	}
	return n.verify(ctx, expect{tries: -1})
}

func sleep(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
