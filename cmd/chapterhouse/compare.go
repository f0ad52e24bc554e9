package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/compare"
	"chapterhouse/pipeline/render"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/series"
	"chapterhouse/pipeline/store"

	"github.com/spf13/cobra"
)

type compareOptions struct {
	title string
	runs  []string // the one that was, the one that is
	specs []string
	store string
	json  bool
}

func compareCommand() *cobra.Command {
	var o compareOptions
	c := &cobra.Command{
		Use:   "compare TITLE [RUN RUN]",
		Short: "What became of one run in another",
		Long: "Compare lays a title's second run beside its first: which chains changed and how, which files are identical\n" +
			"by digest, and for the others gain, levels, spectrum, what each stage did, findings new and gone, and how far\n" +
			"below the file lies what is left when the two are taken from each other at one level. Without runs, the one\n" +
			"that stands beside the finished one before it.",
		Example: "  chapterhouse compare eleven-tide-gates\n  chapterhouse compare eleven-tide-gates 000001 000003 --spec lossless",
		Args: func(c *cobra.Command, args []string) error {
			if len(args) != 1 && len(args) != 3 {
				return usageError{c.CommandPath(), errors.New("name the title, and two of its runs or none")}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			if o.title, o.runs = args[0], args[1:]; !pipeline.ValidSlug(o.title) {
				return usageError{c.CommandPath(), fmt.Errorf("%.80q is no title: give its short name, as eleven-tide-gates", o.title)}
			}
			for _, run := range o.runs {
				if _, err := strconv.Atoi(run); err != nil || len(run) != len(coordinator.RunOf(1)) {
					return usageError{c.CommandPath(), fmt.Errorf("%.80q is no run: give its number as the report has it, as %s", run, coordinator.RunOf(1))}
				}
			}
			return compareRuns(c, o)
		},
	}
	f := c.Flags()
	f.StringSliceVar(&o.specs, "spec", nil, "the files of these specs alone")
	f.StringVar(&o.store, "store", "", storeFlag)
	f.BoolVar(&o.json, "json", false, "print the comparison as JSON")
	return c
}

func compareRuns(c *cobra.Command, o compareOptions) error {
	ctx := c.Context()
	at, err := storeHere(ctx, o.store)
	if err != nil {
		return err
	}
	defer at.close()
	if len(o.runs) == 0 {
		if o.runs, err = lastTwo(ctx, at.store, o.title); err != nil {
			return err
		}
	}
	var runs [2]compare.Run
	for i, name := range o.runs {
		if runs[i], err = runToCompare(ctx, at.store, o.title, name, o.specs); err != nil {
			return err
		}
	}
	dir, err := os.MkdirTemp("", "chapterhouse-compare-")
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, "", "%w: see that the folder for temporary files can be written", err)
	}
	defer os.RemoveAll(dir)
	what, err := compare.Runs(ctx, runs[0], runs[1], listenTo(at.store, dir))
	if err != nil {
		return err
	}
	if o.json {
		return report.JSON(c.OutOrStdout(), what)
	}
	return report.Comparison(c.OutOrStdout(), what)
}

// lastTwo are the run that stands and the finished one before it.
func lastTwo(ctx context.Context, s store.Store, title string) ([]string, error) {
	f, err := standing(ctx, s, title)
	if err != nil {
		return nil, err
	}
	runs, err := coordinator.Closed(ctx, s, title)
	if err != nil {
		return nil, err
	}
	i := slices.Index(runs, f.Run)
	if i < 1 {
		return nil, pipeline.Errorf(pipeline.House, "", "run %s is the first of %s that was finished: there is none before it to compare it with", f.Run, title)
	}
	return []string{runs[i-1], f.Run}, nil
}

// runToCompare reads a finished run.
func runToCompare(ctx context.Context, s store.Store, title, run string, specs []string) (r compare.Run, err error) {
	r.Outcome, err = coordinator.OutcomeOf(ctx, s, title, run)
	if errors.Is(err, store.ErrAbsent) {
		runs, listed := coordinator.Closed(ctx, s, title)
		if listed != nil {
			return r, listed
		}
		return r, pipeline.Errorf(pipeline.House, "", "title %s has no finished run %.80q; there is %s", title, run, cmp.Or(strings.Join(runs, ", "), "none"))
	}
	if err != nil {
		return r, err
	}
	if r.Submission, err = coordinator.Submission(ctx, s, title, run); err != nil {
		return r, err
	}
	wanted, err := chosen(r.Outcome, specs)
	if err != nil {
		return r, err
	}
	for i := range r.Chapters {
		r.Chapters[i].Files = slices.DeleteFunc(r.Chapters[i].Files, func(f pipeline.FileOutcome) bool {
			return !slices.ContainsFunc(wanted, func(s pipeline.Spec) bool { return s.Spec == f.Spec })
		})
	}
	return r, nil
}

// listenTo reads series and lays files over each other, in a folder.
func listenTo(s store.Store, dir string) compare.Listen {
	return compare.Listen{
		Series: func(ctx context.Context, blob pipeline.Digest) (series.File, error) {
			text, err := store.ReadObject(ctx, s, store.BlobName(blob))
			if err != nil {
				return series.File{}, err
			}
			return series.DecodeFile(text)
		},
		Residual: func(ctx context.Context, was, is pipeline.FileOutcome, lateS float64) (r compare.Residual, err error) {
			paths := [2]string{filepath.Join(dir, "was."+string(was.Format.Format)), filepath.Join(dir, "is."+string(is.Format.Format))}
			for i, blob := range []pipeline.Digest{was.Blob, is.Blob} {
				if err := blobTo(ctx, s, blob, paths[i]); err != nil {
					return r, err
				}
			}
			r.GainDB, r.LeftDB, err = render.Residual(ctx, paths[0], paths[1], lateS)
			return r, err
		},
	}
}

// blobTo writes a blob to a file.
func blobTo(ctx context.Context, s store.Store, blob pipeline.Digest, path string) error {
	from, err := s.Get(ctx, store.BlobName(blob), 0, -1)
	if err != nil {
		return err
	}
	defer from.Close()
	to, err := os.Create(path)
	if err == nil {
		_, err = io.Copy(to, from)
		err = errors.Join(err, to.Close())
	}
	return err
}
