package faults

import (
	"context"
	"time"

	"chapterhouse/deploy/faults/proxy"
	"chapterhouse/pipeline"
)

func rowsNetwork() []Row {
	return []Row{
		{N: 16, Fault: "worker cut off from the broker", do: cutFromBroker},
		{N: 17, Fault: "worker cut off from the store", do: cutFromStore},
		{N: 18, Fault: "one-way silence, 30 % loss, 500 ms delay", do: badNetwork},
	}
}

// cut makes a machine's network silent on one side, and returns how to mend it.
func (n *night) cut(ctx context.Context, m *Machine, c Cable) (mend func() error, err error) {
	if m.Space != nil {
		return func() error { return m.Space.Plug(ctx, c) }, m.Space.Pull(ctx, c)
	}
	n.round.how("no network namespaces here: the proxy is silent in place of a pulled cable")
	link := m.StoreLink
	if c == ToBroker {
		link = m.BrokerLink
	}
	link.Set(proxy.Weather{Silent: [2]bool{proxy.Up: true, proxy.Down: true}})
	return func() error { link.Set(proxy.Weather{}); return nil }, nil
}

func cutFromBroker(ctx context.Context, r *round) error {
	n, key, err := r.frozenNight(ctx, shape{apart: true})
	if err != nil {
		return err
	}
	mend, err := n.cut(ctx, n.workers[0], ToBroker)
	if err != nil {
		return err
	}
	// Storage is still there, so it would end the job: its commit is held until
	// another worker has the job too, and comes late.
	late := n.workers[0].Store.Catch(proxy.Hold, 0, 1, func(c proxy.Call) bool { return commits(c) && keyOf(c.Name) == key })
	cut := time.Now()
	n.workers[0].Continue()
	if err := n.takenOver(ctx, n.workers[1], key, cut); err != nil {
		return err
	}
	late.Release()
	if err := n.finish(ctx); err != nil {
		return err
	}
	if err := mend(); err != nil {
		return err
	}
	if err := sleep(ctx, 3*time.Second); err != nil { // what it still has to say
		return err
	}
	return n.verify(ctx, expect{tries: 1})
}

// cutS is how long the store is out of reach: more than a request may take.
const cutS = 15

func cutFromStore(ctx context.Context, r *round) error {
	n, _, err := r.frozenNight(ctx, shape{apart: true, chapters: 6})
	if err != nil {
		return err
	}
	mend, err := n.cut(ctx, n.workers[0], ToStore)
	if err != nil {
		return err
	}
	n.workers[0].Continue()
	if err := sleep(ctx, cutS*time.Second); err != nil {
		return err
	}
	if err := mend(); err != nil {
		return err
	}
	if err := n.finish(ctx); err != nil {
		return err
	}
	if err := n.noStrikes(); err != nil {
		return err
	}
	return n.verify(ctx, expect{tries: 3})
}

// badNetwork has one kind of bad weather after the other between every machine
// and all it talks to.
func badNetwork(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{apart: true, chapters: 3})
	if err != nil {
		return err
	}
	machines := append(n.coordinators, n.workers...)
	weather := func(w proxy.Weather) {
		for _, m := range machines {
			m.StoreLink.Set(w)
			m.BrokerLink.Set(w)
		}
	}
	netem := func(args ...string) bool {
		for _, w := range n.workers {
			if w.Space == nil || w.Space.Netem(ctx, args...) != nil {
				return false
			}
		}
		return true
	}
	if !netem("delay", "1ms") {
		r.how("this kernel loses and delays no packets (no netem): the proxy does so with pieces of 16 KiB, which come when they are sent again")
	}
	began := time.Now()
	weather(proxy.Weather{Loss: 0.3})
	netem("loss", "30%")
	trap := n.workers[0].Store.Catch(proxy.Pass, 0, 1, n.from(pipeline.StepProfile, begins))
	if err := n.submit(ctx); err != nil {
		return err
	}
	if _, err := wait(ctx, n, trap, "worker-1 begins a profile"); err != nil {
		return err
	}
	netem("delay", "1ms")
	for _, way := range []proxy.Way{proxy.Up, proxy.Down} {
		var silent proxy.Weather
		silent.Silent[way] = true
		n.workers[0].StoreLink.Set(silent)
		n.workers[1].BrokerLink.Set(silent)
		if err := sleep(ctx, 4*time.Second); err != nil {
			return err
		}
	}
	weather(proxy.Weather{Delay: 250 * time.Millisecond}) // each way
	netem("delay", "500ms")
	if err := n.closed(ctx, n.house.Slug, 2*closing); err != nil {
		return err
	}
	r.tell("the night took", time.Since(began).Seconds(), "%.0f s")
	return n.verify(ctx, expect{tries: 4})
}

// noStrikes holds that nothing was counted against a job: it is not at fault.
func (n *night) noStrikes() error {
	failed, err := n.Bucket.Failed()
	if err != nil {
		return err
	}
	n.round.count("strikes against jobs", strikesOf(failed), 0)
	return nil
}
