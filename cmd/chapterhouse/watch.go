package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
)

func watchCommand() *cobra.Command {
	var named string
	c := &cobra.Command{
		Use:   "watch [TITLE]",
		Short: "Show how a title goes, until it is closed",
		Long: "Watch shows the progress of a title, or of all that are unfinished now, until they are closed or cancelled.\n" +
			"It only looks: stopping it stops nothing. Without a broker it tells what the store shows.\n" +
			"\n" +
			"Settings: store, s3.* and broker.*; see chapterhouse --help.",
		Example: "  chapterhouse watch eleven-tide-gates",
		Args:    atMost(1, "one title"),
		RunE: func(c *cobra.Command, args []string) error {
			at, err := storeHere(c.Context(), named)
			if err != nil {
				return err
			}
			defer at.close()
			if len(args) > 0 {
				if err := isSubmitted(c.Context(), at.store, args[0]); err != nil {
					return err
				}
				return watch(c, at, args)
			}
			open, err := coordinator.Open(c.Context(), at.store)
			if err != nil {
				return err
			}
			var titles []string
			for _, e := range open {
				titles = append(titles, e.Title)
			}
			return watch(c, at, titles)
		},
	}
	c.Flags().StringVar(&named, "store", "", storeFlag)
	return c
}

const (
	newsRest = 3 * time.Second  // between two looks when there is news
	newsless = 15 * time.Second // and when nothing is heard
)

// watch follows titles until none of them is unfinished.
func watch(c *cobra.Command, at openedStore, titles []string) error {
	ctx, errs := c.Context(), c.ErrOrStderr()
	if len(titles) == 0 {
		_, err := fmt.Fprintln(c.OutOrStdout(), "no title is open")
		return err
	}
	f := &follower{store: at.store, out: c.OutOrStdout(), said: map[string]bool{}, shows: map[string]progress{}}
	for _, t := range titles {
		if len(titles) == 1 {
			f.shows[t] = newProgress(errs, t)
		} else {
			f.shows[t] = newLineProgress(named{errs, t + ": "})
		}
	}
	defer f.close()
	rings, err := openBroker(ctx, at.settings, brokerUse{leaseOnly: true, wait: brokerWait, lost: func(error) {}, log: zap.NewNop()})
	if err != nil {
		fmt.Fprintf(errs, "progress is told from the store alone: %v\n", pipeline.Visible(err.Error()))
	} else {
		defer rings.Close()
		news, stop, err := watchKeys(rings.Events(engineHere().ID()), f.event)
		if err != nil {
			return err
		}
		defer stop()
		f.news = news
	}
	return f.follow(ctx, titles)
}

// follower shows several titles.
type follower struct {
	store store.Store
	out   io.Writer
	news  <-chan struct{} // nil without a broker
	said  map[string]bool // titles of which it was said that they wait
	mu    sync.Mutex
	shows map[string]progress
}

func (f *follower) event(e queue.Event) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, show := range f.shows {
		show.event(e)
	}
}

// follow looks at every title now and then, and ends each one's progress when
// nothing of it is left to do.
func (f *follower) follow(ctx context.Context, titles []string) error {
	for soon := true; ; {
		var left []string
		for _, title := range titles {
			over, err := f.look(ctx, title)
			if err != nil {
				return err
			}
			if !over {
				left = append(left, title)
			}
		}
		if titles = left; len(titles) == 0 {
			return nil
		}
		// What the last news led to, as a close, is not news itself: one more
		// look follows soon.
		wait := newsless
		if soon {
			wait = newsRest
		}
		soon = false
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
			continue
		case <-f.news:
			soon = true
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(newsRest):
		}
	}
}

func (f *follower) look(ctx context.Context, title string) (over bool, err error) {
	view, err := coordinator.Look(ctx, f.store, title)
	if err != nil {
		return false, err
	}
	f.mu.Lock()
	show := f.shows[title]
	show.title(view)
	if view.Over() {
		delete(f.shows, title)
		show.close()
	}
	f.mu.Unlock()
	if !view.Over() {
		if view.Step == "" && !f.said[title] {
			f.said[title] = true
			_, err = fmt.Fprintf(f.out, "%s: waiting until a coordinator begins it\n", title)
		}
		return false, err
	}
	t := seeTitle(ctx, f.store, title)
	if t.err != nil {
		return false, t.err
	}
	one := t.status(present{unknown: "not asked"}, usualRates())
	text := one.closed()
	for _, a := range one.Attention {
		text += "  " + pipeline.Visible(a) + "\n"
	}
	if one.Standing != nil {
		text += fmt.Sprintf("Have its files with: chapterhouse fetch %s\n", title)
	}
	_, err = io.WriteString(f.out, text)
	return true, err
}

func (f *follower) close() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, show := range f.shows {
		show.close()
	}
}

// named puts a name before every line; each write is whole lines.
type named struct {
	io.Writer
	name string
}

func (n named) Write(b []byte) (int, error) {
	text := strings.TrimSuffix(string(b), "\n")
	_, err := io.WriteString(n.Writer, n.name+strings.ReplaceAll(text, "\n", "\n"+n.name)+"\n")
	return len(b), err
}
