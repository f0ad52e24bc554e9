package simulation

import (
	"context"
	"slices"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// accepts notes what a client was told.
func (j *judge) accepts(title, run string, cancelled bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.accepted = append(j.accepted, accepted{title, run, cancelled})
	if cancelled {
		return
	}
	for _, t := range j.titles[title] {
		if t.Wanted == run {
			return
		}
	}
	j.breachLocked("run %s of %s was accepted, and was never wanted", run, title)
}

// begins notes a try of a key, in a job that began before, and tells the how-manieth it is.
func (j *judge) begins(p *process, key pipeline.Digest, job time.Duration) int {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.made[key] = append(j.made[key], tried{by: p.id, job: job})
	return len(j.made[key])
}

func (j *judge) latest(p *process, key pipeline.Digest, change func(*tried)) {
	j.mu.Lock()
	defer j.mu.Unlock()
	all := j.made[key]
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].by == p.id {
			change(&all[i])
			return
		}
	}
}

// fails notes that a process' latest try of a key failed by its own fault.
func (j *judge) fails(p *process, key pipeline.Digest) {
	j.latest(p, key, func(t *tried) { t.failed = true })
}

// ends notes that a process' latest try of a key gave a result.
func (j *judge) ends(p *process, key pipeline.Digest) {
	j.latest(p, key, func(t *tried) { t.ended = j.w.now() })
	j.w.count(func(t *Tally) { t.Made++ })
}

// closes judges what a night left, when nothing has failed for long.
func (j *judge) closes(books []book) {
	ctx := context.Background()
	for _, a := range j.accepted {
		j.kept(a)
	}
	for _, b := range books {
		j.closed(ctx, b)
	}
	j.worked(ctx, shared(books))
	for _, r := range j.w.broker.Alive() {
		if j.orphans[r.Key] {
			continue // it is handed out queue.MaxTries times at most
		}
		j.breach("the ring %s is still there an hour after the last title was over", nameOf(r))
	}
	audited, err := coordinator.Audit(ctx, j.w.store, coordinator.AuditOptions{ReadData: 1})
	if err != nil {
		j.breach("audit: %v", err)
	}
	for _, f := range audited.Faults {
		if f.Weight == coordinator.Damage {
			j.breach("audit: %s is %s: %s", f.Object, f.Fault, f.What)
		}
	}
}

// kept: what was accepted stood, or was taken back, or gave way to a newer run.
func (j *judge) kept(a accepted) {
	if a.cancelled {
		return
	}
	for _, t := range j.titles[a.title] {
		if t.Standing == a.run || t.Cancelled == a.run || t.Wanted > a.run {
			return
		}
	}
	j.breach("run %s of %s was accepted and forgotten", a.run, a.title)
}

// closed: a title has nothing unfinished, nothing of it is in the index but
// what nobody asked for to the end, and its standing run lacks what its
// sources have no sound for and nothing else.
func (j *judge) closed(ctx context.Context, b book) {
	t, o, err := coordinator.Standing(ctx, j.w.store, b.slug)
	if t.Wanted != t.Standing {
		j.breach("run %s of %s is unfinished %v after all trouble ended", t.Wanted, b.slug, longEnough)
		return
	}
	_ = j.w.store.List(ctx, "open/"+b.slug+"/", func(i store.Info) error {
		if run := keyOf(i.Name[len("open/"+b.slug+"/"):]); t.Seq > 0 && string(run) <= number(t.Seq) {
			j.breach("%s is in the index, and the title is over", i.Name)
		}
		return nil
	})
	if err != nil {
		if t.Standing != "" {
			j.breach("%s: %v", b.slug, err)
		}
		return
	}
	var sub pipeline.Submission
	if err := store.ReadJSON(ctx, j.w.store, "titles/"+b.slug+"/runs/"+t.Standing+"/submit.json", &sub); err != nil {
		j.breach("%v", err)
	}
	blobs := map[string]pipeline.Digest{}
	for _, s := range sub.Sources {
		blobs[s.Path] = s.Blob
	}
	for i, ch := range o.Chapters {
		ill := false
		for _, part := range sub.Title.Chapters[i].Parts {
			src := j.w.recording(blobs[part.File])
			ill = ill || src.poison != "" || src.fault != ""
		}
		switch {
		case ill != (ch.Hole != ""):
			j.breach("chapter %d of %s: hole %q, and its source is at fault: %v", ch.Number, b.slug, ch.Hole, ill)
		case !ill && len(ch.Files) != len(o.Specs):
			j.breach("chapter %d of %s has %d files, want %d", ch.Number, b.slug, len(ch.Files), len(o.Specs))
		}
	}
}

func number(seq int) string {
	const digits = 6
	s := []byte("000000")
	for i := digits - 1; i >= 0; i-- {
		s[i] = byte('0' + seq%10)
		seq /= 10
	}
	return string(s)
}

// forks notes that a key may be in two hands by right: its ring was taken for
// dead, or a job with it stood still until its lease ran out.
func (j *judge) forks(key pipeline.Digest) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.forked[key] = true
}

// shared is the recordings that two titles have in common: each may have what
// is made of them made for itself.
func shared(books []book) map[pipeline.Digest]bool {
	of, both := map[pipeline.Digest]string{}, map[pipeline.Digest]bool{}
	for _, b := range books {
		for _, x := range b.wishes {
			for _, src := range x.sub.Sources {
				if other, known := of[src.Blob]; known && other != b.slug {
					both[src.Blob] = true
				}
				of[src.Blob] = b.slug
			}
		}
	}
	return both
}

// worked: when the trouble is over nothing is made that stands, or is made
// twice, and what has three strikes is tried no more.
func (j *judge) worked(ctx context.Context, shared map[pipeline.Digest]bool) {
	calm := j.w.shape.quiet + leaseTime
	if j.w.strike != nil {
		return // whoever strikes says what it may cost
	}
	for key, all := range j.made {
		given, stood, late := j.given[key], j.stood[key], 0
		for _, t := range all {
			if stood > 0 && t.job > stood {
				j.w.count(func(t *Tally) { t.Wasted++ })
			}
			if t.job > calm && t.ended > 0 {
				late++
			}
			switch {
			case t.job < calm:
			case given > 0 && t.job > given+time.Second:
				j.breach("%s tried %s at %v, which was given up at %v", t.by, key.Short(), t.job, given)
			case stood > 0 && t.job > stood+time.Second:
				j.breach("%s made %s again at %v, which stood since %v", t.by, key.Short(), t.job, stood)
			case len(j.strikes[key]) >= strikes && t.job > j.strikes[key][strikes-1]+j.w.shape.scan+10*time.Second:
				j.breach("%s tried %s at %v, which had failed %d times by %v", t.by, key.Short(), t.job, strikes, j.strikes[key][strikes-1])
			}
		}
		if late <= 1 || j.forked[key] {
			continue
		}
		var r pipeline.Recipe
		if err := store.ReadJSON(ctx, j.w.store, "recipes/"+string(key)+".json", &r); err != nil {
			j.breach("%v", err)
		}
		if !slices.ContainsFunc(r.Inputs(), func(blob pipeline.Digest) bool { return shared[blob] }) {
			j.breach("%s was made %d times after the trouble", key.Short(), late)
		}
	}
}
