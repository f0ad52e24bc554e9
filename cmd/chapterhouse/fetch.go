package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"

	"github.com/spf13/cobra"
)

type fetchOptions struct {
	title, narrator string // slugs
	store, out      string
	specs           []string
	force           string
	json            bool
}

func fetchCommand() *cobra.Command {
	var o fetchOptions
	c := &cobra.Command{
		Use:   "fetch TITLE | fetch --narrator NARRATOR [TITLE]",
		Short: "Bring finished files from the store",
		Long: "Fetch writes the files, the delivery and the report of the title's standing run to OUT/TITLE, as process\n" +
			"does. With --narrator it writes the chapters of one narrator alone, of every title or of the one that is\n" +
			"named, to OUT/narrators/NARRATOR/TITLE, with clips and a sheet where lines are to be read again.\n" +
			"Every file is verified by its digest while it is copied.",
		Example: "  chapterhouse fetch eleven-tide-gates --out deliveries\n  chapterhouse fetch --narrator ines-marlow --spec lossless",
		Args:    atMost(1, "one title"),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				o.title = args[0]
			}
			if err := o.check(); err != nil {
				return usageError{c.CommandPath(), err}
			}
			if err := checkForce(c, o.force); err != nil {
				return err
			}
			return fetch(c, o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.narrator, "narrator", "", "the chapters of this narrator alone")
	f.StringSliceVar(&o.specs, "spec", nil, "the files of these specs alone")
	f.StringVar(&o.out, "out", "", "folder for the files (default: HOUSE/out, without a house ./out)")
	f.StringVar(&o.store, "store", "", storeFlag)
	f.StringVar(&o.force, "force", "", forceFlag)
	f.BoolVar(&o.json, "json", false, "print the report as JSON; with --narrator a list of them")
	return c
}

func (o fetchOptions) check() error {
	for what, slug := range map[string]string{"title": o.title, "narrator": o.narrator} {
		if slug != "" && !pipeline.ValidSlug(slug) {
			return fmt.Errorf("%.80q is no %s: give its short name, as eleven-tide-gates", slug, what)
		}
	}
	if o.title == "" && o.narrator == "" {
		return errors.New("name the title, or a narrator with --narrator")
	}
	if o.narrator != "" && o.force != "" {
		return errors.New("--force is for a title's delivery: the chapters of one narrator are none")
	}
	return nil
}

func fetch(c *cobra.Command, o fetchOptions) error {
	root, _ := house.Find(".")
	if o.out == "" {
		o.out = filepath.Join(root, "out")
	}
	at, err := storeFor(c.Context(), o.store, root, true)
	if err != nil {
		return err
	}
	defer at.close()
	if o.narrator != "" {
		return fetchNarrator(c, at.store, o)
	}
	f, err := standing(c.Context(), at.store, o.title)
	if err != nil {
		return err
	}
	if f.behind != "" {
		fmt.Fprintln(c.ErrOrStderr(), f.behind)
	}
	if f.Specs, err = chosen(f.Outcome, o.specs); err != nil {
		return err
	}
	rep, err := f.bring(c.Context(), at.store, o.out, o.force)
	if err != nil {
		return err
	}
	return writeReport(c.Context(), c.OutOrStdout(), at.store, rep, o.out, o.json)
}

// finished is the standing run of a title.
type finished struct {
	pipeline.Outcome
	behind string // what is newer than it and not finished, in a sentence
}

func standing(ctx context.Context, s store.Store, title string) (finished, error) {
	state, o, err := coordinator.Standing(ctx, s, title)
	switch {
	case errors.Is(err, store.ErrAbsent) && state.Seq == 0:
		return finished{}, cmp.Or(isSubmitted(ctx, s, title), err)
	case errors.Is(err, coordinator.ErrNoRun) && state.Wanted == "":
		return finished{}, pipeline.Errorf(pipeline.House, "", "title %s has no files yet: %w, run %s was cancelled; submit it again", title, coordinator.ErrNoRun, state.Cancelled)
	case errors.Is(err, coordinator.ErrNoRun):
		return finished{}, pipeline.Errorf(pipeline.House, "", "title %s has no files yet: %w, run %s is not finished", title, coordinator.ErrNoRun, state.Wanted)
	case err != nil:
		return finished{}, err
	}
	f := finished{Outcome: o}
	if state.Wanted != state.Standing {
		f.behind = fmt.Sprintf("run %s of %s is not finished yet: these are the files of run %s", state.Wanted, title, state.Standing)
	}
	return f, nil
}

// chosen are the specs of a run that a call asks for; all where it names none.
func chosen(o pipeline.Outcome, names []string) ([]pipeline.Spec, error) {
	if len(names) == 0 {
		return o.Specs, nil
	}
	var specs []pipeline.Spec
	for _, name := range names {
		i := slices.IndexFunc(o.Specs, func(s pipeline.Spec) bool { return s.Spec == name })
		if i < 0 {
			var there []string
			for _, s := range o.Specs {
				there = append(there, s.Spec)
			}
			return nil, pipeline.Errorf(pipeline.House, "", "run %s of %s made no files for %q; it made them for %s", o.Run, o.Slug, name, strings.Join(there, ", "))
		}
		specs = append(specs, o.Specs[i])
	}
	return specs, nil
}

// bring copies a run's files out of the store and returns its report.
func (f finished) bring(ctx context.Context, s store.Store, out, forced string) (report.Report, error) {
	rep := report.Report{Outcome: f.Outcome, Work: report.Work{Taken: taken(f.Outcome)}}
	err := checkOut(out, f.Slug)
	if err == nil {
		rep.Deliveries, err = deliver(ctx, s, f.Outcome, f.Specs, out, forced)
	}
	return rep, err
}

// fetchNarrator brings one narrator's chapters, title by title. A title that
// has none, or no run that stands, is said and holds nobody up.
func fetchNarrator(c *cobra.Command, s store.Store, o fetchOptions) error {
	ctx, w := c.Context(), c.OutOrStdout()
	titles, err := coordinator.TitlesOf(ctx, s, o.narrator)
	if err != nil {
		return err
	}
	if len(titles) == 0 {
		return pipeline.Errorf(pipeline.House, "", "no run that stood has anything of a narrator %s", o.narrator)
	}
	if o.title != "" {
		titles = []string{o.title}
	}
	if o.json {
		w = io.Discard
	}
	out := filepath.Join(o.out, "narrators", o.narrator)
	reports := []report.Report{}
	var uncut error
	for _, title := range titles {
		f, err := standing(ctx, s, title)
		if err == nil {
			f.Specs, err = chosen(f.Outcome, o.specs)
		}
		mine := f.chaptersOf(o.narrator)
		if err == nil && len(mine) == 0 {
			err = pipeline.Errorf(pipeline.House, "", "run %s of %s has nothing of %s", f.Run, title, o.narrator)
		}
		if pipeline.KindOf(err) == pipeline.House && o.title == "" {
			fmt.Fprintln(c.ErrOrStderr(), pipeline.Visible(err.Error()))
			continue
		}
		if err != nil {
			return err
		}
		if f.behind != "" {
			fmt.Fprintln(c.ErrOrStderr(), f.behind)
		}
		rep, err := f.of(o.narrator).bring(ctx, s, out, "")
		if err != nil {
			return err
		}
		rep.Chapters = mine
		l, unheard := leaveAttention(ctx, s, rep.Outcome, out, o.narrator, false)
		rep.Attention = &l
		if err := leaveReport(ctx, s, rep, out); err != nil {
			return err
		}
		uncut = errors.Join(uncut, unheard)
		reports = append(reports, rep)
		if _, err := fmt.Fprint(w, brought(rep, o.narrator, f.Withheld)); err != nil {
			return err
		}
	}
	if len(reports) == 0 {
		return pipeline.Errorf(pipeline.House, "", "nothing of %s was fetched: see what was said of each title", o.narrator)
	}
	err = writeFile(filepath.Join(out, "hours.csv"), func(f io.Writer) error { return report.HoursCSV(f, o.narrator, reports...) })
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, "write the hours", "%w: see that the folder can be written and its disk has room, or choose another with --out", err)
	}
	if o.json {
		return errors.Join(report.JSON(c.OutOrStdout(), reports), uncut)
	}
	return uncut
}

// of is the run with a narrator's files alone. The other chapters are still
// there without theirs, so that names and their numbers are as in the delivery.
func (f finished) of(narrator string) finished {
	f.Chapters = slices.Clone(f.Chapters)
	for i := range f.Chapters {
		if !reads(narrator, f.Chapters[i]) {
			f.Chapters[i].Files = nil
		}
	}
	f.Withheld = map[string]string{} // these are files, and no delivery
	for _, s := range f.Specs {
		f.Withheld[s.Spec] = "these are the chapters of " + narrator + " alone"
	}
	return f
}

func (f finished) chaptersOf(narrator string) []pipeline.ChapterOutcome {
	return slices.DeleteFunc(slices.Clone(f.Chapters), func(ch pipeline.ChapterOutcome) bool { return !reads(narrator, ch) })
}

func reads(narrator string, ch pipeline.ChapterOutcome) bool {
	return slices.ContainsFunc(ch.Parts, func(p pipeline.PartOutcome) bool { return p.Voice.Narrator == narrator })
}

// brought is what a person is told of one title of a narrator's.
func brought(r report.Report, narrator string, withheld map[string]string) string {
	var b strings.Builder
	line := func(format string, args ...any) { b.WriteString(pipeline.Visible(fmt.Sprintf(format, args...)) + "\n") }
	line("%s · run %s · %s of %s", r.Title, r.Run, count(len(r.Chapters), "chapter"), narrator)
	for _, d := range r.Deliveries {
		line("  %s: %s in %s", d.Spec, count(d.Files, "file"), d.Folder)
		if why := withheld[d.Spec]; why != "" {
			line("  %s: the title's delivery is withheld, because %s", d.Spec, why)
		}
	}
	for _, ch := range r.Chapters {
		switch {
		case ch.Hole != "":
			line("  %d, %s: missing: %s", ch.Number, ch.Name, ch.Hole)
		case ch.Verdict != pipeline.Ready:
			line("  %d, %s: %s", ch.Number, ch.Name, ch.Verdict)
		}
	}
	return b.String()
}
