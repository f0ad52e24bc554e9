package faults

import (
	"context"
	"strings"
	"time"

	"chapterhouse/deploy/faults/proxy"
)

func rowsCoordinator() []Row {
	return []Row{
		{N: 8, Fault: "coordinator killed at its k-th request to the store, k = 1, 2, …", do: killAtEvery},
		{N: 9, Fault: "two coordinators at one run, 200 ms from the store", do: twoCoordinators},
		{N: 10, Fault: "coordinator frozen while it writes the title, another goes on", do: freezeAtPointer},
		{N: 20, Fault: "a write is stored and its reply lost", do: loseReplies},
		{N: 37, Fault: "a gateway that ignores conditions, two coordinators", do: ignoreConditions},
	}
}

// swaps looks like a machine that moves the title.
func (n *night) swaps(c proxy.Call) bool {
	return c.Method == "PUT" && c.Name == titleName(n.house.Slug)
}

// killAtEvery gives each life of the coordinator so many more requests than
// the one before; every second is killed when the request is done and its
// answer on the way, the others before.
func killAtEvery(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{chapters: 3})
	if err != nil {
		return err
	}
	m := n.coordinators[0]
	if err := n.submit(ctx); err != nil {
		return err
	}
	// What is asked before the night begins tries the gateway out, not us.
	ours := func(c proxy.Call) bool {
		return !strings.HasPrefix(c.Name, probes) && !strings.Contains(c.Query, "prefix=probe")
	}
	stride := 1 + int(r.seed%3)
	kills := 0
	for k := 0; ; k += stride {
		fate := proxy.Hold
		if kills%2 == 1 {
			fate = proxy.HoldReply
		}
		m.Kill()
		m.Store.Clear()
		trap := m.Store.Catch(fate, k, 1, ours)
		if err := n.coordinate(ctx, m); err != nil {
			return err
		}
		hit, err := n.hitOrClosed(ctx, trap)
		if err != nil {
			return err
		}
		if !hit {
			break
		}
		m.Kill()
		trap.Drop()
		kills++
	}
	r.tell("coordinators killed", float64(kills), "%.0f")
	n.noMoreMoves()
	return n.verify(ctx, expect{})
}

// probes is the prefix of what a store's conditions are tried on.
const probes = "probe/"

// hitOrClosed waits until something is caught, or else the title is closed.
func (n *night) hitOrClosed(ctx context.Context, trap *proxy.Trap[proxy.Call]) (hit bool, err error) {
	err = n.until(ctx, closing, "the next request, or the close", func() bool {
		hit = trap.Caught() > 0
		return hit || n.isClosed(n.house.Slug)
	})
	return hit, err
}

// noMoreMoves holds that no machine was told that it had moved the title but at
// its submission and its close.
func (n *night) noMoreMoves() {
	times := 0
	for _, m := range n.machines {
		for _, c := range m.Store.Calls() {
			if n.swaps(c) && c.Wrote() {
				times++
			}
		}
	}
	n.round.count("moves of the title beside submit and close", times-2, 0)
}

func twoCoordinators(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{coordinators: 2})
	if err != nil {
		return err
	}
	for _, m := range n.coordinators {
		m.StoreLink.Set(proxy.Weather{Delay: 100 * time.Millisecond}) // each way
	}
	if err := n.submit(ctx); err != nil {
		return err
	}
	if err := n.finish(ctx); err != nil {
		return err
	}
	if err := sleep(ctx, 2*time.Second); err != nil { // the second may be on its way
		return err
	}
	n.noMoreMoves()
	return n.verify(ctx, expect{tries: 1})
}

func freezeAtPointer(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{coordinators: 2})
	if err != nil {
		return err
	}
	// Whoever comes first to move the title is frozen with its write held.
	traps := []*proxy.Trap[proxy.Call]{}
	for _, m := range n.coordinators {
		traps = append(traps, m.Store.Catch(proxy.Hold, 0, 1, n.swaps))
	}
	if err := n.submit(ctx); err != nil {
		return err
	}
	frozen := -1
	err = n.until(ctx, closing, "a coordinator moves the title", func() bool {
		for i, t := range traps {
			if t.Caught() > 0 {
				frozen = i
			}
		}
		return frozen >= 0
	})
	if err != nil {
		return err
	}
	m := n.coordinators[frozen]
	m.Stop()
	traps[1-frozen].Release()
	if err := n.finish(ctx); err != nil {
		return err
	}
	m.Continue()
	traps[frozen].Release()
	refused := func() (times int) {
		for _, c := range m.Store.Calls() {
			if n.swaps(c) && c.Status == 412 {
				times++
			}
		}
		return times
	}
	if err := await(ctx, 20*time.Second, "the thawed coordinator's write is refused", func() (bool, error) { return refused() > 0, nil }); err != nil {
		return err
	}
	if err := sleep(ctx, 2*time.Second); err != nil { // it reads again
		return err
	}
	n.noMoreMoves()
	return n.verify(ctx, expect{tries: 1})
}

// loseReplies loses the reply to the first write of each kind of object, and
// to a later one, of every machine.
func loseReplies(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{})
	if err != nil {
		return err
	}
	var traps []*proxy.Trap[proxy.Call]
	for _, m := range n.machines {
		for _, what := range []string{"/title.json", "/submit.json", "/plan.json", "/fits.json", "/gains.json", "/close.json", "open/", "narrators/", "recipes/", "commits/", "blobs/", "attempts/"} {
			looks := func(c proxy.Call) bool {
				return c.Method == "PUT" && (strings.HasPrefix(c.Name, what) || strings.HasSuffix(c.Name, what))
			}
			traps = append(traps, m.Store.Catch(proxy.DropReply, 0, 1, looks), m.Store.Catch(proxy.DropReply, 2+int(r.seed%3), 1, looks))
		}
	}
	if err := n.submit(ctx); err != nil {
		return err
	}
	if err := n.finish(ctx); err != nil {
		return err
	}
	lost := 0
	for _, t := range traps {
		lost += t.Caught()
	}
	r.tell("replies lost", float64(lost), "%.0f")
	n.noMoreMoves()
	if lost < 15 {
		r.violate("only %d replies were lost: the row has not done what it says", lost)
	}
	return n.verify(ctx, expect{tries: 2})
}

// aloneS is how long the broker keeps the place of a coordinator that is gone.
const aloneS = 30

// ignoreConditions has two coordinators at a gateway on which two could both
// be told that they were the only one: one works, and when it is lost the other.
func ignoreConditions(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{coordinators: 2, careless: true})
	if err != nil {
		return err
	}
	var first, second *Machine
	err = n.until(ctx, closing, "a coordinator serves", func() bool {
		for i, m := range n.coordinators {
			if m.serves() {
				first, second = m, n.coordinators[1-i]
			}
		}
		return first != nil
	})
	if err != nil {
		return err
	}
	if err := n.submit(ctx); err != nil {
		return err
	}
	if _, err := n.freezeAtWork(ctx, n.workers[0], r.step()); err != nil {
		return err
	}
	killed := time.Now()
	first.Kill()
	n.workers[0].Continue()
	if err := n.finish(ctx); err != nil {
		return err
	}
	early, taken := 0, time.Time{}
	for _, c := range second.Store.Calls() {
		if !c.Wrote() || strings.HasPrefix(c.Name, probes) {
			continue
		}
		if c.At.Before(killed) {
			early++
		} else if taken.IsZero() {
			taken = c.At
		}
	}
	r.count("writes of the coordinator that had to wait", early, 0)
	r.atMost("it takes over after", taken.Sub(killed).Seconds(), aloneS+redelivery.Seconds(), "%.1f s")
	return n.verify(ctx, expect{tries: 1})
}
