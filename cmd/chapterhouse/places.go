package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"

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
		path := filepath.Join(o.out, f.Slug, "findings.csv")
		if err := writeFile(path, func(w io.Writer) error { return report.FindingsCSV(w, rep) }); err != nil {
			return errors.Join(attentionError(err), uncut)
		}
	}
	if o.json {
		return errors.Join(report.JSON(c.OutOrStdout(), l), uncut)
	}
	return errors.Join(report.Attention(c.OutOrStdout(), l), uncut)
}
