package main

import (
	"context"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"

	"github.com/spf13/cobra"
)

type checkOptions struct {
	store    string
	readData bool
	subset   string // of read-data, in per cent
	seed     uint64
	repair   bool
	json     bool
}

func checkCommand() *cobra.Command {
	var o checkOptions
	c := &cobra.Command{
		Use:   "check",
		Short: "Read the store back: every digest, commit and title",
		Long: "Check reads every object of the store and holds it against the others: recipes and their digests,\n" +
			"results and their files, titles, the runs that stand or are wanted, their uploads, what narrators have.\n" +
			"It names what is missing or damaged, which title, chapter and narrator that hits, and what to do.\n" +
			"With --read-data the bytes of every file are read as well; without it their sizes are compared.\n" +
			"It changes nothing and may run beside a night.\n\n" +
			"With --repair it mends what can be made again: it removes a damaged result and its commit and has the\n" +
			"title's standing run made again, so that the next night renders just what is missing; it moves damaged\n" +
			"uploads out of the way of new ones; it writes indexes and narrators' results again. It deletes nothing\n" +
			"that it can't make again or does not know, and says what it did. Without it nothing is changed, and the\n" +
			"last column says what a repair would do.\n\n" +
			"Exit codes: 0 nothing that matters is damaged, or all of it was mended; 1 something is, or the store\n" +
			"could not be read; 2 usage. With --json there is a report on standard output whenever the check came\n" +
			"to its end: exit 1 with a report means damage, exit 1 without one that it could not be done. A script\n" +
			"goes by faults[].weight, damage or notice, and faults[].mended.",
		Example: "  chapterhouse check\n  chapterhouse check --read-data-subset 5% --seed $(date +%j)\n  chapterhouse check --read-data --repair",
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{c.CommandPath(), fmt.Errorf("check takes no arguments; name the store with --store")}
			}
			return nil
		},
		RunE: func(c *cobra.Command, _ []string) error {
			share, err := o.share()
			if err != nil {
				return usageError{c.CommandPath(), err}
			}
			return audit(c, o, share)
		},
	}
	f := c.Flags()
	f.StringVar(&o.store, "store", "", "the store (default: the store setting, else that of the nearest house above)")
	f.BoolVar(&o.readData, "read-data", false, "read every file's bytes")
	f.StringVar(&o.subset, "read-data-subset", "", "read the bytes of so many per cent of the files, as 5%; --seed chooses them")
	f.Uint64Var(&o.seed, "seed", 1, "which files a subset is made of; another every night reads all of them in time")
	f.BoolVar(&o.repair, "repair", false, "mend what can be made again")
	f.BoolVar(&o.json, "json", false, "print the report as JSON")
	return c
}

// share is how many of the files are read, 0 to 1.
func (o checkOptions) share() (float64, error) {
	if o.subset == "" {
		if o.readData {
			return 1, nil
		}
		return 0, nil
	}
	number, ok := strings.CutSuffix(o.subset, "%")
	share, err := strconv.ParseFloat(number, 64)
	if !ok || err != nil || !(share > 0 && share <= 100) {
		return 0, fmt.Errorf("--read-data-subset takes a share as 5%%, not %q", o.subset)
	}
	return share / 100, nil
}

func audit(c *cobra.Command, o checkOptions, share float64) error {
	ctx := c.Context()
	at, err := storeHere(ctx, o.store)
	if err != nil {
		return err
	}
	defer at.close()
	s := at.store
	if own, ok := s.(interface{ Lock() error }); ok && o.repair {
		if err := own.Lock(); err != nil {
			return err
		}
	}
	say := newReadProgress(c.ErrOrStderr(), "the store")
	found, err := coordinator.Audit(ctx, s, coordinator.AuditOptions{ReadData: share, Seed: o.seed, Say: say})
	if err != nil {
		return err
	}
	var broken error
	if o.repair {
		broken = coordinator.Repair(ctx, s, &found) // what it did until then is told
		if err := sweep(c, s); broken == nil {
			broken = err
		}
	}
	if err := writeAudited(c.OutOrStdout(), found, o.json); err != nil {
		return err
	}
	if broken != nil {
		return broken
	}
	if left := found.Left(); left > 0 {
		return fmt.Errorf("%d of %d objects are damaged or missing", left, found.Objects)
	}
	return nil
}

// unfinished is how old an upload that was never ended is before it is dropped.
const unfinished = 48 * time.Hour

// sweep drops what died processes left of uploads, where a store keeps such.
func sweep(c *cobra.Command, s store.Store) error {
	bucket, ok := s.(interface {
		Sweep(ctx context.Context, before time.Time) (int, error)
	})
	if !ok {
		return nil
	}
	n, err := bucket.Sweep(c.Context(), time.Now().Add(-unfinished))
	if n > 0 {
		fmt.Fprintf(c.ErrOrStderr(), "dropped: %s that nobody ended within two days\n", count(n, "upload"))
	}
	return err
}

func writeAudited(w io.Writer, found coordinator.Audited, asJSON bool) error {
	if asJSON {
		return report.JSON(w, found)
	}
	fmt.Fprintf(w, "objects: %d, of them titles: %d, recipes: %d, results: %d, files and uploads: %d (%d MB), their bytes read: %d\n",
		found.Objects, found.Titles, found.Recipes, found.Commits, found.Blobs, found.Bytes>>20, found.Read)
	if len(found.Faults) == 0 {
		_, err := fmt.Fprintln(w, "sound: nothing is missing, damaged or left over")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "weight\tfault\tobject\twhat is wrong\twhom it hits\twhat to do")
	for _, f := range found.Faults {
		weight, do := string(f.Weight), f.Do
		if f.Mended {
			weight = "mended"
		}
		if f.Done != "" {
			do = "done: " + f.Done + "; now: " + f.Do
		}
		hits := hitLines(f)
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", weight, f.Fault, shortened(f.Object), shortened(f.What), hits[0], shortened(do))
		for _, h := range hits[1:] {
			fmt.Fprintf(t, "\t\t\t\t%s\t\n", h)
		}
	}
	if more := found.Unknown - coordinator.NamedUnknown; more > 0 {
		fmt.Fprintf(t, "notice\tunknown\t%d more objects\t\t–\t\n", more)
	}
	return t.Flush()
}

// hitLines says whom a fault hits, a line for each chapter; one line at least.
func hitLines(f coordinator.Fault) []string {
	if len(f.Hits) == 0 {
		return []string{"–"}
	}
	lines := make([]string, len(f.Hits))
	for i, h := range f.Hits {
		var words []string
		if h.Title != "" {
			words = append(words, strings.TrimSpace(h.Title+" "+h.Run))
		}
		if h.Chapter != pipeline.WholeTitle {
			words = append(words, fmt.Sprintf("%d %s", h.Chapter, h.Name))
		}
		for _, more := range [][]string{h.Narrators, h.Files, h.Specs} {
			if len(more) > 0 {
				words = append(words, strings.Join(more, " and "))
			}
		}
		if h.Standing {
			words = append(words, "which stands")
		}
		lines[i] = pipeline.Visible(strings.Join(words, ", "))
	}
	return lines
}

// shortened cuts the digests in a text short and makes it one line.
func shortened(s string) string {
	return pipeline.Visible(regexp.MustCompile(`[0-9a-f]{64}`).ReplaceAllStringFunc(s, func(d string) string {
		return pipeline.Digest(d).Short() + "…"
	}))
}
