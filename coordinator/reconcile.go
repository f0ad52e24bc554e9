package coordinator

import (
	"context"
	"errors"
	"fmt"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// A Title is how far a title is after a pass: what progress is shown from.
type Title struct {
	Run      string
	Step     pipeline.Step // the phase that is being worked on
	Chapters []Chapter
	Closed   bool
	Outcome  pipeline.Outcome // when closed
}

// Chapter is how far one chapter is within its title's phase.
type Chapter struct {
	Number  int
	Name    string
	Seconds float64           // of source audio
	Hole    string            // it will not be there, and why
	Done    []pipeline.Digest // results of this phase that are there
	Missing []pipeline.Digest // and those that are not
}

// pass is one reconcile pass over one title.
type pass struct {
	c     *Coordinator
	title string
	run   string
	state pipeline.TitleState
	sub   pipeline.Submission
	view  Title
	known *known
	out   int // rings that are out
	// commits is every result from the plan on, in the order of the flow.
	commits []pipeline.Commit
}

// Reconcile brings a title one pass further: the same code at a start, on a
// timer and on news. It returns what it saw.
func (c *Coordinator) Reconcile(ctx context.Context, title string) (Title, error) {
	p := &pass{c: c, title: title}
	if err := store.ReadJSON(ctx, c.Store, titleName(title), &p.state); err != nil {
		return Title{}, fmt.Errorf("title %s: %w", title, err)
	}
	p.run = p.state.Wanted
	p.view.Run = p.run
	if err := store.ReadJSON(ctx, c.Store, runName(title, p.run, "submit"), &p.sub); err != nil {
		return p.view, err
	}
	if p.state.Wanted == p.state.Standing {
		if err := store.ReadJSON(ctx, c.Store, runName(title, p.run, "close"), &p.view.Outcome); err != nil {
			return p.view, err
		}
		p.view.Closed = true
		c.forget(title)
		return p.view, p.derive(ctx, p.view.Outcome) // the pass that closed it may have been cut off
	}
	p.known = c.know(title)
	outcome, ok, err := p.toClose(ctx)
	if err != nil || !ok {
		return p.view, err
	}
	if err := pin(ctx, c.Store, runName(title, p.run, "close"), &outcome); err != nil {
		return p.view, err
	}
	err = store.Update(ctx, c.Store, titleName(title), func(t *pipeline.TitleState) error {
		if t.Wanted != p.run {
			return errMoved // a newer run is wanted: this one never stands
		}
		t.Standing = p.run
		return nil
	})
	if errors.Is(err, errMoved) {
		return p.view, nil
	}
	if err != nil {
		return p.view, fmt.Errorf("close %s: %w", title, err)
	}
	p.view.Closed, p.view.Outcome = true, outcome
	c.forget(title)
	return p.view, p.derive(ctx, outcome)
}

// toClose walks the phases until one has to wait. Once fits or gains are
// pinned nobody waits for the results they come from: a late chapter catches
// up beside the others. ok: the run can be closed.
func (p *pass) toClose(ctx context.Context) (o pipeline.Outcome, ok bool, err error) {
	plan, ok, err := p.plan(ctx)
	if err != nil || !ok {
		return o, false, err
	}
	profiles, settled, err := p.profiles(ctx, plan)
	if err != nil {
		return o, false, err
	}
	fits, ok, err := p.fits(ctx, plan, profiles, settled)
	if err != nil || !ok {
		return o, false, err
	}
	weighs, weighed, err := p.weighs(ctx, plan, profiles, fits)
	if err != nil {
		return o, false, err
	}
	// Someone else may have pinned the fits between our look at the profiles
	// and now: what was pending then has no weigh to wait for.
	gains, ok, err := p.gains(ctx, plan, profiles, weighs, settled && weighed)
	if err != nil || !ok {
		return o, false, err
	}
	files, ok, err := p.files(ctx, plan, profiles, fits, weighs, gains)
	if err != nil || !ok {
		return o, false, err
	}
	o, err = p.close(plan, profiles, fits, gains, files)
	return o, err == nil, err
}

// phase looks at a phase's results, rings for what is missing, and notes how
// far each chapter is.
func (p *pass) phase(ctx context.Context, step pipeline.Step, groups []group) ([][]result, error) {
	results, err := p.lookAll(ctx, groups)
	if err != nil {
		return nil, err
	}
	p.view.Step = step
	p.view.Chapters = make([]Chapter, len(results))
	for i, g := range results {
		ch := &p.view.Chapters[i]
		for _, r := range g {
			switch r.state {
			case done:
				ch.Done = append(ch.Done, r.key)
				p.commits = append(p.commits, r.commit)
			case hole:
				ch.Hole = r.why
			default:
				ch.Missing = append(ch.Missing, r.key)
			}
		}
	}
	return results, p.ring(ctx, results)
}

// chapters fills the view's names in from the plan.
func (p *pass) chapters(plan pipeline.Plan) {
	for i := range p.view.Chapters {
		ch := plan.Chapters[i]
		v := &p.view.Chapters[i]
		v.Number, v.Name = ch.Number, ch.Name
		if ch.Hole != "" {
			v.Hole = ch.Hole
		}
		for _, part := range ch.Parts {
			v.Seconds += part.Span.Len().Seconds(plan.RateHz)
		}
	}
}
