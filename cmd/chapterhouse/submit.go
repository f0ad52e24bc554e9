package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/intake"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"

	"github.com/spf13/cobra"
)

type submitOptions struct {
	processOptions
	order orderFlags
	watch bool
}

func submitCommand() *cobra.Command {
	var o submitOptions
	c := &cobra.Command{
		Use:   "submit FOLDER",
		Short: "Give a title to the night",
		Long: "Submit brings the recordings of the title in FOLDER into the store, writes the run down and comes back:\n" +
			"coordinators and workers do the rest. What is in the store already is not sent again; the same submitted\n" +
			"twice is one run, and only its order is changed. A title that is under way goes on as it is now in FOLDER:\n" +
			"what does not differ is taken over.\n" +
			"\n" +
			"Settings: store and s3.*, and broker.* for --watch; see chapterhouse --help.",
		Example: "  chapterhouse submit house/titles/eleven-tide-gates\n" +
			"  chapterhouse submit house/titles/eleven-tide-gates --class rush --due 2026-12-01T06:00 --watch",
		Args: exactly(1, "the title's folder"),
		RunE: func(c *cobra.Command, args []string) error {
			o.title = args[0]
			return submit(c, o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.house, "house", "", "folder of the house (default: the nearest parent with house.yaml)")
	f.StringVar(&o.store, "store", "", storeFlag)
	f.StringSliceVar(&o.specs, "spec", nil, "specs to master to, in place of the title's own")
	f.BoolVar(&o.again, "again", false, againFlag)
	f.BoolVar(&o.watch, "watch", false, "stay, and show how it goes until it is closed")
	f.BoolVar(&o.json, "json", false, "print what was submitted as JSON")
	o.order.add(c, "what its unfinished run has, else overnight and none")
	return c
}

// Submitted is what a submission came to, as --json prints it.
type Submitted struct {
	Title    string         `json:"title"` // slug
	Name     string         `json:"name"`
	Run      string         `json:"run"`
	New      bool           `json:"new"`      // a run of its own; false: that run is there already
	Standing bool           `json:"standing"` // it is closed already
	Chapters int            `json:"chapters"`
	Files    int            `json:"files"`
	Bytes    int64          `json:"bytes"`
	Missing  []string       `json:"missing,omitempty"` // files that are not in the folder
	Class    string         `json:"class"`
	Due      time.Time      `json:"due,omitzero"`
	Differs  []string       `json:"differs,omitempty"` // what a rerun makes anew
	Intake   *intake.Answer `json:"intake,omitempty"`  // what the recordings are, by header and sample

	rerun bool
}

func submit(c *cobra.Command, o submitOptions) error {
	ctx := c.Context()
	if err := o.order.check(c, o.watch && o.json); err != nil {
		return err // before anything is sent
	}
	title, err := openTitle(o.processOptions)
	if err != nil {
		return err
	}
	at, err := storeFor(ctx, o.store, title.house.Root, false)
	if err != nil {
		return err
	}
	defer at.close()
	said := c.OutOrStdout()
	if o.json {
		said = io.Discard
	}
	sub, answer, err := prepare(ctx, at.store, title, o.again, said, newReadProgress(c.ErrOrStderr(), "sources"))
	if err != nil {
		return err
	}
	state, err := coordinator.Known(ctx, at.store, sub.Title.Slug)
	if err != nil {
		return err
	}
	order := coordinator.Order{Class: queue.Overnight}
	if state.Wanted != state.Standing {
		order = coordinator.OrderOf(state)
	}
	if order, err = o.order.over(c, order); err != nil {
		return err
	}
	entered, err := enter(ctx, at.store, sub, state, order)
	if err != nil {
		return err
	}
	entered.Intake = &answer
	if err := entered.print(c.OutOrStdout(), o.json); err != nil || !o.watch {
		return err
	}
	return watch(c, at, []string{entered.Title})
}

// enter submits a run of a title that was in a state before.
func enter(ctx context.Context, s store.Store, sub pipeline.Submission, before pipeline.TitleState, order coordinator.Order) (Submitted, error) {
	run, err := coordinator.Submit(ctx, s, sub, order)
	if err != nil {
		return Submitted{}, err
	}
	done := Submitted{
		Title: sub.Title.Slug, Name: sub.Title.Name, Run: run, New: run > coordinator.RunOf(before.Seq), Standing: run == before.Standing,
		Chapters: len(sub.Title.Chapters), Files: len(sub.Sources), Class: string(order.Class), Due: order.Due,
	}
	there := map[string]bool{}
	for _, src := range sub.Sources {
		there[src.Path] = true
		done.Bytes += src.Bytes
	}
	for _, name := range filesOf(sub.Title) {
		if !there[name] {
			done.Missing = append(done.Missing, name)
		}
	}
	return done, nil
}

func (d Submitted) print(w io.Writer, asJSON bool) error {
	if asJSON {
		return report.JSON(w, d)
	}
	order := orderText(coordinator.Order{Class: queue.Class(d.Class), Due: d.Due})
	var b strings.Builder
	fmt.Fprintf(&b, "%s: run %s, %s from %s (%s), %s\n", pipeline.Visible(d.Name), d.Run, count(d.Chapters, "chapter"), count(d.Files, "file"), size(d.Bytes), order)
	for _, line := range d.Differs {
		fmt.Fprintln(&b, line)
	}
	for _, name := range d.Missing {
		fmt.Fprintf(&b, "%s is not in the folder: its chapter will be missing\n", pipeline.Visible(name))
	}
	switch {
	case d.Standing:
		fmt.Fprintf(&b, "That run is closed and stands: nothing is left to do. Have its files with: chapterhouse fetch %s\n", d.Title)
	case !d.New:
		fmt.Fprintf(&b, "That run was submitted before and goes on; its order is as given now.\n")
	case d.rerun && len(d.Differs) == 0:
		fmt.Fprintf(&b, "The house says of it what it said before: only what had been given up, or what the workers make otherwise by now, is made anew.\n")
	case d.rerun:
	default:
		fmt.Fprintf(&b, "The same submitted again is this run again; a change makes a run of its own that takes over what does not differ.\n")
	}
	if !d.Standing {
		fmt.Fprintf(&b, "See how it goes with: chapterhouse watch %s\n", d.Title)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
