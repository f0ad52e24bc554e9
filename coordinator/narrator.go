package coordinator

import (
	"context"
	"errors"
	"maps"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// NarratorState is what a house knows of a narrator from its runs, at narrator.json.
type NarratorState struct {
	Last   map[string]LastFit `json:"last"`             // by setup
	Titles []NarratedTitle    `json:"titles,omitempty"` // the latest last
}

// NarratedTitle is what stays of a narrator's part in a title's standing run:
// as much whatever the number of chapters.
type NarratedTitle struct {
	Title    string           `json:"title"`
	Run      string           `json:"run"`
	Sessions []pipeline.Past  `json:"sessions"`
	Tallies  []pipeline.Tally `json:"tallies,omitempty"`
}

// LastFit is the latest fit of a setup.
type LastFit struct {
	Title string             `json:"title"`
	Run   string             `json:"run"`
	Fit   pipeline.FitRecord `json:"fit"`
}

// derive writes what follows from a run that stands: each narrator's latest
// fits, history and chapters. The chapters come last and are the sign that the rest is
// there, so that a pass that was cut off is made up for by the next one, and a
// run that stands since long takes no newer fit back.
func (p *pass) derive(ctx context.Context, o pipeline.Outcome) error {
	for _, who := range slices.Sorted(maps.Keys(p.sub.Narrators)) {
		name := shareName(who, p.title, p.run)
		if _, err := p.c.Store.Stat(ctx, name); !errors.Is(err, store.ErrAbsent) {
			if err != nil {
				return err
			}
			continue
		}
		if err := p.remember(ctx, who, o); err != nil {
			return err
		}
		mine := shareOf(o, who)
		if err := pin(ctx, p.c.Store, name, &mine); err != nil {
			return err
		}
	}
	return nil
}

// shareOf is what a narrator has of a run: the chapters with a part of theirs.
func shareOf(o pipeline.Outcome, narrator string) pipeline.Outcome {
	share := o
	share.Chapters = nil
	for _, ch := range o.Chapters {
		if slices.ContainsFunc(ch.Parts, func(p pipeline.PartOutcome) bool { return p.Voice.Narrator == narrator }) {
			share.Chapters = append(share.Chapters, ch)
		}
	}
	return share
}

func (p *pass) remember(ctx context.Context, who string, o pipeline.Outcome) error {
	return store.Update(ctx, p.c.Store, narratorName(who), func(n *NarratorState) error {
		if n.Last == nil {
			n.Last = map[string]LastFit{}
		}
		for _, s := range o.Sessions {
			if s.Narrator == who && s.Fit.SpeechS >= p.sub.Settings.Fit.MinSpeechS {
				n.Last[s.Setup] = LastFit{Title: p.title, Run: p.run, Fit: s.Fit}
			}
		}
		n.read(who, o)
		return nil
	})
}

// read takes a run into the history, in the place of an earlier one of its
// title and behind all others; a later one of it is left as it is.
func (n *NarratorState) read(who string, o pipeline.Outcome) {
	i := slices.IndexFunc(n.Titles, func(t NarratedTitle) bool { return t.Title == o.Slug })
	if i >= 0 {
		if n.Titles[i].Run >= o.Run {
			return
		}
		n.Titles = slices.Delete(n.Titles, i, i+1)
	}
	n.Titles = append(n.Titles, NarratedTitle{Title: o.Slug, Run: o.Run, Sessions: pipeline.Pasts(o, who), Tallies: pipeline.Tallies(o, who)})
}

// maxHistory is how many sessions of a narrator a plan pins: the latest.
const maxHistory = 24

// before is what a plan pins of a narrator's titles but its own.
func (n NarratorState) before(title string) (history []pipeline.Past, tallies []pipeline.Tally) {
	for _, t := range n.Titles {
		if t.Title != title {
			history, tallies = append(history, t.Sessions...), append(tallies, t.Tallies...)
		}
	}
	return history[max(0, len(history)-maxHistory):], pipeline.AddTallies(tallies)
}

// NarratorOf is what is known of a narrator. store.ErrAbsent where no run that
// stood has anything of theirs.
func NarratorOf(ctx context.Context, s store.Store, narrator string) (n NarratorState, err error) {
	err = store.ReadJSON(ctx, s, narratorName(narrator), &n)
	return n, err
}
