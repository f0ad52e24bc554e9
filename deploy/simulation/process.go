package simulation

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"chapterhouse/pipeline"
)

// A service is a program that is started again whenever it ends.
type service struct {
	name string
	main func(ctx context.Context, p *process)
	once bool // unless it ended by itself, or its killer's dice say so
	life int
}

// process is one life of a service. After its death nothing that it still does
// reaches the world; what it had sent may.
type process struct {
	w       *world
	service *service
	id      string
	ctx     context.Context
	cancel  context.CancelFunc
	died    chan struct{}

	// Under the world's mutex.
	dead  bool
	wakes chan struct{} // closed when it goes on; nil: it does not stand still
	tries map[string]string
}

var (
	errDead  = errors.New("the process is dead")
	errFault = errors.New("scripted fault")
)

// start begins a service's next life.
func (w *world) start(s *service) {
	w.mu.Lock()
	if w.closing {
		w.mu.Unlock()
		return
	}
	s.life++
	p := &process{w: w, service: s, id: fmt.Sprintf("%s#%d", s.name, s.life), died: make(chan struct{}), tries: map[string]string{}}
	p.ctx, p.cancel = context.WithCancel(context.Background())
	w.running[s.name] = p
	w.mu.Unlock()
	w.note(p.id, "start", "", "")
	w.work.Go(func() {
		defer p.cancel()
		s.main(p.ctx, p)
		w.mu.Lock()
		dead := p.dead
		if w.running[s.name] == p {
			delete(w.running, s.name)
		}
		w.mu.Unlock()
		if !dead && !s.once {
			w.again(p)
		}
	})
}

// again starts a service anew after a while.
func (w *world) again(p *process) {
	w.after(between(w.dice(p.id, "again"), time.Second, time.Minute), func() { w.start(p.service) })
}

// kill ends a process as SIGKILL does.
func (w *world) kill(p *process) {
	w.mu.Lock()
	if p.dead || w.closing {
		w.mu.Unlock()
		return
	}
	p.dead = true
	close(p.died)
	w.tally.Kills++
	w.mu.Unlock()
	w.note(p.id, "killed", "", "")
	p.cancel()
	if p.service.once && w.dice(p.id, "gone").IntN(3) == 0 {
		return // nobody tries again
	}
	w.again(p)
}

// stop ends a process as SIGTERM does: it may say good-bye.
func (w *world) stop(p *process) {
	w.note(p.id, "stopped", "", "")
	w.count(func(t *Tally) { t.Stops++ })
	p.cancel()
}

// pause makes a process stand still for a while, as SIGSTOP does: none of its
// calls goes out and no reply comes in, while the clocks of all others run.
func (w *world) pause(p *process, d time.Duration) {
	w.mu.Lock()
	if p.dead || p.wakes != nil {
		w.mu.Unlock()
		return
	}
	wakes := make(chan struct{})
	p.wakes = wakes
	w.tally.Pauses++
	w.mu.Unlock()
	w.note(p.id, "paused", "", d.String())
	w.after(d, func() {
		w.note(p.id, "resumed", "", "")
		w.mu.Lock()
		p.wakes = nil
		w.mu.Unlock()
		close(wakes)
	})
}

// gate holds who stands still, and turns the dead away. Who was held goes on
// at a moment of its own.
func (p *process) gate(what string) error {
	for {
		p.w.mu.Lock()
		wakes, dead := p.wakes, p.dead
		p.w.mu.Unlock()
		switch {
		case dead:
			return errDead
		case wakes == nil:
			return nil
		}
		select {
		case <-wakes:
			_ = p.w.sleep(p.ctx, between(p.w.next(p.id+" wakes "+what), 0, time.Millisecond))
		case <-p.died:
		}
	}
}

// fault is what happens to a call.
type fault int

const (
	none      fault = iota
	fails           // nothing is done, an error comes back
	loses           // it is done, and the reply is lost
	conflicts       // a Swap does nothing and says that someone else was faster
)

// fate is what a call meets.
type fate struct {
	takes   time.Duration
	fault   fault
	deadly  bool // the process dies at it: before it is sent, or before the reply comes
	before  bool
	arrives bool // when the caller is gone before it was done, it is done all the same
	odd     bool // for what a server may do besides
	half    bool // the reply breaks off in the middle
	orphan  bool // the caller is gone
}

func (p *process) fate(server, op, name string) fate {
	w := p.w
	r := w.next(p.id + " " + server + " " + op + " " + name)
	f := fate{takes: between(r, time.Millisecond, 40*time.Millisecond), before: r.IntN(2) == 0, arrives: r.IntN(2) == 0, odd: r.IntN(8) == 0, half: r.IntN(2) == 0}
	bad, death, slow, kind := r.Float64(), r.Float64(), r.Float64(), fault(r.IntN(3))
	if w.now() >= w.shape.quiet {
		f.odd, f.half = false, false
		return f
	}
	switch {
	case w.down(p.service.name, server):
		f.fault = fails
	case bad < w.shape.fault:
		f.fault = fails + kind
	}
	f.deadly = death < w.shape.death
	switch {
	case slow < w.shape.slow:
		f.takes = between(r, time.Second, leaseTime)
	case f.odd && op == "Swap" && strings.HasSuffix(name, "/title.json"): // where the races are
		f.takes = between(r, 0, 2*time.Second)
	}
	return f
}

// suffer makes a call go wrong.
func (f *fate) suffer(kind StrikeKind) {
	switch kind {
	case Fails:
		f.fault = fails
	case Loses:
		f.fault = loses
	case Conflicts:
		f.fault = conflicts
	case KillsSent, KillsDone:
		f.deadly, f.before = true, kind == KillsSent
	}
}

// ask is one call of a server: it is sent, takes effect, and is answered.
func (p *process) ask(ctx context.Context, server, op, name string, act func(fate) error) error {
	if err := p.gate(op + name); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	w, f := p.w, p.fate(server, op, name)
	w.count(func(t *Tally) {
		t.Calls++
		if w.strike != nil && w.strike.N == t.Calls {
			f.suffer(w.strike.Kind)
		}
		if f.fault != none {
			t.Faults++
		}
	})
	if f.deadly && f.before {
		w.kill(p)
		return errDead
	}
	sent := w.now()
	if err := p.travel(ctx, f.takes); err != nil {
		if f.orphan = true; f.arrives && f.fault != fails {
			w.after(max(0, sent+f.takes-w.now()), func() { _ = p.effect(op, name, f, act) })
		}
		return err
	}
	err := p.effect(op, name, f, act)
	if f.deadly {
		w.kill(p)
		return errDead
	}
	if gate := p.gate(op + name); gate != nil {
		return gate
	}
	return err
}

// travel is the way of a call; it is cut short by the end of ctx, and of the caller.
func (p *process) travel(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(p.w.moment(d))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-p.died:
		return errDead
	}
}

// effect is what a call does at its server, and the reply.
func (p *process) effect(op, name string, f fate, act func(fate) error) error {
	err := pipeline.Errorf(pipeline.Infra, op+" "+name, "%w", errFault)
	switch f.fault {
	case fails:
		p.w.note(p.id, op, name, "fails")
		return err
	case conflicts:
		if op != "Swap" {
			p.w.note(p.id, op, name, "fails")
			return err
		}
	}
	done := act(f)
	what := ""
	if done != nil {
		what = done.Error()
	}
	if f.fault == loses && done == nil {
		p.w.note(p.id, op, name, "reply lost")
		return err
	}
	p.w.note(p.id, op, name, what)
	return done
}
