package simulation

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/store"
	"chapterhouse/worker"

	"go.uber.org/zap"
)

// Night is what came of one.
type Night struct {
	Seed     uint64
	Breaches []string // of promises; none in a good night
	Hash     string   // of the history
	Tally    Tally

	history []entry
}

// Options are what a test may want otherwise.
type Options struct {
	Scratch string        // folder for jobs, best in memory
	Clock   time.Duration // how far all clocks are off
	// Strike makes a night small and good but for one thing, at one call.
	Strike *Strike
}

// Strike is what happens to the n-th call of a night.
type Strike struct {
	N    int
	Kind StrikeKind
}

// StrikeKind is a way in which a call goes wrong.
type StrikeKind string

const (
	Fails     StrikeKind = "fails"
	Loses     StrikeKind = "loses its reply"
	Conflicts StrikeKind = "meets a conflict"
	KillsSent StrikeKind = "is never sent: the process is killed"
	KillsDone StrikeKind = "is done, and the process is killed"
)

// longEnough is how long after all trouble a title may take: dead rings wait
// for a coordinator's silence to pass, and a chapter may hang three times.
const longEnough = 6 * time.Hour

// Play plays the night of a seed. It is to be called in a bubble of time.
func Play(seed uint64, o Options) Night {
	w := newWorld(seed, o)
	books := w.books()
	for _, s := range w.services() {
		w.after(between(w.dice(s.name, "begins"), 0, 5*time.Second), func() { w.start(s) })
	}
	for _, b := range books {
		for n, x := range b.wishes {
			s := &service{name: fmt.Sprintf("client-%s-%d", b.slug, n+1), main: w.client(b, x), once: true}
			if x.at == 0 {
				w.judge.closing[b.slug] = s
				continue
			}
			w.after(x.at, func() { w.start(s) })
		}
	}
	w.trouble()
	w.wait(w.shape.quiet)
	w.note("world", "quiet", "", "")
	w.wait(w.now() + 2*time.Minute) // the last dead are started, and clients have asked
	for !w.over(books) && w.now() < w.shape.quiet+longEnough {
		w.wait(w.now() + 5*time.Second)
	}
	// Jobs that nobody waits for any more end, and with them their rings.
	for end := w.now() + time.Hour; w.unbroken() && len(w.broker.Alive()) > 0 && w.now() < end; {
		w.wait(w.now() + leaseTime)
	}
	w.wait(w.now() + leaseTime)
	if w.unbroken() {
		w.judge.closes(books)
	}
	w.close()
	return w.night()
}

// wait lets time pass, as long as no promise is broken.
func (w *world) wait(until time.Duration) {
	t := time.NewTimer(w.moment(until - w.now()))
	defer t.Stop()
	select {
	case <-t.C:
	case <-w.judge.broken:
	}
}

func (w *world) unbroken() bool {
	select {
	case <-w.judge.broken:
		return false
	default:
		return true
	}
}

// over tells whether nothing is unfinished, and nobody asks for anything.
func (w *world) over(books []book) bool {
	if !w.unbroken() {
		return true
	}
	w.mu.Lock()
	asking := false
	for _, p := range w.running {
		asking = asking || p.service.once
	}
	w.mu.Unlock()
	for _, b := range books {
		var t pipeline.TitleState
		err := store.ReadJSON(context.Background(), w.store, "titles/"+b.slug+"/title.json", &t)
		if err == nil && t.Wanted != t.Standing {
			return false
		}
	}
	return !asking
}

// close ends everything at once.
func (w *world) close() {
	w.mu.Lock()
	w.closing = true
	w.tally.Virtual = w.now()
	var all []*process
	for _, p := range w.running {
		all = append(all, p)
	}
	for _, p := range all {
		if !p.dead {
			p.dead = true
			close(p.died)
		}
	}
	w.mu.Unlock()
	for _, p := range all {
		p.cancel()
	}
	w.work.Wait()
}

func (w *world) night() Night {
	n := Night{Seed: w.seed, Breaches: w.judge.breaches, Tally: w.tally, history: w.told()}
	h := sha256.New()
	for _, e := range n.history {
		fmt.Fprintln(h, e)
	}
	n.Hash = hex.EncodeToString(h.Sum(nil))
	return n
}

// services are the night's programs.
func (w *world) services() []*service {
	var all []*service
	for n := range w.shape.coordinators {
		all = append(all, &service{name: fmt.Sprintf("coordinator-%d", n+1), main: w.coordinator})
	}
	for n := range w.shape.workers {
		all = append(all, &service{name: fmt.Sprintf("worker-%d", n+1), main: w.worker(n)})
	}
	if w.strike == nil {
		all = append(all, &service{name: "reader", main: w.reader})
	}
	return all
}

func (w *world) coordinator(ctx context.Context, p *process) {
	co := &coordinator.Coordinator{
		Store: storage{p}, Queue: doorbell{p}, Events: news{p}, Checks: check.Builtin(), Log: zap.NewNop(),
		Engine: w.engine(0), Slots: 64, Looks: w.shape.looks, Scan: w.shape.scan, Silence: w.shape.silence,
	}
	if err := co.Run(ctx); err != nil {
		w.judge.breach("%s ended: %v", p.id, err)
	}
}

func (w *world) worker(n int) func(ctx context.Context, p *process) {
	return func(ctx context.Context, p *process) {
		one := &worker.Worker{
			Store: storage{p}, Queue: doorbell{p}, Events: news{p}, Engine: w.engine(n), Child: p.child,
			Scratch: w.scratch, Slots: 1 + n%2, Memory: 256, Name: p.service.name, Log: zap.NewNop(),
		}
		one.Run(ctx)
	}
}

// reader looks at titles all night, as status and fetch do: it sees an old
// state or a new one, whole, and never one that is older than what it saw.
func (w *world) reader(ctx context.Context, p *process) {
	seen := map[string]string{}
	for ctx.Err() == nil {
		for _, title := range slugs {
			t, o, err := coordinator.Standing(ctx, storage{p}, title)
			switch {
			case err == nil && o.Run == t.Standing && t.Standing >= seen[title]:
				seen[title] = t.Standing
			case err == nil:
				w.judge.breach("%s saw run %s of %s where %s stands, after %s", p.id, o.Run, title, t.Standing, seen[title])
			case errors.Is(err, store.ErrDamaged):
				w.judge.breach("%s could not read %s: %v", p.id, title, err)
			}
			if _, err := coordinator.Look(ctx, storage{p}, title); errors.Is(err, store.ErrDamaged) {
				w.judge.breach("%s could not look at %s: %v", p.id, title, err)
			}
		}
		_ = w.sleep(ctx, 90*time.Second)
	}
}

// outage is a time in which someone can't reach a server.
type outage struct {
	who    string // "": nobody can
	server string
	from   time.Duration
	to     time.Duration
}

// down tells whether a service can't reach a server now.
func (w *world) down(who, server string) bool {
	now := w.now()
	for _, o := range w.shape.outages {
		if (o.who == "" || o.who == who) && o.server == server && o.from <= now && now < o.to {
			return true
		}
	}
	return false
}

// trouble is what goes wrong at its own time and not at a call: processes are
// stopped, killed and stand still, nets break, the broker loses all it has.
func (w *world) trouble() {
	r := w.dice("trouble")
	names := []string{"reader"}
	for n := range w.shape.coordinators {
		names = append(names, fmt.Sprintf("coordinator-%d", n+1))
	}
	for n := range w.shape.workers {
		names = append(names, fmt.Sprintf("worker-%d", n+1))
	}
	each := func(most int, do func(at time.Duration, who string)) {
		for range r.IntN(most + 1) {
			do(between(r, 10*time.Second, w.shape.quiet-time.Second), names[r.IntN(len(names))])
		}
	}
	if r.IntN(4) == 0 || w.strike != nil {
		return
	}
	each(6, func(at time.Duration, who string) {
		d := min(3*leaseTime, w.shape.quiet-at)
		w.after(at, func() { w.with(who, func(p *process) { w.pause(p, d) }) })
	})
	each(3, func(at time.Duration, who string) {
		w.after(at, func() { w.with(who, w.kill) })
	})
	each(3, func(at time.Duration, who string) {
		w.after(at, func() { w.with(who, w.stop) })
	})
	each(2, func(at time.Duration, who string) {
		w.after(at, func() {
			w.note("world", "broker wiped", "", "")
			w.count(func(t *Tally) { t.Wipes++ })
			w.broker.Clear()
		})
	})
	each(4, func(at time.Duration, who string) {
		if r.IntN(3) == 0 {
			who = ""
		}
		w.shape.outages = append(w.shape.outages, outage{who, []string{"store", "broker"}[r.IntN(2)], at, at + between(r, 5*time.Second, 4*time.Minute)})
	})
}

// with does something to the life that a service has now.
func (w *world) with(who string, do func(*process)) {
	w.mu.Lock()
	p := w.running[who]
	w.mu.Unlock()
	if p != nil {
		do(p)
	}
}
