package simulation

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"
)

// judge watches everything that reaches store and broker, and says at once
// when a promise is broken: what was written once has other bytes, a result
// names what is not there, a run stands that is not wanted, a ring speaks of
// what is not written down, a holder says Done without a result, or anything
// after its term.
type judge struct {
	w      *world
	broken chan struct{} // closed at the first breach

	mu       sync.Mutex
	breaches []string
	titles   map[string][]pipeline.TitleState // each title's states, in order
	accepted []accepted
	closing  map[string]*service               // who begins when a run of a title closes
	given    map[pipeline.Digest]time.Duration // when a key was given up first
	stood    map[pipeline.Digest]time.Duration // when a key's commit came
	made     map[pipeline.Digest][]tried
	strikes  map[pipeline.Digest][]time.Duration // when failed tries were noted
	forked   map[pipeline.Digest]bool            // two may have it in hand by right
	orphans  map[pipeline.Digest]bool            // there may be a ring for it that nobody knows of
}

// strikes is how many tries that fail by their own fault a key is given up after.
const strikes = 3

// accepted is what a client was told.
type accepted struct {
	title, run string
	cancelled  bool
}

// tried is one try of a key by a child.
type tried struct {
	by     string
	job    time.Duration // when its job began
	ended  time.Duration // 0: not to its end
	failed bool          // by its own fault
}

func newJudge(w *world) *judge {
	return &judge{
		w: w, broken: make(chan struct{}), titles: map[string][]pipeline.TitleState{}, closing: map[string]*service{}, given: map[pipeline.Digest]time.Duration{},
		stood: map[pipeline.Digest]time.Duration{}, made: map[pipeline.Digest][]tried{}, strikes: map[pipeline.Digest][]time.Duration{}, forked: map[pipeline.Digest]bool{}, orphans: map[pipeline.Digest]bool{},
	}
}

// breach says that a promise is broken.
func (j *judge) breach(format string, args ...any) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.breachLocked(format, args...)
}

func (j *judge) breachLocked(format string, args ...any) {
	text := fmt.Sprintf("%.3f s: ", j.w.now().Seconds()) + fmt.Sprintf(format, args...)
	if j.breaches = append(j.breaches, text); len(j.breaches) == 1 {
		close(j.broken)
	}
}

// swap is a Swap at the store.
func (j *judge) swap(p *process, name string, old store.Version, data []byte) (store.Version, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	ctx := context.Background()
	before, err := store.ReadObject(ctx, j.w.store, name)
	there := err == nil
	v, err := j.w.store.Swap(ctx, name, old, data)
	if err != nil {
		return v, err
	}
	title, of, _ := strings.Cut(strings.TrimPrefix(name, "titles/"), "/")
	switch kind, rest, _ := strings.Cut(name, "/"); {
	case kind == "titles" && of == "title.json":
		j.title(p, title, data)
	case kind == "narrators" && strings.HasSuffix(rest, "/narrator.json"):
	case there && !bytes.Equal(before, data):
		j.breachLocked("%s replaced %s: what is written once has other bytes now", p.id, name)
	case kind == "commits":
		j.commit(p, name, data)
	case strings.HasSuffix(rest, "/close.json") && j.closing[title] != nil:
		s := j.closing[title]
		delete(j.closing, title)
		j.w.after(between(j.w.dice(s.name, "begins"), 0, 50*time.Millisecond), func() { j.w.start(s) })
	case kind == "quarantine":
		if key := keyOf(rest); j.given[key] == 0 {
			j.given[key] = j.w.now()
			if n := len(j.strikes[key]); n < strikes {
				j.breachLocked("%s gave %s up after %d tries", p.id, key.Short(), n)
			}
		}
	case kind == "attempts" && strings.HasSuffix(name, ".err.json"):
		key, _, _ := strings.Cut(rest, "/")
		j.strikes[pipeline.Digest(key)] = append(j.strikes[pipeline.Digest(key)], j.w.now())
	}
	if strings.HasPrefix(p.service.name, "reader") {
		j.breachLocked("%s wrote %s, and was to look only", p.id, name)
	}
	return v, nil
}

func keyOf(rest string) pipeline.Digest { return pipeline.Digest(strings.TrimSuffix(rest, ".json")) }

// commit: every blob of a result is there before it.
func (j *judge) commit(p *process, name string, data []byte) {
	var c pipeline.Commit
	if err := json.Unmarshal(data, &c); err != nil || c.Key != keyOf(strings.TrimPrefix(name, "commits/")) {
		j.breachLocked("%s left %s as %.80q (%v)", p.id, name, data, err)
		return
	}
	for _, out := range c.Files {
		if !j.there(store.BlobName(out.Blob)) {
			j.breachLocked("%s committed %s, whose blob %s is not there", p.id, name, out.Blob.Short())
		}
	}
	if j.stood[c.Key] == 0 {
		j.stood[c.Key] = j.w.now()
	}
}

// title: a run stands once, later ones after earlier ones, only while it is
// wanted, and with all that it was decided by.
func (j *judge) title(p *process, title string, data []byte) {
	var now, was pipeline.TitleState
	if err := json.Unmarshal(data, &now); err != nil {
		j.breachLocked("%s left title %s as %.80q", p.id, title, data)
		return
	}
	states := j.titles[title]
	if len(states) > 0 {
		was = states[len(states)-1]
	}
	j.titles[title] = append(states, now)
	run := func(what string) string { return "titles/" + title + "/runs/" + now.Standing + "/" + what + ".json" }
	switch {
	case now.Seq < was.Seq || now.Rev <= was.Rev:
		j.breachLocked("%s put title %s back: %+v after %+v", p.id, title, now, was)
	case now.Standing < was.Standing:
		j.breachLocked("%s let run %s of %s stand after %s", p.id, now.Standing, title, was.Standing)
	case now.Standing != was.Standing && now.Standing != was.Wanted:
		j.breachLocked("%s let run %s of %s stand while %q was wanted", p.id, now.Standing, title, was.Wanted)
	case now.Standing != was.Standing:
		for _, what := range []string{"submit", "plan", "fits", "gains", "close"} {
			if !j.there(run(what)) {
				j.breachLocked("%s let run %s of %s stand without its %s", p.id, now.Standing, title, what)
			}
		}
	case now.Wanted != was.Wanted && now.Wanted != now.Standing:
		if !j.there("titles/"+title+"/runs/"+now.Wanted+"/submit.json") || !j.there("open/"+title+"/"+now.Wanted+".json") {
			j.breachLocked("%s made run %s of %s wanted before it was written down", p.id, now.Wanted, title)
		}
	}
}

// remove is a Delete at the store.
func (j *judge) remove(p *process, name string) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	kind, rest, _ := strings.Cut(name, "/")
	title, own, _ := strings.Cut(rest, "/")
	if kind == "open" {
		run := strings.TrimSuffix(own, ".json")
		if states := j.titles[title]; len(states) > 0 {
			if t := states[len(states)-1]; run == t.Wanted && t.Wanted != t.Standing {
				j.breachLocked("%s took run %s of %s out of the index, which is unfinished", p.id, run, title)
			}
		}
	} else {
		j.breachLocked("%s deleted %s", p.id, name)
	}
	return j.w.store.Delete(context.Background(), name)
}

// rings: what is rung for is written down. Whoever rang and died before it came
// to the broker leaves a ring that nobody knows of.
func (j *judge) rings(p *process, r queue.Ring, orphan bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if orphan {
		j.orphans[r.Key] = true
	}
	for _, key := range append([]pipeline.Digest{r.Key}, r.With...) {
		if !j.there("recipes/" + string(key) + ".json") {
			j.breachLocked("%s rang for %s, which is not written down", p.id, key.Short())
		}
	}
}

// says: a holder's word is said within its term; a Done has its result, or is of
// what failed as often as it may.
func (j *judge) says(h *held, word string) {
	j.w.mu.Lock()
	until := h.until
	j.w.mu.Unlock()
	j.mu.Lock()
	defer j.mu.Unlock()
	key := h.ring.Key
	if !time.Now().Before(until) {
		j.breachLocked("%s said %s of %s %v after the ring was anyone's", h.p.id, word, key.Short(), time.Since(until))
	}
	over := slices.ContainsFunc(append([]pipeline.Digest{key}, h.ring.With...), func(k pipeline.Digest) bool {
		return len(j.strikes[k]) >= strikes
	})
	if word == "Done" && !over && !j.there("commits/"+string(key)+".json") && !j.there("quarantine/"+string(key)+".json") {
		j.breachLocked("%s said Done of %s, which has no result", h.p.id, key.Short())
	}
}

// hears: news of what is done is true.
func (j *judge) hears(p *process, e queue.Event) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if e.Done && !j.there("commits/"+string(e.Key)+".json") {
		j.breachLocked("%s said that %s is done, which has no result", p.id, e.Key.Short())
	}
}

func (j *judge) there(name string) bool {
	_, err := j.w.store.Stat(context.Background(), name)
	return err == nil
}
