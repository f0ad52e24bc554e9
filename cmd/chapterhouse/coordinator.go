package main

import (
	"context"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/queue"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
)

func coordinatorCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "coordinator",
		Short: "Bring every submitted title to its close",
		Long: "Coordinator serves all titles in the store until it is stopped: it asks workers for what is missing,\n" +
			"decides gains, judges and closes. It keeps nothing that the store does not: any number may run at once,\n" +
			"and one that died is replaced by starting another. Where the store's conditional writes are not safe it\n" +
			"says so and waits until it is the only one.\n" +
			"\n" +
			"Settings: store, s3.*, broker.*, night.*, metrics, name, log; see chapterhouse --help.",
		Example: "  CHAPTERHOUSE_SETTINGS=/etc/chapterhouse.yaml chapterhouse coordinator",
		Args:    exactly(0, "no argument"),
		RunE:    func(c *cobra.Command, _ []string) error { return serve(c, false, coordinate) },
	}
}

const (
	looks    = 16              // objects of a night that are looked at at a time
	sayEvery = 5 * time.Second // between two words that titles are served, as workers' beats
)

func coordinate(ctx context.Context, s service) error {
	events := s.rings.Events(s.engine.ID())
	co := &coordinator.Coordinator{
		Store: s.store, Queue: s.rings, Events: events, Checks: check.Builtin(), Log: s.log,
		Engine: s.engine, Slots: s.Night.Slots, Looks: looks,
		Scan: seconds(s.Night.ScanS), Silence: seconds(s.Night.SilenceS),
	}
	s.metrics.MustRegister(newNightMetrics(co.Night))
	free, err := beAlone(ctx, s)
	if err != nil {
		return err
	}
	defer free()
	go sayServing(ctx, events, s.Name)
	s.log.Info("coordinator serves", zap.String("store", s.Store), zap.String("engine", s.engine.ID()))
	return co.Run(ctx)
}

// sayServing tells who asks that titles are served, as workers tell what they
// can do.
func sayServing(ctx context.Context, events queue.Events, name string) {
	turn := time.NewTicker(sayEvery)
	defer turn.Stop()
	for ctx.Err() == nil {
		events.Say(queue.Event{Coordinator: name})
		select {
		case <-ctx.Done():
		case <-turn.C:
		}
	}
}
