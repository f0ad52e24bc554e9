package coordinator

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"
)

// The index of unfinished runs, open/<title>/<run>.json, saves reading every
// title there ever was. An entry is there before its run is wanted and gone
// after the run is over; each run has one of its own, so that taking one away
// never hides a run that comes meanwhile.

// Entry is a title with an unfinished run.
type Entry struct {
	Title string
	Run   string
	Order
}

// Open is the unfinished titles in the night's order: rush before overnight,
// then by due date, then by name. A title whose state is damaged is among them,
// with no run and no order: nobody knows that it is finished.
func Open(ctx context.Context, s store.Store) ([]Entry, error) {
	all, damaged, err := indexed(ctx, s, looksAtATime)
	if err != nil {
		return nil, err
	}
	var open []Entry
	for _, title := range damaged {
		open = append(open, Entry{Title: title})
	}
	for title, t := range all {
		if t.Wanted != t.Standing {
			open = append(open, Entry{Title: title, Run: t.Wanted, Order: OrderOf(t)})
		}
	}
	slices.SortFunc(open, func(a, b Entry) int {
		return cmp.Or(a.Order.compare(b.Order), strings.Compare(a.Title, b.Title))
	})
	return open, nil
}

// looksAtATime is for whoever only looks; a coordinator has its own number.
const looksAtATime = 16

// compare is negative where a comes before b.
func (a Order) compare(b Order) int {
	switch {
	case a.Class != b.Class:
		return -strings.Compare(string(a.Class), string(b.Class)) // rush, overnight
	case a.Due.IsZero() != b.Due.IsZero():
		if b.Due.IsZero() {
			return -1
		}
		return 1
	}
	return a.Due.Compare(b.Due)
}

// indexed is the state of every title that has an entry, and the titles whose
// state is damaged: they hold up no other.
func indexed(ctx context.Context, s store.Store, width int) (known map[string]pipeline.TitleState, damaged []string, err error) {
	var titles []string
	err = s.List(ctx, "open/", func(i store.Info) error {
		title, _, _ := strings.Cut(strings.TrimPrefix(i.Name, "open/"), "/")
		if len(titles) == 0 || titles[len(titles)-1] != title {
			titles = append(titles, title)
		}
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	states, broken := make([]*pipeline.TitleState, len(titles)), make([]bool, len(titles))
	err = each(width, len(titles), func(i int) error {
		var t pipeline.TitleState
		err := store.ReadJSON(ctx, s, titleName(titles[i]), &t)
		if errors.Is(err, store.ErrAbsent) {
			return nil // its first submission is under way
		}
		if broken[i] = errors.Is(err, store.ErrDamaged); broken[i] {
			return nil
		}
		states[i] = &t
		return err
	})
	known = map[string]pipeline.TitleState{}
	for i, t := range states {
		switch {
		case broken[i]:
			damaged = append(damaged, titles[i])
		case t != nil:
			known[titles[i]] = *t
		}
	}
	return known, damaged, err
}

// tidy ends what is over of a title: the rings and entries of runs that are
// neither wanted nor still to come.
func (c *Coordinator) tidy(ctx context.Context, title string, t pipeline.TitleState) error {
	var over []string
	err := c.Store.List(ctx, "open/"+title+"/", func(i store.Info) error {
		run := strings.TrimSuffix(strings.TrimPrefix(i.Name, "open/"+title+"/"), ".json")
		if isOver(t, run) {
			over = append(over, run)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, run := range over {
		if run != t.Standing {
			if err := c.endRings(ctx, title, run); err != nil {
				return err
			}
		}
		if err := c.Store.Delete(ctx, openName(title, run)); err != nil {
			return err
		}
	}
	return nil
}

// isOver tells whether a run of a title is neither wanted nor still to come.
func isOver(t pipeline.TitleState, run string) bool {
	return run <= RunOf(t.Seq) && (run != t.Wanted || t.Wanted == t.Standing)
}

// endRings withdraws whatever rings may be out for a run that nobody wants any
// more, also those of a coordinator that is gone.
func (c *Coordinator) endRings(ctx context.Context, title, run string) error {
	p, err := c.lookAt(ctx, title, run)
	if err != nil {
		return err
	}
	for _, w := range p.wants {
		// It may have been rung for before the title was moved.
		for _, class := range []queue.Class{queue.Rush, queue.Overnight} {
			if w.ring.Class = class; c.wanted(w.ring) {
				continue
			}
			if err := c.Queue.Withdraw(ctx, w.ring); err != nil {
				return err
			}
		}
	}
	return nil
}

// wanted tells whether a title that is worked on waits for a ring.
func (c *Coordinator) wanted(r queue.Ring) bool {
	for _, k := range c.all() {
		k.mu.Lock()
		there := slices.ContainsFunc(k.wants, func(w want) bool { return same(w.ring, r) })
		k.mu.Unlock()
		if there {
			return true
		}
	}
	return false
}

// Look tells how far a title is. It reads, and neither rings nor decides.
func Look(ctx context.Context, s store.Store, title string) (Title, error) {
	c := &Coordinator{Store: s, Looks: looksAtATime}
	p, err := c.lookAt(ctx, title, "")
	if err != nil {
		return Title{}, err
	}
	return p.view, nil
}
