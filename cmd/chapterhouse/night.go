package main

import (
	"context"
	"os"
	"path/filepath"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/queue/jetstream"
	"chapterhouse/pipeline/store/folder"
	"chapterhouse/worker"

	"go.uber.org/zap"
)

// localNight is the parts of a night within this process.
type localNight struct {
	coordinator *coordinator.Coordinator
	worker      *worker.Worker
	trouble     chan error // what is the machine's fault
	open        []func()   // what closes its parts, in the order they were opened
}

// openNight makes them: a broker of its own in the store's scratch folder,
// a coordinator and a worker.
func openNight(ctx context.Context, s *folder.Store, set settings, sub pipeline.Submission, log *zap.Logger) (*localNight, error) {
	n := &localNight{trouble: make(chan error, 1)}
	if err := n.fill(ctx, s, set, sub, log); err != nil {
		n.close()
		return nil, err
	}
	return n, nil
}

func (n *localNight) fill(ctx context.Context, s *folder.Store, set settings, sub pipeline.Submission, log *zap.Logger) error {
	scratch, err := os.MkdirTemp(s.Scratch(), "night-")
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, "scratch folder", "%w", err)
	}
	n.open = append(n.open, func() { _ = os.RemoveAll(scratch) })
	broker, err := jetstream.Embedded(filepath.Join(scratch, "broker"))
	if err != nil {
		return err
	}
	n.open = append(n.open, broker.Close)
	rings, err := broker.Queue(ctx, set.Slots)
	if err != nil {
		return err
	}
	n.open = append(n.open, rings.Close)
	child, err := jobChild()
	if err != nil {
		return err
	}
	n.worker = &worker.Worker{
		Store: s, Queue: rings, Events: rings.Events(sub.Engine.ID()), Engine: sub.Engine, Child: child,
		Scratch: scratch, Slots: set.Slots, Memory: sub.Settings.Job.MemoryMiB, Name: "local", Log: log,
		Trouble: func(err error) {
			select {
			case n.trouble <- err:
			default:
			}
		},
	}
	n.coordinator = &coordinator.Coordinator{Store: s, Queue: rings, Slots: set.Slots, Checks: check.Builtin(), Log: log}
	return nil
}

func (n *localNight) close() {
	for i := len(n.open) - 1; i >= 0; i-- {
		n.open[i]()
	}
}

// spoiled is how many tries without a result between them the machine may
// spoil, as by a full disk: there is no other machine that could do better.
const spoiled = 3

// work works until a title is closed.
func (n *localNight) work(ctx context.Context, title string, show progress) (pipeline.Outcome, error) {
	working, stop := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		n.worker.Run(working)
	}()
	defer func() {
		stop()
		<-ended
	}()
	news, unwatch, err := watchKeys(n.worker.Events, show.event)
	if err != nil {
		return pipeline.Outcome{}, err
	}
	defer unwatch()
	defer show.close()
	var worked coordinator.Work
	troubles := 0
	for {
		seen, err := n.coordinator.Reconcile(ctx, title)
		if err != nil {
			return pipeline.Outcome{}, err
		}
		show.title(seen)
		if seen.Closed {
			return seen.Outcome, nil
		}
		select {
		case <-ctx.Done():
			return pipeline.Outcome{}, ctx.Err()
		case err := <-n.trouble:
			if now := n.coordinator.Work(); now != worked {
				worked, troubles = now, 0
			}
			if troubles++; troubles == spoiled {
				return pipeline.Outcome{}, err
			}
		case <-news:
		case <-time.After(5 * time.Second):
		}
	}
}
