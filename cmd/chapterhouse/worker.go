package main

import (
	"context"

	"chapterhouse/worker"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
)

func workerCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "worker",
		Short: "Do the work of titles, on as many machines as there are",
		Long: "Worker takes jobs until it is stopped, slots at a time, each in a child process with limits. It needs the\n" +
			"store, the broker and room for scratch: about 2.5 GB a slot for chapters of an hour. Stopped or killed, it\n" +
			"leaves what it had in hand to the others; a broker that refuses it ends it with exit 1.\n" +
			"\n" +
			"Settings: slots, memory_mib, stuck_s, scratch, store, s3.*, broker.*, metrics, name, log;\n" +
			"see chapterhouse --help.",
		Example: "  CHAPTERHOUSE_SETTINGS=/etc/chapterhouse.yaml CHAPTERHOUSE_SLOTS=4 chapterhouse worker",
		Args:    exactly(0, "no argument"),
		RunE:    func(c *cobra.Command, _ []string) error { return serve(c, true, work) },
	}
}

func work(ctx context.Context, s service) error {
	scratch, done, err := openScratch(s.settings, s.store)
	if err != nil {
		return err
	}
	defer done()
	child, err := jobChild()
	if err != nil {
		return err
	}
	metrics := newJobMetrics(s.metrics)
	w := &worker.Worker{
		Store: s.store, Queue: s.rings, Events: s.rings.Events(s.engine.ID()), Engine: s.engine,
		Child: child, Scratch: scratch, Slots: s.Slots, Memory: s.MemoryMiB, Name: s.Name, Log: s.log,
		Beat: s.lease() / 4, StuckAfter: seconds(s.StuckS), Ended: metrics.ended, Trouble: func(error) { metrics.infra.Inc() },
	}
	s.log.Info("worker works", zap.Int("slots", s.Slots), zap.String("store", s.Store), zap.String("engine", s.engine.ID()), zap.String("scratch", scratch))
	w.Run(ctx)
	return nil
}
