package faults

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"chapterhouse/deploy/faults/proxy"
	"chapterhouse/pipeline"
)

func rowsBroker() []Row {
	return []Row{
		{N: 12, Fault: "all NATS servers killed and started again", do: brokerLost(false)},
		{N: 13, Fault: "NATS servers lose all they had stored", do: brokerLost(true)},
		{N: 22, Fault: "workers' word that a job is done is lost", do: loseDone},
		{N: 25, Fault: "a ring was handed out as often as it may be", do: deadRing},
	}
}

// brokerLost kills all three servers in mid-run, perhaps with their stores.
func brokerLost(wipe bool) func(context.Context, *round) error {
	return func(ctx context.Context, r *round) error {
		n, _, err := r.frozenNight(ctx, shape{chapters: 6, servers: 3})
		if err != nil {
			return err
		}
		n.Broker.Kill()
		n.workers[0].Continue()
		done, err := n.Bucket.List("commits/")
		if err != nil {
			return err
		}
		if wipe {
			if err := n.Broker.Wipe(); err != nil {
				return err
			}
		}
		if err := sleep(ctx, time.Second); err != nil {
			return err
		}
		if err := n.Broker.Start(ctx); err != nil {
			return err
		}
		back := time.Now()
		err = n.until(ctx, closing, "a worker begins a job", func() bool {
			return slices.ContainsFunc(n.workers, func(w *Machine) bool { return len(w.begun(back)) > 0 })
		})
		if err != nil {
			return err
		}
		r.atMost("work goes on after", time.Since(back).Seconds(), (lease + redelivery).Seconds(), "%.1f s")
		if err := n.finish(ctx); err != nil {
			return err
		}
		again, err := n.finishedAgain(done)
		if err != nil {
			return err
		}
		r.count("finished jobs done again", again, 0)
		return n.verify(ctx, expect{tries: len(n.workers)})
	}
}

func loseDone(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{})
	if err != nil {
		return err
	}
	var traps []*proxy.Trap[proxy.Message]
	for _, w := range n.workers {
		traps = append(traps, w.Broker.Catch(proxy.Lose, int(r.seed%3), 2, tellsDone))
	}
	if err := n.submit(ctx); err != nil {
		return err
	}
	for _, t := range traps {
		if _, err := wait(ctx, n, t, "a worker tells that it is done"); err != nil {
			return err
		}
	}
	if err := n.finish(ctx); err != nil {
		return err
	}
	if err := sleep(ctx, lease+2*time.Second); err != nil { // the rings come again
		return err
	}
	again, err := n.doneAgain()
	if err != nil {
		return err
	}
	r.count("jobs done again", again, 0)
	return n.verify(ctx, expect{})
}

// deadRing kills a worker at the same job until the broker hands its ring out
// no more.
func deadRing(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{variant: "few-tries", workers: 1})
	if err != nil {
		return err
	}
	w := n.workers[0]
	if err := n.submit(ctx); err != nil {
		return err
	}
	key, err := n.freezeAtWork(ctx, w, pipeline.StepFile)
	if err != nil {
		return err
	}
	for range 2 { // as often as it is handed out
		since := time.Now()
		w.Kill()
		if err := n.work(ctx, w); err != nil {
			return err
		}
		if tries, err := n.triesOf(key); err != nil || tries >= 2 {
			break
		}
		if _, err := n.begunBy(ctx, w, key, since, closing); err != nil {
			return err
		}
	}
	dead := time.Now()
	if _, err := n.begunBy(ctx, w, key, dead, closing); err != nil {
		return fmt.Errorf("the dead ring is not found: %w", err)
	}
	r.atMost("rung anew after", time.Since(dead).Seconds(), (silenceS*time.Second + lease + redelivery).Seconds(), "%.1f s")
	if !strings.Contains(n.coordinators[0].Everything(), "rung anew") {
		r.violate("the coordinator does not say that it rang anew")
	}
	if err := n.finish(ctx); err != nil {
		return err
	}
	return n.verify(ctx, expect{tries: 3})
}
