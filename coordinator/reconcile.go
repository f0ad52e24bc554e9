package coordinator

import (
	"context"
	"errors"
	"fmt"
	"maps"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"
)

// A Title is how far a title is after a pass: what progress is shown from.
type Title struct {
	Run       string
	Order     Order
	Step      pipeline.Step // the phase that is being worked on
	Engine    string        // pipeline.Engine.ID of the run; empty while no worker was heard of whose engine it could take
	Chapters  []Chapter
	Cost      map[pipeline.Step]pipeline.Cost // of the results so far, from the profiles on
	Closed    bool                            // the run stands
	Outcome   pipeline.Outcome                // when closed
	Cancelled string                          // the run that was taken back last, where no run is wanted since
}

// Over tells whether nothing is left to do.
func (t Title) Over() bool { return t.Closed || t.Cancelled != "" }

// Chapter is how far one chapter is within its title's phase.
type Chapter struct {
	Number  int
	Name    string
	Seconds float64           // of source audio
	Hole    string            // it will not be there, and why
	Late    string            // it failed and is tried again: why it failed last
	Done    []pipeline.Digest // results of this phase that are there
	Missing []pipeline.Digest // and those that are not
}

// pass is one reconcile pass over one title.
type pass struct {
	c       *Coordinator
	title   string
	run     string
	state   pipeline.TitleState
	sub     pipeline.Submission
	view    Title
	known   *known
	fresh   bool                     // every ring that is out is looked at again
	looking bool                     // nothing is written
	sees    func(pipeline.Recipe)    // is told every recipe that is looked at; nil: nobody asks
	news    map[pipeline.Digest]bool // keys to look at again
	wants   []want
	cost    map[pipeline.Step]pipeline.Cost // of every result from the plan on
}

// Reconcile brings a title one pass further and rings for what it misses: the
// same code at a start, on a timer and on news. It returns what it saw.
func (c *Coordinator) Reconcile(ctx context.Context, title string) (Title, error) {
	for fresh := true; ; fresh = false {
		view, err := c.pass(ctx, title, fresh)
		if err != nil {
			return view, err
		}
		again, err := c.ring(ctx, fresh)
		if err != nil || !again {
			return view, err
		}
	}
}

// pass is one pass over a title, and what is over of it is tidied up.
func (c *Coordinator) pass(ctx context.Context, title string, fresh bool) (Title, error) {
	k := c.know(title)
	k.mu.Lock()
	p := &pass{c: c, title: title, known: k, fresh: fresh, news: k.news}
	k.anew, k.news = false, map[pipeline.Digest]bool{}
	err := p.toStand(ctx)
	if k.failed = err != nil; k.failed {
		maps.Copy(k.news, p.news) // it was not heard to the end
	} else {
		k.wants, k.view, k.order = p.wants, p.view, p.view.Order
		k.rev, k.moved = p.state.Rev, false
	}
	tidy := err == nil && (p.view.Over() || k.tidied != p.state.Seq)
	k.mu.Unlock()
	if !tidy {
		return p.view, err
	}
	if p.view.Over() {
		if err := c.withdraw(ctx, []*known{k}); err != nil {
			return p.view, err
		}
		c.forget(title)
	}
	if err := c.tidy(ctx, title, p.state); err != nil {
		return p.view, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.tidied = p.state.Seq
	return p.view, nil
}

// lookAt walks a title's run as a pass does, the wanted one where none is
// named, and writes nothing.
func (c *Coordinator) lookAt(ctx context.Context, title, run string) (*pass, error) {
	own := &Coordinator{Store: c.Store, Looks: c.Looks}
	p := &pass{c: own, title: title, known: own.know(title), looking: true}
	if err := store.ReadJSON(ctx, c.Store, titleName(title), &p.state); err != nil {
		return p, fmt.Errorf("title %s: %w", title, err)
	}
	if run == "" && p.state.Wanted == p.state.Standing {
		return p, p.closed(ctx)
	}
	if p.run = run; run == "" {
		p.run = p.state.Wanted
	}
	if err := p.begin(ctx); err != nil {
		return p, err
	}
	_, _, err := p.toClose(ctx)
	return p, err
}

// begin reads what a walk starts from.
func (p *pass) begin(ctx context.Context) (err error) {
	if p.known.run != p.run {
		p.known.run = p.run
		clear(p.known.pinned)
		clear(p.known.keys)
		clear(p.known.whole)
		clear(p.known.records)
		clear(p.known.seen) // what was given up may have been forgiven
	}
	p.view.Run, p.view.Order = p.run, OrderOf(p.state)
	p.sub, err = pinned[pipeline.Submission](ctx, p, "submit")
	return err
}

// closed is the view of a title whose wanted run stands.
func (p *pass) closed(ctx context.Context) error {
	if p.state.Cancelled > p.state.Standing {
		p.view.Cancelled = p.state.Cancelled
	}
	if p.run = p.state.Standing; p.run == "" {
		return nil
	}
	if err := p.begin(ctx); err != nil {
		return err
	}
	err := store.ReadJSON(ctx, p.c.Store, runName(p.title, p.run, "close"), &p.view.Outcome)
	p.view.Closed = err == nil
	p.view.Engine = p.view.Outcome.Engine.ID()
	return err
}

// toStand brings the wanted run as far as it goes, and makes it the standing
// one when it is closed.
func (p *pass) toStand(ctx context.Context) error {
	if err := store.ReadJSON(ctx, p.c.Store, titleName(p.title), &p.state); err != nil {
		return fmt.Errorf("title %s: %w", p.title, err)
	}
	if p.state.Wanted == p.state.Standing {
		err := p.closed(ctx)
		if err == nil && p.view.Closed {
			err = p.derive(ctx, p.view.Outcome) // the pass that closed it may have been cut off
		}
		return err
	}
	p.run = p.state.Wanted
	if err := p.begin(ctx); err != nil {
		return err
	}
	outcome, ok, err := p.toClose(ctx)
	if err != nil || !ok {
		return err
	}
	if err := pin(ctx, p.c.Store, runName(p.title, p.run, "close"), &outcome); err != nil {
		return err
	}
	err = update(ctx, p.c.Store, p.title, func(t *pipeline.TitleState) error {
		if t.Wanted != p.run {
			return errMoved // a newer run is wanted, or none: this one never stands
		}
		t.Standing = p.run
		p.state = *t
		return nil
	})
	if errors.Is(err, errMoved) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("close %s: %w", p.title, err)
	}
	p.view.Closed, p.view.Outcome = true, outcome
	return p.derive(ctx, outcome)
}

// toClose walks the phases until one has to wait. Once fits or gains are
// pinned nobody waits for the results they come from: a late chapter catches
// up beside the others. ok: the run can be closed.
func (p *pass) toClose(ctx context.Context) (o pipeline.Outcome, ok bool, err error) {
	if ok, err := p.engine(ctx); err != nil || !ok {
		return o, false, err
	}
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
	if ok, err := p.stored(ctx, files); err != nil || !ok {
		return o, false, err
	}
	o, err = p.close(plan, profiles, fits, gains, files)
	return o, err == nil, err
}

// phase looks at the results of each of n chapters, asks for what is missing,
// and notes how far each chapter is. recipes makes a chapter's group, none
// while it can't be made yet; what it made once is the same in every pass over
// the run, so its keys are remembered.
func (p *pass) phase(ctx context.Context, step pipeline.Step, n int, recipes func(chapter int) []pipeline.Recipe) ([][]result, error) {
	groups := p.known.keys[step]
	if groups == nil {
		groups = make([][]pipeline.Digest, n)
		p.known.keys[step] = groups
	}
	for i := range groups {
		if groups[i] == nil {
			for _, r := range recipes(i) {
				groups[i] = append(groups[i], p.key(r))
			}
		}
	}
	results, err := p.lookAtGroups(ctx, step, groups)
	if err != nil {
		return nil, err
	}
	p.view.Step = step
	p.view.Chapters = make([]Chapter, len(results))
	for i, g := range results {
		ch := &p.view.Chapters[i]
		if len(g) > 0 && of(g) == done { // as most are in most passes
			ch.Done = groups[i]
			for j := range g {
				p.spend(g[j].commit)
			}
			continue
		}
		for _, r := range g {
			switch r.state {
			case done:
				ch.Done = append(ch.Done, r.key)
				p.spend(r.commit)
			case hole:
				ch.Hole = r.why
			default:
				ch.Missing = append(ch.Missing, r.key)
				if r.state == late {
					ch.Late = r.why
				}
			}
		}
		p.want(g, func() []pipeline.Recipe { return recipes(i) })
	}
	p.view.Cost = p.spent()
	return results, nil
}

func (p *pass) spend(c pipeline.Commit) {
	if p.cost == nil {
		p.cost = map[pipeline.Step]pipeline.Cost{}
	}
	p.cost[c.Step] = addCost(p.cost[c.Step], c.Cost)
}

// spent is the cost so far, the caller's own.
func (p *pass) spent() map[pipeline.Step]pipeline.Cost {
	all := map[pipeline.Step]pipeline.Cost{}
	maps.Copy(all, p.cost)
	return all
}

// want notes what a group misses, for one ring.
func (p *pass) want(g []result, recipes func() []pipeline.Recipe) {
	// Who only looks asks for what may be out: what failed too often is tried on
	// until someone gives it up in writing.
	if of(g) == hole && !p.looking {
		return
	}
	var missing []result
	for _, r := range g {
		if r.commit.Key == "" {
			missing = append(missing, r)
		}
	}
	if len(missing) == 0 {
		return
	}
	w := want{ring: queue.Ring{Engine: p.view.Engine, Class: p.view.Order.Class, Key: missing[0].key}, results: missing, recipes: recipes}
	for _, r := range missing[1:] {
		w.ring.With = append(w.ring.With, r.key)
	}
	p.wants = append(p.wants, w)
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
