package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/queue/jetstream"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store/folder"
	"chapterhouse/worker"

	"github.com/spf13/cobra"
)

type processOptions struct {
	title             string // folder
	house, store, out string
	specs             []string
	slots             int
	json, again       bool
	failOn            string
}

func processCommand() *cobra.Command {
	var o processOptions
	c := &cobra.Command{
		Use:   "process FOLDER",
		Short: "A title's whole night on this machine",
		Long: "Process puts every chapter of the title in FOLDER through its narrator's chain, masters to each spec,\n" +
			"checks every file and prints the report. The house is the nearest folder above with a house.yaml;\n" +
			"without one, FOLDER is its own house: its audio is levelled, edged, encoded and checked with no chain.\n" +
			"Stopped at any moment, the same command goes on where it was and repeats only what was not committed.",
		Example: "  chapterhouse process house/titles/eleven-tide-gates\n  chapterhouse process recordings --spec lossless --out finished",
		Args:    exactly(1, "the title's folder"),
		RunE: func(c *cobra.Command, args []string) error {
			o.title = args[0]
			if o.failOn != "" && o.failOn != "listen" && o.failOn != "return" {
				return usageError{c.CommandPath(), fmt.Errorf("--fail-on takes listen or return, not %q", o.failOn)}
			}
			if c.Flags().Changed("slots") && o.slots < 1 {
				return usageError{c.CommandPath(), fmt.Errorf("--slots takes 1 or more, not %d", o.slots)}
			}
			return process(c, o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.house, "house", "", "folder of the house (default: the nearest parent with house.yaml)")
	f.StringVar(&o.store, "store", "", "folder of the store (default: HOUSE/.chapterhouse)")
	f.StringVar(&o.out, "out", "", "folder for deliveries (default: HOUSE/out)")
	f.StringSliceVar(&o.specs, "spec", nil, "specs to master to, in place of the title's own")
	f.IntVar(&o.slots, "slots", 0, "chapters at a time (default: the slots setting, else one a core)")
	f.BoolVar(&o.json, "json", false, "print the report as JSON")
	f.BoolVar(&o.again, "again", false, "try again what was given up after failed tries")
	f.StringVar(&o.failOn, "fail-on", "", "exit 3 when a chapter is to listen to or to return: listen|return")
	return c
}

// process is coordinator, worker, broker and store in one process.
func process(c *cobra.Command, o processOptions) error {
	ctx := c.Context()
	set, err := loadSettings(o.slots)
	if err != nil {
		return err
	}
	log := set.logger(c.ErrOrStderr())
	title, err := openTitle(o)
	if err != nil {
		return err
	}
	if err := checkOut(title.out, title.title.Slug); err != nil {
		return err
	}
	store, err := folder.Open(title.store)
	if err != nil {
		return err
	}
	defer store.Close()
	if err := store.Lock(); err != nil {
		return err
	}
	engine := engineHere()
	sub, err := upload(ctx, store, title, filepath.Join(title.store, "seen.json"), newReadProgress(c.ErrOrStderr(), "sources"))
	if err != nil {
		return err
	}
	sub.Engine = engine
	if o.again {
		if sub.Again, err = coordinator.Forgive(ctx, store, sub.Title.Slug); err != nil {
			return err
		}
	}
	if _, err := coordinator.Submit(ctx, store, sub, coordinator.Order{}); err != nil {
		return err
	}
	scratch, err := os.MkdirTemp(store.Scratch(), "night-")
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, "scratch folder", "%w", err)
	}
	defer os.RemoveAll(scratch)
	broker, err := jetstream.Embedded(filepath.Join(scratch, "broker"))
	if err != nil {
		return err
	}
	defer broker.Close()
	rings, err := broker.Queue(ctx, set.Slots)
	if err != nil {
		return err
	}
	defer rings.Close()
	self, err := os.Executable()
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, "start children", "%w", err)
	}
	trouble := make(chan error, 1)
	w := &worker.Worker{
		Store: store, Queue: rings, Events: rings.Events(engine.ID()), Engine: engine, Child: worker.Program(self, "job"),
		Scratch: scratch, Slots: set.Slots, Memory: sub.Settings.Job.MemoryMiB, Name: "local", Log: log,
		Trouble: func(err error) {
			select {
			case trouble <- err:
			default:
			}
		},
	}
	co := &coordinator.Coordinator{Store: store, Queue: rings, Slots: set.Slots, Checks: check.Builtin(), Log: log}
	outcome, err := night(ctx, co, w, sub.Title.Slug, trouble, newProgress(c.ErrOrStderr(), sub.Title.Name))
	if err != nil {
		return err
	}
	rep := report.Report{Outcome: outcome, Work: workOf(co, outcome)}
	if rep.Deliveries, err = deliver(ctx, store, outcome, outcome.Specs, title.out); err != nil {
		return err
	}
	if err := writeReport(c.OutOrStdout(), rep, title.out, o.json); err != nil {
		return err
	}
	return verdictFor(outcome, o.failOn)
}

// spoiled is how many tries without a result between them the machine may
// spoil, as by a full disk: there is no other machine that could do better.
const spoiled = 3

// night works until the title is closed.
func night(ctx context.Context, co *coordinator.Coordinator, w *worker.Worker, title string, trouble <-chan error, show progress) (pipeline.Outcome, error) {
	working, stop := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		w.Run(working)
	}()
	defer func() {
		stop()
		<-ended
	}()
	news := make(chan struct{}, 1)
	unwatch, err := w.Events.Watch(func(e queue.Event) {
		if e.Beat != nil {
			return
		}
		show.event(e)
		if e.Done || e.Failed {
			select {
			case news <- struct{}{}:
			default:
			}
		}
	})
	if err != nil {
		return pipeline.Outcome{}, err
	}
	defer unwatch()
	defer show.close()
	var worked coordinator.Work
	troubles := 0
	for {
		seen, err := co.Reconcile(ctx, title)
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
		case err := <-trouble:
			if now := co.Work(); now != worked {
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
