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
	"chapterhouse/pipeline/series"
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

// writeReport leaves the report beside the deliveries, and prints it. A reel or
// clips that can't be cut take no report away: it is told when all else is done.
func writeReport(ctx context.Context, w io.Writer, s store.Store, r report.Report, out string, asJSON bool) error {
	l, unheard := leaveAttention(ctx, s, r.Outcome, out, "", false)
	r.Attention = &l
	uncut := errors.Join(unheard, leaveReel(ctx, s, &r, out))
	if err := leaveReport(ctx, s, r, out); err != nil {
		return err
	}
	if asJSON {
		return errors.Join(report.JSON(w, r), uncut)
	}
	return errors.Join(report.Text(w, r), uncut)
}

// leaveReport writes the report for every kind of reader.
func leaveReport(ctx context.Context, s store.Store, r report.Report, out string) error {
	for name, write := range map[string]func(io.Writer) error{
		"report.txt":   func(f io.Writer) error { return report.Text(f, r) },
		"report.json":  func(f io.Writer) error { return report.JSON(f, r) },
		"report.html":  func(f io.Writer) error { return report.HTML(f, r, picturesIn(ctx, s)) },
		"report.csv":   func(f io.Writer) error { return report.CSV(f, r) },
		"findings.csv": func(f io.Writer) error { return report.FindingsCSV(f, r) },
		"hours.csv":    func(f io.Writer) error { return report.HoursCSV(f, "", r) },
	} {
		path := filepath.Join(out, r.Slug, name)
		if err := writeFile(path, write); err != nil {
			return pipeline.Errorf(pipeline.Infra, "write the report", "%w: see that the folder can be written and its disk has room, or choose another with --out", err)
		}
	}
	return nil
}

// maxSeries is more than a series of a day has; what is longer is cut, and so is
// found to be none.
const maxSeries = 64 << 20

// picturesIn reads series from a store. What is gone or damaged costs a
// chapter its pictures, and no one the report.
func picturesIn(ctx context.Context, s store.Store) report.Pictures {
	read := func(blob pipeline.Digest) ([]byte, error) {
		from, err := s.Get(ctx, store.BlobName(blob), 0, -1)
		var text []byte
		if err == nil {
			text, err = io.ReadAll(io.LimitReader(from, maxSeries))
			from.Close()
		}
		if errors.Is(err, store.ErrAbsent) || errors.Is(err, store.ErrDamaged) {
			return nil, pipeline.Errorf(pipeline.Missing, "", "%w; chapterhouse check says more", err)
		}
		return text, err
	}
	return report.Pictures{
		Source: func(blob pipeline.Digest) (series.Source, error) {
			text, err := read(blob)
			if err != nil {
				return series.Source{}, err
			}
			return series.DecodeSource(text)
		},
		File: func(blob pipeline.Digest) (series.File, error) {
			text, err := read(blob)
			if err != nil {
				return series.File{}, err
			}
			return series.DecodeFile(text)
		},
	}
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
