package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"text/tabwriter"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"

	"github.com/spf13/cobra"
)

// statusOptions are what status can be asked for beside the night.
type statusOptions struct {
	title     string
	attention bool
	out       string // folder to leave clips and sheets in; empty: nowhere
	review    bool
	narrator  string
	json      bool
}

func (o statusOptions) check() error {
	switch {
	case o.attention && o.title == "":
		return errors.New("--attention is of a title: name it")
	case o.narrator != "" && (o.title != "" || o.attention):
		return errors.New("--narrator is of all titles: name none")
	case !o.attention && (o.out != "" || o.review):
		return errors.New("--out and --review go with --attention")
	case o.review && o.out == "":
		return errors.New("--review writes copies: say where with --out")
	}
	return nil
}

// places tells where to listen in a title's standing run, and leaves what goes
// with it where it is asked to.
func places(c *cobra.Command, s store.Store, o statusOptions) error {
	ctx := c.Context()
	f, err := standing(ctx, s, o.title)
	if err != nil {
		return err
	}
	if f.behind != "" {
		fmt.Fprintln(c.ErrOrStderr(), f.behind)
	}
	l := attention.Of(f.Outcome)
	var uncut error
	if o.out != "" {
		if err := checkOut(o.out, f.Slug); err != nil {
			return err
		}
		l, uncut = leaveAttention(ctx, s, f.Outcome, o.out, "", o.review)
		rep := report.Report{Outcome: f.Outcome, Attention: &l}
		file := filepath.Join(o.out, f.Slug, "findings.csv")
		if err := writeFile(file, func(w io.Writer) error { return report.FindingsCSV(w, rep) }); err != nil {
			return errors.Join(attentionError(err), uncut)
		}
	}
	if o.json {
		return errors.Join(report.JSON(c.OutOrStdout(), l), uncut)
	}
	err = report.Attention(c.OutOrStdout(), l)
	if o.out != "" && err == nil {
		err = tellLeft(c.OutOrStdout(), filepath.Join(o.out, f.Slug))
	}
	return errors.Join(err, uncut)
}

// tellLeft writes what lies in a title's folder for whoever listens, by its kind.
func tellLeft(w io.Writer, folder string) error {
	fmt.Fprintf(w, "left in %s\n", pipeline.Visible(folder))
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, kind := range []struct{ pattern, one, more, what string }{
		{"findings.csv", "", "", "every finding, for a spreadsheet"},
		{attentionFolder + "/clips/*.flac", "clip", "clips", "of the places above"},
		{attentionFolder + "/pickups*.html", "", "", "lines to read again, to send to the narrator with the clips; the same for a spreadsheet as .csv"},
		{attentionFolder + "/review/*.wav", "copy", "copies", "to review, with a cue point at every place"},
	} {
		found, err := fs.Glob(os.DirFS(folder), kind.pattern)
		switch {
		case err != nil:
			return attentionError(err)
		case len(found) == 0:
		case kind.one != "":
			of := kind.more
			if len(found) == 1 {
				of = kind.one
			}
			fmt.Fprintf(t, "  %s\t%d %s %s\n", path.Dir(found[0])+"/", len(found), of, kind.what)
		default:
			for _, name := range found {
				fmt.Fprintf(t, "  %s\t%s\n", name, kind.what)
			}
		}
	}
	return t.Flush()
}
