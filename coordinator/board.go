package coordinator

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"

	"go.uber.org/zap"
)

// state is how far the result of one recipe is, told from objects alone.
type state int

const (
	pending state = iota // not there yet
	late                 // failed once by its own fault: nobody waits for it any longer
	done                 // committed
	hole                 // committed with a fault, or quarantined: it will never be there
)

// result is a recipe and what came of it.
type result struct {
	recipe pipeline.Recipe
	key    pipeline.Digest
	state  state
	commit pipeline.Commit // when done, or a fault
	why    string          // when a hole
	tries  int             // while pending or late: those begun
}

// strikes is how many failed tries are a quarantine.
const strikes = 3

// look tells the state of a recipe's result, and counts it the first time.
func (p *pass) look(ctx context.Context, r pipeline.Recipe) (result, error) {
	c := p.c
	res := result{recipe: r, key: r.Key()}
	c.mu.Lock()
	commit, known := p.known.commits[res.key]
	c.mu.Unlock()
	if !known {
		err := store.ReadJSON(ctx, c.Store, commitName(res.key), &commit)
		switch {
		case err == nil:
			p.learn(res.key, commit)
			known = true
		case !errors.Is(err, store.ErrAbsent):
			return res, err
		}
	}
	if known {
		res.commit, res.state, res.why = commit, done, commit.Fault
		if commit.Fault != "" {
			res.state = hole
		}
		return res, nil
	}
	var q Quarantine
	switch err := store.ReadJSON(ctx, c.Store, quarantineName(res.key), &q); {
	case err == nil:
		res.state, res.why = hole, q.Reason
		return res, nil
	case !errors.Is(err, store.ErrAbsent):
		return res, err
	}
	tries, failed, last, err := c.tried(ctx, res.key)
	if err != nil {
		return res, err
	}
	res.tries = tries
	switch {
	case failed >= strikes:
		q := Quarantine{Reason: fmt.Sprintf("given up after %d tries: %s", failed, last)}
		if err := pin(ctx, c.Store, quarantineName(res.key), &q); err != nil {
			return res, err
		}
		res.state, res.why = hole, q.Reason
	case failed > 0:
		res.state = late
	}
	return res, nil
}

// Quarantine is why a key is not tried any more.
type Quarantine struct {
	Reason string `json:"reason"`
}

// tried counts a key's tries, and those that failed by the key's own fault, of
// which it reads no more than it takes to give up.
func (c *Coordinator) tried(ctx context.Context, key pipeline.Digest) (tries, failed int, last string, err error) {
	err = c.Store.List(ctx, "attempts/"+string(key)+"/", func(i store.Info) error {
		if !strings.HasSuffix(i.Name, ".err.json") {
			tries++
			return nil
		}
		if failed == strikes {
			return nil
		}
		var f pipeline.Failure
		if err := store.ReadJSON(ctx, c.Store, i.Name, &f); err != nil {
			return err
		}
		// What is missing does not come back by itself either.
		if f.Kind != pipeline.Infra {
			failed++
			last = f.Text
		}
		return nil
	})
	return tries, failed, last, err
}

// learn keeps a commit until the title is closed, and counts it.
func (p *pass) learn(key pipeline.Digest, commit pipeline.Commit) {
	p.c.mu.Lock()
	defer p.c.mu.Unlock()
	if _, known := p.known.commits[key]; known {
		return
	}
	p.known.commits[key] = commit
	work := &p.c.work
	counted := map[pipeline.Step]*int{
		pipeline.StepProfile: &work.Profiled, pipeline.StepWeigh: &work.Weighed, pipeline.StepFile: &work.Rendered,
	}[commit.Step]
	if counted == nil {
		return
	}
	if _, rung := p.known.rung[key]; !rung {
		counted = &work.Taken
	}
	*counted++
}

// group is one chapter's recipes of a phase: one ring, one pass.
type group []pipeline.Recipe

// lookAll tells the state of every recipe of every group, in order.
func (p *pass) lookAll(ctx context.Context, groups []group) ([][]result, error) {
	out := make([][]result, len(groups))
	for i, g := range groups {
		for _, r := range g {
			res, err := p.look(ctx, r)
			if err != nil {
				return nil, err
			}
			out[i] = append(out[i], res)
		}
	}
	return out, nil
}

// ring writes the missing recipes of each group and rings for them, at most
// ringsPerSlot rings for a slot in all of a pass, in the order of the groups.
func (p *pass) ring(ctx context.Context, groups [][]result) error {
	for _, g := range groups {
		var missing []pipeline.Digest
		if of(g) == hole {
			continue
		}
		tries := 0
		for _, res := range g {
			if res.state != done {
				missing = append(missing, res.key)
				tries += res.tries
			}
		}
		if len(missing) == 0 {
			continue
		}
		if p.out++; p.out > ringsPerSlot*p.c.Slots {
			return nil
		}
		// Write before ring: a worker must find what it is rung for.
		for _, res := range g {
			if res.state != done {
				if err := p.writeRecipe(ctx, res); err != nil {
					return err
				}
			}
		}
		r := queue.Ring{Engine: p.sub.Engine.ID(), Class: p.c.Class, Key: missing[0], With: missing[1:]}
		if p.silent(r.Key, tries) {
			p.c.Log.Warn("nobody has taken a ring for long: it is rung anew", zap.String("key", r.Key.Short()))
			if err := p.c.Queue.Withdraw(ctx, r); err != nil {
				return fmt.Errorf("ring for %s: %w", r.Key.Short(), err)
			}
		}
		if err := p.c.Queue.Submit(ctx, r); err != nil {
			return fmt.Errorf("ring for %s: %w", r.Key.Short(), err)
		}
	}
	return nil
}

// silence is how long a ring may be out without a try or a result before it is
// taken for dead (see queue.MaxTries). It is more than the longest retry and
// more than a few long jobs in front of it; what was alive after all is done twice.
const silence = time.Hour

// silent tells whether a ring with so many tries begun has been out without
// news for too long, and counts the time anew if so.
func (p *pass) silent(key pipeline.Digest, tries int) bool {
	p.c.mu.Lock()
	defer p.c.mu.Unlock()
	last, now := p.known.rung[key], time.Now()
	if !last.since.IsZero() && last.tries == tries && now.Sub(last.since) < silence {
		return false
	}
	p.known.rung[key] = rung{since: now, tries: tries}
	return !last.since.IsZero() && last.tries == tries
}

func (p *pass) writeRecipe(ctx context.Context, res result) error {
	p.c.mu.Lock()
	_, written := p.known.rung[res.key]
	p.c.mu.Unlock()
	if written {
		return nil
	}
	var text json.RawMessage = res.recipe.Text()
	if err := pin(ctx, p.c.Store, recipeName(res.key), &text); err != nil {
		return err
	}
	p.c.mu.Lock()
	defer p.c.mu.Unlock()
	p.known.rung[res.key] = rung{}
	return nil
}

// A group ends as its worst result does: one hole makes the chapter a hole,
// and what else the chapter misses is not made any more.

// of is the state of a group.
func of(g []result) state {
	worst := done
	for _, r := range g {
		switch {
		case r.state == hole:
			return hole
		case r.state == late:
			worst = late
		case r.state == pending && worst == done:
			worst = pending
		}
	}
	return worst
}

// settled tells whether nobody needs to wait for any group: each is there, or
// will not be, or has failed once.
func settled(groups [][]result) bool {
	for _, g := range groups {
		if of(g) == pending {
			return false
		}
	}
	return true
}

// ended tells whether every group is there or never will be.
func ended(groups [][]result) bool {
	for _, g := range groups {
		if s := of(g); s == pending || s == late {
			return false
		}
	}
	return true
}

// pure keeps the result of a pure step under its recipe's key, so that a
// chain put back finds its old gains: what is there stands.
func pure[T any](ctx context.Context, p *pass, r pipeline.Recipe, compute func() T) (T, error) {
	var rec T
	res, err := p.look(ctx, r)
	if err != nil {
		return rec, err
	}
	if res.state != done {
		text, err := pipeline.Canonical(compute())
		if err != nil {
			return rec, pipeline.Errorf(pipeline.Bug, "record of "+string(r.Step), "%w", err)
		}
		if err := p.writeRecipe(ctx, res); err != nil {
			return rec, err
		}
		res.commit = pipeline.Commit{Key: res.key, Step: r.Step, Record: text}
		if err := pin(ctx, p.c.Store, commitName(res.key), &res.commit); err != nil {
			return rec, err
		}
	}
	return rec, res.commit.Decode(&rec)
}
