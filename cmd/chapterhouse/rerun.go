package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
	"chapterhouse/pipeline/house/stored"
	"chapterhouse/pipeline/store"

	"github.com/spf13/cobra"
)

type rerunOptions struct {
	store string
	order orderFlags
	watch bool
	json  bool
}

func rerunCommand() *cobra.Command {
	var o rerunOptions
	c := &cobra.Command{
		Use:   "rerun TITLE",
		Short: "A title's recordings once more, with the house as it was pushed last",
		Long: "Rerun submits the recordings of a title's last submission again, with the chains, specs and numbers of the\n" +
			"house as it was pushed last: so a chain that was changed comes to its titles. What was given up after\n" +
			"failed tries is tried again, and all is judged anew: so the checks of a new program come to a title that is\n" +
			"closed. Only what differs is made anew; chapters, their files and decisions are those of the last\n" +
			"submission.",
		Example: "  chapterhouse push house\n  chapterhouse rerun eleven-tide-gates --watch",
		Args:    exactly(1, "the title"),
		RunE:    func(c *cobra.Command, args []string) error { return rerun(c, args[0], o) },
	}
	c.Flags().StringVar(&o.store, "store", "", storeFlag)
	o.order.add(c, "what its last run had")
	c.Flags().BoolVar(&o.watch, "watch", false, "stay, and show how it goes until it is closed")
	c.Flags().BoolVar(&o.json, "json", false, "print what was submitted as JSON")
	return c
}

func rerun(c *cobra.Command, title string, o rerunOptions) error {
	ctx := c.Context()
	if err := o.order.check(c, o.watch && o.json); err != nil {
		return err
	}
	at, err := storeHere(ctx, o.store)
	if err != nil {
		return err
	}
	defer at.close()
	s := at.store
	if err := isSubmitted(ctx, s, title); err != nil {
		return err
	}
	state, err := coordinator.Known(ctx, s, title)
	if err != nil {
		return err
	}
	last, err := coordinator.Submission(ctx, s, title, coordinator.RunOf(state.Seq))
	if err != nil {
		return err
	}
	sub := last
	sub.Engine = pipeline.Engine{} // the night's workers may be other ones
	switch h, err := stored.Open(ctx, s); {
	case errors.Is(err, stored.ErrNone):
		fmt.Fprintln(c.ErrOrStderr(), "no house was pushed to this store: the chains and specs are those of the last submission")
	case err != nil:
		return err
	default:
		if sub, err = renewed(sub, h); err != nil {
			return err
		}
	}
	fresh, err := isOver(ctx, s, title)
	if err != nil {
		return err
	}
	again, err := coordinator.Forgive(ctx, s, title)
	if err != nil {
		return err
	}
	if fresh {
		sub.Again = again
	}
	order := coordinator.OrderOf(state)
	if state.Wanted == state.Standing && !order.Due.After(time.Now()) {
		order.Due = time.Time{} // it was that of a run that is over
	}
	if order, err = o.order.over(c, order); err != nil {
		return err
	}
	entered, err := enter(ctx, s, sub, state, order)
	if err != nil {
		return err
	}
	stands := last // what differs is told from what is had, not from a run that was cancelled
	if state.Standing != "" {
		if stands, err = coordinator.Submission(ctx, s, title, state.Standing); err != nil {
			return err
		}
	}
	entered.Differs, entered.rerun = differs(stands, sub), true
	if err := entered.print(c.OutOrStdout(), o.json); err != nil || !o.watch {
		return err
	}
	return watch(c, at, []string{title})
}

// isOver tells whether nothing is left of a title's run, or something of it was
// given up: what is under way and whole goes on as the run it is.
func isOver(ctx context.Context, s store.Store, title string) (bool, error) {
	view, err := coordinator.Look(ctx, s, title)
	return view.Over() || slices.ContainsFunc(view.Chapters, func(ch coordinator.Chapter) bool { return ch.Hole != "" }), err
}

// renewed is a submission with what a house says now.
func renewed(sub pipeline.Submission, h *house.House) (pipeline.Submission, error) {
	sub.House, sub.Settings = h.Settings.House, h.Settings
	sub.Narrators = maps.Clone(sub.Narrators)
	for who := range sub.Narrators {
		n, ok := h.Narrators[who]
		if !ok {
			return sub, pipeline.Errorf(pipeline.House, "", "the house as it was pushed has no narrator %s any more: push one, or submit the title from its folder", who)
		}
		sub.Narrators[who] = n
	}
	sub.Specs = slices.Clone(sub.Specs)
	for i, s := range sub.Specs {
		now, ok := h.Specs[s.Spec]
		if !ok {
			return sub, pipeline.Errorf(pipeline.House, "", "the house as it was pushed has no spec %s any more, only %s: push it, or submit the title from its folder", s.Spec, listed(h.Specs))
		}
		sub.Specs[i] = now
	}
	sub.Title.Findings = h.Notices(sub.Title)
	return sub, nil
}

// differs says what two submissions of one title's recordings make anew.
func differs(last, now pipeline.Submission) (lines []string) {
	for _, who := range sortedKeys(now.Narrators) {
		for _, setup := range sortedKeys(now.Narrators[who].Setups) {
			if uses(now.Title, who, setup) && chainDigest(last, who, setup) != chainDigest(now, who, setup) {
				lines = append(lines, fmt.Sprintf("the chain of %s, %s, is another: what they read is made anew", who, setup))
			}
		}
	}
	for _, s := range now.Specs {
		i := slices.IndexFunc(last.Specs, func(old pipeline.Spec) bool { return old.Spec == s.Spec })
		if i < 0 {
			lines = append(lines, fmt.Sprintf("%s was not asked for before: its files are made", s.Spec))
		} else if old := last.Specs[i]; !same(old.Sound, s.Sound) {
			lines = append(lines, fmt.Sprintf("%s asks for another sound: its files are made anew", s.Spec))
		} else if !same(old, s) {
			lines = append(lines, fmt.Sprintf("%s has other limits or names: judged and named anew, no file is", s.Spec))
		}
	}
	return lines
}

func chainDigest(s pipeline.Submission, who, setup string) pipeline.Digest {
	if c := s.Chain(who, setup); c != nil {
		return c.Digest()
	}
	return ""
}

// uses tells whether a title has a part in a voice.
func uses(t pipeline.Title, who, setup string) bool {
	for _, ch := range t.Chapters {
		for _, p := range ch.Parts {
			if p.Narrator == who && p.Setup == setup {
				return true
			}
		}
	}
	return false
}

// same compares by what would be stored.
func same(a, b any) bool {
	x, errX := pipeline.Canonical(a)
	y, errY := pipeline.Canonical(b)
	return errX == nil && errY == nil && string(x) == string(y)
}
