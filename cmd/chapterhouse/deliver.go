package main

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/delivery"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"

	"github.com/spf13/cobra"
)

type reportWork = report.Work

// checkOut makes sure, before a night or a long copy, that a title's files can
// be written below out.
func checkOut(out, title string) error {
	dir := filepath.Join(out, title)
	err := os.MkdirAll(dir, 0o755)
	if err == nil {
		var f *os.File
		if f, err = os.CreateTemp(dir, ".probe-"); err == nil {
			_, werr := f.Write([]byte{0})
			err = errors.Join(werr, f.Close(), os.Remove(f.Name()))
		}
	}
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, "", "nothing can be delivered to %s (%w): see that it can be written and its disk has room, or choose another folder with --out", out, err)
	}
	return nil
}

const forceFlag = "deliver what is withheld as well, for this reason; it stands in the delivery and the report"

// checkForce wants a reason with --force.
func checkForce(c *cobra.Command, reason string) error {
	if c.Flags().Changed("force") && strings.TrimSpace(reason) == "" {
		return usageError{c.CommandPath(), errors.New("--force takes the reason, as --force 'the receiver waits for chapter 3'")}
	}
	return nil
}

// deliver writes the specs' files to out/<title>/<spec>; what is withheld as a
// delivery too, where forced gives a reason.
func deliver(ctx context.Context, s store.Store, o pipeline.Outcome, specs []pipeline.Spec, out, forced string) ([]report.Delivery, error) {
	var all []report.Delivery
	for _, spec := range specs {
		dir := filepath.Join(out, o.Slug, spec.Spec)
		m, err := delivery.Write(ctx, s, o, spec, dir, forced)
		if err != nil {
			return nil, err
		}
		all = append(all, report.Delivery{Spec: spec.Spec, Folder: shown(dir), Files: len(m.Files), Complete: m.Complete, Withheld: m.Withheld, Forced: m.Forced})
	}
	return all, nil
}

// shown is a path as a person sees it from where the command was given.
func shown(path string) string {
	here, err := os.Getwd()
	if err != nil {
		return path
	}
	if rel, err := filepath.Rel(here, path); err == nil && filepath.IsLocal(rel) {
		return rel
	}
	return path
}

// writeReport leaves the report as text and JSON beside the deliveries, and
// prints it.
func writeReport(w io.Writer, r report.Report, out string, asJSON bool) error {
	if err := leaveReport(r, out); err != nil {
		return err
	}
	if asJSON {
		return report.JSON(w, r)
	}
	return report.Text(w, r)
}

// leaveReport writes the report's two files.
func leaveReport(r report.Report, out string) error {
	for name, write := range map[string]func(io.Writer) error{
		"report.txt":  func(f io.Writer) error { return report.Text(f, r) },
		"report.json": func(f io.Writer) error { return report.JSON(f, r) },
	} {
		path := filepath.Join(out, r.Slug, name)
		if err := writeFile(path, write); err != nil {
			return pipeline.Errorf(pipeline.Infra, "write the report", "%w: see that the folder can be written and its disk has room, or choose another with --out", err)
		}
	}
	return nil
}

// writeFile writes a file whole or not at all.
func writeFile(path string, write func(io.Writer) error) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	f, err := os.Create(path + ".part")
	if err != nil {
		return err
	}
	err = write(f)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(path+".part", path)
	}
	if err != nil {
		_ = os.Remove(path + ".part")
	}
	return err
}
