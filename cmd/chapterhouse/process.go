package main

import (
	"fmt"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store/folder"

	"github.com/spf13/cobra"
)

// againFlag is the help of --again.
const againFlag = "a run of its own, also with nothing changed: judges anew, with this program's checks, and tries again what was given up after failed tries"

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
			if err := checkForce(c, o.force); err != nil {
				return err
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
	f.BoolVar(&o.again, "again", false, againFlag)
	f.StringVar(&o.force, "force", "", forceFlag)
	f.StringVar(&o.failOn, "fail-on", "", "exit 3 when a chapter is to listen to or to return: listen|return")
	return c
}

// process is a night in one process: store, broker, coordinator and worker.
func process(c *cobra.Command, o processOptions) error {
	ctx, errs := c.Context(), c.ErrOrStderr()
	set, err := loadSettings(o.slots)
	if err != nil {
		return err
	}
	title, err := openTitle(o)
	if err != nil {
		return err
	}
	if err := checkOut(title.out, title.title.Slug); err != nil {
		return err
	}
	s, err := folder.Open(title.store)
	if err != nil {
		return err
	}
	defer s.Close()
	if err := s.Lock(); err != nil {
		return err
	}
	sub, answer, err := prepare(ctx, s, title, o.again, errs, newReadProgress(errs, "sources"))
	if err != nil {
		return err
	}
	sub.Engine = engineHere()
	if _, err := coordinator.Submit(ctx, s, sub, coordinator.Order{}); err != nil {
		return err
	}
	n, err := openNight(ctx, s, set, sub, set.logger(errs))
	if err != nil {
		return err
	}
	defer n.close()
	outcome, err := n.work(ctx, sub.Title.Slug, newProgress(errs, sub.Title.Name))
	if err != nil {
		return err
	}
	rep := report.Report{Outcome: outcome, Intake: &answer, Work: workOf(n.coordinator, outcome)}
	if rep.Deliveries, err = deliver(ctx, s, outcome, outcome.Specs, title.out, o.force); err != nil {
		return err
	}
	if err := writeReport(ctx, c.OutOrStdout(), s, rep, title.out, o.json); err != nil {
		return err
	}
	return verdictFor(outcome, o.failOn)
}
