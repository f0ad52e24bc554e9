package coordinator

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// state is how far the result of one recipe is, told from objects alone.
type state int

const (
	pending state = iota // not there yet
	late                 // failed once by its own fault: nobody waits for it any longer
	done                 // committed
	hole                 // committed with a fault, or quarantined: it will never be there
)

// result is what came of a recipe.
type result struct {
	key    pipeline.Digest
	state  state
	commit pipeline.Commit // when done, or a fault
	why    string          // when a hole, or late
	tries  int             // while pending or late: those begun
	asked  bool            // the store was asked for its commit
	whole  bool            // and for its tries
}

// lookAll tells the state of every key of every group, in order.
func (p *pass) lookAll(ctx context.Context, groups [][]pipeline.Digest) ([][]result, error) {
	out := make([][]result, len(groups))
	var ask []*result
	for i, g := range groups {
		out[i] = make([]result, len(g))
		for j, key := range g {
			out[i][j] = result{key: key}
			if res := &out[i][j]; !p.remembered(res) {
				ask = append(ask, res)
			}
		}
	}
	err := each(p.c.Looks, len(ask), func(i int) error {
		return p.c.fetch(ctx, ask[i], p.looking || p.known.isOut(ask[i].key), !p.looking)
	})
	for _, res := range ask {
		if res.asked {
			p.learn(*res)
		}
	}
	return out, err
}

// lookAtGroups is lookAll for a phase's groups. Those that are done stay so.
func (p *pass) lookAtGroups(ctx context.Context, step pipeline.Step, groups [][]pipeline.Digest) ([][]result, error) {
	whole := p.known.whole[step]
	if whole == nil {
		whole = make([][]result, len(groups))
		p.known.whole[step] = whole
	}
	open := make([][]pipeline.Digest, len(groups))
	for i, g := range groups {
		if whole[i] == nil {
			open[i] = g
		}
	}
	results, err := p.lookAll(ctx, open)
	for i, g := range results {
		if whole[i] != nil {
			results[i] = whole[i]
		} else if len(g) > 0 && of(g) == done {
			whole[i] = g
		}
	}
	return results, err
}

// look tells the state of one recipe's result.
func (p *pass) look(ctx context.Context, r pipeline.Recipe) (result, error) {
	all, err := p.lookAll(ctx, [][]pipeline.Digest{{p.key(r)}})
	return all[0][0], err
}

// key is a recipe's key, told to whoever asked.
func (p *pass) key(r pipeline.Recipe) pipeline.Digest {
	if p.sees != nil {
		p.sees(r)
	}
	return r.Key()
}

// remembered fills a result in from what is known; false where the store has
// to be asked: for what was never looked at, and for what may have changed.
func (p *pass) remembered(res *result) bool {
	if commit, ok := p.known.commits[res.key]; ok {
		res.settle(commit)
		return true
	}
	seen, ok := p.known.seen[res.key]
	if !ok || p.fresh && p.known.isOut(res.key) || p.news[res.key] {
		return false
	}
	*res = seen
	return true
}

// decode reads a commit's record into v.
func decode(c pipeline.Commit, v any) error {
	if err := c.Decode(v); err != nil {
		return fmt.Errorf("%s: %w: %w", commitName(c.Key), store.ErrDamaged, err)
	}
	return nil
}

func (res *result) settle(c pipeline.Commit) {
	res.commit, res.state, res.why = c, done, c.Fault
	if c.Fault != "" {
		res.state = hole
	}
}

// fetch asks the store for a result: for its commit, and if whole for its
// quarantine and tries. What failed too often is given up here, if it may be
// written down.
func (c *Coordinator) fetch(ctx context.Context, res *result, whole, write bool) error {
	var commit pipeline.Commit
	switch err := store.ReadJSON(ctx, c.Store, commitName(res.key), &commit); {
	case err == nil && commit.Key != res.key:
		return fmt.Errorf("%s: %w: it is of another key", commitName(res.key), store.ErrDamaged)
	case err == nil:
		res.settle(commit)
		res.asked = true
		return nil
	case !errors.Is(err, store.ErrAbsent):
		return err
	}
	if !whole {
		res.asked = true
		return nil
	}
	var q Quarantine
	switch err := store.ReadJSON(ctx, c.Store, quarantineName(res.key), &q); {
	case err == nil:
		res.state, res.why = hole, q.Reason
		res.asked, res.whole = true, true
		return nil
	case !errors.Is(err, store.ErrAbsent):
		return err
	}
	tries, failed, last, err := c.tried(ctx, res.key)
	if err != nil {
		return err
	}
	res.tries, res.why = tries, last
	switch {
	case failed >= pipeline.Strikes:
		q := Quarantine{Reason: fmt.Sprintf("given up after %d tries: %s", failed, last)}
		if write {
			if err := pin(ctx, c.Store, quarantineName(res.key), &q); err != nil {
				return err
			}
		}
		res.state, res.why = hole, q.Reason
	case failed > 0:
		res.state = late
	}
	res.asked, res.whole = true, true
	return nil
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
		if failed == pipeline.Strikes {
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

// learn remembers a result, and counts it when it is there for the first time.
func (p *pass) learn(res result) {
	if res.commit.Key == "" {
		p.known.seen[res.key] = res
		return
	}
	delete(p.known.seen, res.key)
	p.known.commits[res.key] = res.commit
	if p.looking {
		return
	}
	p.c.mu.Lock()
	defer p.c.mu.Unlock()
	work := &p.c.work
	counted := map[pipeline.Step]*int{
		pipeline.StepProfile: &work.Profiled, pipeline.StepWeigh: &work.Weighed, pipeline.StepFile: &work.Rendered,
	}[res.commit.Step]
	if counted == nil {
		return
	}
	if !p.known.written[res.key] {
		counted = &work.Taken
	}
	*counted++
}

// A group is one chapter's results of a phase: one ring, one job. It ends as
// its worst result does: one hole makes the chapter a hole, and what else the
// chapter misses is not made any more.

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
		if p.looking {
			return compute(), nil
		}
		text, err := pipeline.Canonical(compute())
		if err != nil {
			return rec, pipeline.Errorf(pipeline.Bug, "record of "+string(r.Step), "%w", err)
		}
		if err := p.c.writeRecipe(ctx, p.known, res.key, r.Text()); err != nil {
			return rec, err
		}
		res.commit = pipeline.Commit{Key: res.key, Step: r.Step, Record: text}
		if err := pin(ctx, p.c.Store, commitName(res.key), &res.commit); err != nil {
			return rec, err
		}
		p.learn(res)
	}
	return rec, decode(res.commit, &rec)
}

// each calls f for 0 to n-1, at most width at a time, and returns the first
// error in their order. It begins no more once one has failed.
func each(width, n int, f func(i int) error) error {
	if width <= 1 {
		for i := range n {
			if err := f(i); err != nil {
				return err
			}
		}
		return nil
	}
	var (
		all  sync.WaitGroup
		mu   sync.Mutex
		next int
		errs = make([]error, n)
		stop bool
	)
	for range min(width, n) {
		all.Go(func() {
			for {
				mu.Lock()
				i := next
				next++
				over := stop || i >= n
				mu.Unlock()
				if over {
					return
				}
				if errs[i] = f(i); errs[i] != nil {
					mu.Lock()
					stop = true
					mu.Unlock()
				}
			}
		})
	}
	all.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
