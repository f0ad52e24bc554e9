package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"

	"github.com/spf13/cobra"
)

func statusCommand() *cobra.Command {
	var named string
	var o statusOptions
	c := &cobra.Command{
		Use:   "status [TITLE] | status TITLE --attention | status --narrator NARRATOR",
		Short: "What is left, when it is finished, where to listen",
		Long: "Status tells of every unfinished title, in the order of the night, how many chapters are left, how long\n" +
			"that takes with the workers that are up, and what needs a person. The time is an estimate from what\n" +
			"results took so far; a ~ stands where the recordings were not opened yet. A title that is closed is told\n" +
			"only where it is named.\n" +
			"\n" +
			"With --attention it tells where to listen in the title's standing run: chapters by urgency, and in each every\n" +
			"place that asks for an ear, when it is in the delivered file and in the source, and what to do. With --out it\n" +
			"leaves findings.csv in OUT/TITLE, and in OUT/TITLE/attention a clip of each place and the narrators' pickup\n" +
			"sheets; with --review also copies of those chapters as WAV with a cue point at every place.\n" +
			"With --narrator it tells how a narrator sounded title by title, and which findings are dismissed.\n" +
			"\n" +
			"Settings: store, s3.* and broker.*; see chapterhouse --help.",
		Example: "  chapterhouse status\n  chapterhouse status eleven-tide-gates --json\n" +
			"  chapterhouse status eleven-tide-gates --attention --out ears --review\n  chapterhouse status --narrator ines-marlow",
		Args: atMost(1, "one title"),
		RunE: func(c *cobra.Command, args []string) error {
			o.title = strings.Join(args, "")
			if err := o.check(); err != nil {
				return usageError{c.CommandPath(), err}
			}
			at, err := storeHere(c.Context(), named)
			if err != nil {
				return err
			}
			defer at.close()
			switch {
			case o.attention:
				return places(c, at.store, o)
			case o.narrator != "":
				return narratorStatus(c, at.store, o)
			}
			hear := func() present { return listen(c.Context(), at.settings, at.logger(c.ErrOrStderr())) }
			st, err := gather(c.Context(), at.store, o.title, hear)
			if err != nil {
				return err
			}
			if o.json {
				return report.JSON(c.OutOrStdout(), st)
			}
			return st.print(c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.BoolVar(&o.attention, "attention", false, "where to listen in the title")
	f.StringVar(&o.out, "out", "", "folder for clips, pickup sheets and findings.csv")
	f.BoolVar(&o.review, "review", false, "leave copies to review there as well, with cue points")
	f.StringVar(&o.narrator, "narrator", "", "how this narrator sounded, title by title")
	f.StringVar(&named, "store", "", storeFlag)
	f.BoolVar(&o.json, "json", false, "print it as JSON")
	return c
}

// Status is how the night goes, as --json prints it.
type Status struct {
	At           time.Time     `json:"at"`
	Coordinators []string      `json:"coordinators"`
	Workers      int           `json:"workers"`
	Slots        int           `json:"slots"`
	Unknown      string        `json:"unknown,omitempty"` // why workers and coordinators could not be heard
	Titles       []StatusTitle `json:"titles"`            // unfinished, in the night's order; or the one that was named
	Attention    []string      `json:"attention,omitempty"`
}

// StatusTitle is one title.
type StatusTitle struct {
	Title     string       `json:"title"` // slug
	Name      string       `json:"name"`
	Open      bool         `json:"open"`          // a run is unfinished, or nobody can tell
	Run       string       `json:"run,omitempty"` // unfinished
	Class     string       `json:"class,omitempty"`
	Due       time.Time    `json:"due,omitzero"`
	Chapters  int          `json:"chapters"`
	Left      int          `json:"left"`
	Step      string       `json:"step,omitempty"`
	LeftS     float64      `json:"left_s,omitempty"`   // with the slots that are up and the titles before it; 0: not known
	ClosedBy  time.Time    `json:"closed_by,omitzero"` // now and that
	Guessed   bool         `json:"guessed,omitempty"`
	Over      bool         `json:"over,omitempty"` // after its due date
	Standing  *StandingRun `json:"standing,omitempty"`
	Cancelled string       `json:"cancelled,omitempty"` // the last run, where it was
	Attention []string     `json:"attention,omitempty"`

	place place
}

// StandingRun is a title's run that stands.
type StandingRun struct {
	Run      string            `json:"run"`
	Verdict  pipeline.Verdict  `json:"verdict"`
	Chapters int               `json:"chapters"`
	Ready    int               `json:"ready"`
	Listen   int               `json:"listen"`
	Return   int               `json:"return"`
	Withheld map[string]string `json:"withheld,omitempty"`
}

// titlesAtATime are looked at together, each with many looks at once.
const titlesAtATime = 4

// gather looks at the night: at all unfinished titles, or at the one that is
// named and those before it.
func gather(ctx context.Context, s store.Store, named string, hear func() present) (Status, error) {
	open, err := coordinator.Open(ctx, s)
	if err != nil {
		return Status{}, err
	}
	if named != "" {
		if open, err = upTo(ctx, s, open, named); err != nil {
			return Status{}, err
		}
	}
	seen := make([]seenTitle, len(open))
	var here present
	var all sync.WaitGroup
	all.Go(func() { here = hear() })
	places := make(chan struct{}, titlesAtATime)
	for i, e := range open {
		all.Go(func() {
			places <- struct{}{}
			defer func() { <-places }()
			seen[i] = seeTitle(ctx, s, e.Title)
		})
	}
	all.Wait()
	if err := ctx.Err(); err != nil {
		return Status{}, err
	}
	return statusOf(time.Now(), seen, here, named), nil
}

// upTo are the open titles up to one; that one alone where it is closed.
func upTo(ctx context.Context, s store.Store, open []coordinator.Entry, title string) ([]coordinator.Entry, error) {
	if i := slices.IndexFunc(open, func(e coordinator.Entry) bool { return e.Title == title }); i >= 0 {
		return open[:i+1], nil
	}
	if err := isSubmitted(ctx, s, title); err != nil {
		return nil, err
	}
	return []coordinator.Entry{{Title: title}}, nil
}

// isSubmitted is an error for a title that the store does not know.
func isSubmitted(ctx context.Context, s store.Store, title string) error {
	if !pipeline.ValidSlug(title) {
		return pipeline.Errorf(pipeline.House, "", "%q is no title's name: give the name of its folder, as eleven-tide-gates", pipeline.Visible(title))
	}
	t, err := coordinator.Known(ctx, s, title)
	if err == nil && t.Seq == 0 {
		err = pipeline.Errorf(pipeline.House, "", "no title %s was submitted to this store: see chapterhouse status for those that are open", title)
	}
	return err
}

// seenTitle is what the store says of a title.
type seenTitle struct {
	title    string
	state    pipeline.TitleState
	view     coordinator.Title
	sub      pipeline.Submission
	standing *pipeline.Outcome
	err      error
}

func seeTitle(ctx context.Context, s store.Store, title string) seenTitle {
	state, o, err := coordinator.Standing(ctx, s, title)
	t := seenTitle{title: title, state: state}
	if err == nil {
		t.standing = &o
	} else if !errors.Is(err, coordinator.ErrNoRun) {
		t.err = err
		return t
	}
	if t.state.Wanted == t.state.Standing {
		return t
	}
	if t.sub, t.err = coordinator.Submission(ctx, s, title, t.state.Wanted); t.err == nil {
		t.view, t.err = coordinator.Look(ctx, s, title)
	}
	return t
}

// statusOf puts together what was seen and heard.
func statusOf(now time.Time, seen []seenTitle, here present, named string) Status {
	st := Status{At: now.UTC(), Coordinators: []string{}, Workers: len(here.workers), Unknown: here.unknown, Titles: []StatusTitle{}}
	for name := range here.coordinators {
		st.Coordinators = append(st.Coordinators, name)
	}
	slices.Sort(st.Coordinators)
	slots := here.slots()
	for _, n := range slots {
		st.Slots += n
	}
	cost := map[pipeline.Step]pipeline.Cost{}
	for _, t := range seen {
		for step, c := range t.view.Cost {
			cost[step] = pipeline.Cost{CPUS: cost[step].CPUS + c.CPUS, AudioS: cost[step].AudioS + c.AudioS}
		}
	}
	nights := usualRates().measured(cost)
	places := make([]place, len(seen))
	for i, t := range seen {
		one := t.status(here, nights)
		places[i] = one.place
		st.Titles = append(st.Titles, one)
	}
	for i, f := range forecasts(now, places, slots) {
		one := &st.Titles[i]
		if !one.Open || seen[i].err != nil {
			continue
		}
		if one.Over = f.over; f.known {
			one.LeftS, one.ClosedBy = f.left.Seconds(), f.at.UTC().Truncate(time.Second)
		}
	}
	if named != "" && len(st.Titles) > 0 {
		st.Titles = st.Titles[len(st.Titles)-1:]
	}
	st.Attention = here.attention(slices.ContainsFunc(st.Titles, func(t StatusTitle) bool { return t.Open }))
	return st
}

// print writes it for people.
func (st Status) print(w io.Writer) error {
	var b strings.Builder
	open, today := 0, 0
	for _, t := range st.Titles {
		if !t.Open {
			continue
		}
		open++
		if y, m, d := st.At.Local().Date(); !t.ClosedBy.IsZero() && t.ClosedBy.Local().Before(time.Date(y, m, d+1, 0, 0, 0, 0, time.Local)) {
			today++
		}
	}
	fmt.Fprintf(&b, "%s open, %d to be closed today", count(open, "title"), today)
	if st.Unknown == "" {
		fmt.Fprintf(&b, " · %s with %s · %s", count(st.Workers, "worker"), count(st.Slots, "slot"), count(len(st.Coordinators), "coordinator"))
	}
	b.WriteString("\n")
	if open > 0 {
		b.WriteString("\n")
		st.table(&b)
	}
	for _, t := range st.Titles {
		if !t.Open {
			b.WriteString("\n" + t.closed())
		}
	}
	lines := slices.Clone(st.Attention)
	for _, t := range st.Titles {
		for _, a := range t.Attention {
			lines = append(lines, t.Title+": "+a)
		}
	}
	if len(lines) > 0 {
		b.WriteString("\nneeds attention\n")
		for _, l := range lines {
			b.WriteString("  " + pipeline.Visible(l) + "\n")
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (st Status) table(b *strings.Builder) {
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "title\tclass\tdue\tleft\tstep\ttime left\tclosed by")
	for _, one := range st.Titles {
		if !one.Open {
			continue
		}
		due, left, ships := "–", "–", "–"
		if !one.Due.IsZero() {
			due = clock(one.Due)
		}
		if !one.ClosedBy.IsZero() {
			left, ships = timeLeft(time.Duration(one.LeftS*float64(time.Second))), clock(one.ClosedBy)
			if one.Guessed {
				left, ships = "~ "+left, "~ "+ships
			}
		}
		if one.Over {
			ships += "  OVER"
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%d of %d\t%s\t%s\t%s\n", one.Title, one.Class, due, one.Left, one.Chapters, one.Step, left, ships)
	}
	_ = t.Flush() // into memory
}
