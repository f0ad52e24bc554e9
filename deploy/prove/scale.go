package main

import (
	"context"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
)

// What a house's night is, and what a coordinator may take of it.
const (
	scaleTitles, scaleChapters = 1000, 60
	scaleFew                   = 100 // titles, to see what more of them cost
	scaleSlots                 = 64
	nightS                     = 8 * 3600
	chapterMinutes             = 20
	renderedMinutes            = 2

	ringsASlot = 4 // that may be out, so that what is urgent comes soon

	// Beside the work on audio a coordinator must not count: whoever pays for
	// a hundred slots pays for one more at most.
	shareLimitPercent = 1.0
	// More titles may cost each chapter a little for longer lists, never in
	// proportion: that would be quadratic.
	scaleGrowthLimit = 1.5
	// A coordinator that serves a whole house's night fits a machine of 2 GiB.
	scaleHeapLimitMiB = 1024.0
	// A million chapters in a night of eight hours, each a ring: far above
	// a house's own need of 8 rings a second.
	rateLimit = 35.0
)

// Real parts are served fewer titles, with ever more slots.
const realTitles = 4

func realSlots() []int { return []int{4, 16, scaleSlots} }

// scale serves a house's night without its audio: first with a store and a
// queue in memory, where the coordinator is all that costs, then with the real
// ones, and finds what gives first.
func scale(ctx context.Context, s *site, t *table) error {
	renderS, err := s.renderCost(ctx)
	if err != nil {
		return err
	}
	h, err := demoHouse(s.root)
	if err != nil {
		return err
	}
	var nights []ledger
	for _, titles := range []int{scaleFew, scaleTitles} {
		s.say("serving %d titles of %d chapters in memory", titles, scaleChapters)
		l, err := inMemory(ctx, books{house: h, titles: titles, length: scaleChapters}, scaleSlots, 0)
		if err != nil {
			return err
		}
		s.say("%.0f s, %.2f ms a chapter, heap %.0f MiB beside a store of %.0f MiB", l.firstS+l.wallS, 1e3*l.per(l.allS), l.heap/mib, l.storeHeap/mib)
		nights = append(nights, l)
	}
	fillMemoryNights(t, nights[0], nights[1], renderS)
	r, err := s.realNights(ctx, books{house: h, titles: realTitles, length: scaleChapters}, realSlots())
	if err != nil {
		return err
	}
	fillReal(t, r, nights[1], renderS)
	t.note("Hands answer rings with results made up from their recipes and do all that a worker does to store, broker and watchers;")
	t.note("each chapter has one part and is delivered to two specs: 4 rings, 6 results. In memory the coordinator's share is the")
	t.note("processor time of the whole process but for the hands' threads: with all of the collector's work, the store's too.")
	t.note("Its heap is what lived after a collection, less the bytes in the store times what a byte there took at the end.")
	t.note("A chapter's render: the steps of one of %d minutes for one spec, scaled to %d. On real parts every process shares this machine.", renderedMinutes, chapterMinutes)
	return nil
}

// renderCost is the processor seconds of one chapter for one spec.
func (s *site) renderCost(ctx context.Context) (float64, error) {
	if err := need("lame"); err != nil {
		return 0, err
	}
	program, err := s.build(ctx, "./cmd/chapterhouse")
	if err != nil {
		return 0, err
	}
	n, err := s.newHouse(ctx, "retail", "", recording{minutes: renderedMinutes, seed: s.seed})
	if err != nil {
		return 0, err
	}
	store := s.path("rendered")
	defer os.RemoveAll(store)
	defer os.RemoveAll(n.house)
	r, err := call(ctx, nil, program, "process", n.title, "--store", store, "--out", s.path("rendered", "out"), "--json")
	if err != nil {
		return 0, err
	}
	said, err := n.check(r.stdout)
	if err != nil {
		return 0, err
	}
	total := 0.0
	for _, step := range steps() {
		total += said.Cost[step].CPUS
	}
	return total * chapterMinutes / renderedMinutes, nil
}

func fillMemoryNights(t *table, few, many ledger, renderS float64) {
	t.tell("render of a chapter of 20 min, processor", fmt.Sprintf("%.1f s", renderS))
	for _, l := range []ledger{few, many} {
		name := func(what string) string { return fmt.Sprintf("in memory, %d titles: %s", l.titles, what) }
		t.hold(name("titles that stand, chapters that are whole"), fmt.Sprintf("%d, %d", l.stood, l.whole), fmt.Sprintf("%d, %d", l.titles, l.chapters()),
			l.stood == l.titles && l.whole == l.chapters())
		t.hold(name("results made, of them twice"), fmt.Sprintf("%d, %d", l.made, l.twice), fmt.Sprintf("at most the %d rung again", l.again), l.twice <= int64(l.again))
		t.atMost(name("rings out at a time"), float64(l.most), float64(ringsASlot*l.slots), "%.0f", fmt.Sprintf("%d in all", l.rings))
		t.tell(name("time"), fmt.Sprintf("%.0f s: %.0f rings/s, %.0f results/s; first ring after %.1f s", l.wallS, float64(l.rings)/l.wallS, float64(l.made)/l.wallS, l.firstS))
		t.tell(name("slots that waited for a ring"), fmt.Sprintf("%.0f %% of the time", 100*l.idle))
		t.tell(name("coordinator alone on a core"), fmt.Sprintf("%.0f rings/s, %.0f results/s", float64(l.rings)/l.threadS, float64(l.made)/l.threadS))
		t.atMost(name("coordinator's share of a render"), l.share(renderS), shareLimitPercent, "%.4f %%", fmt.Sprintf("%.2f ms a chapter, %.2f of its own thread", 1e3*l.per(l.allS), 1e3*l.per(l.threadS)))
		t.tell(name("store's heap"), fmt.Sprintf("%.0f MiB, %.1f KiB a chapter", l.storeHeap/mib, l.per(l.storeHeap)/1024))
		t.atMost(name("coordinator's heap"), l.heap/mib, scaleHeapLimitMiB, "%.0f MiB", fmt.Sprintf("%.1f KiB a chapter", l.per(l.heap)/1024))
	}
	t.atMost(fmt.Sprintf("processor a chapter, %d titles over %d", many.titles, few.titles), many.per(many.allS)/few.per(few.allS), scaleGrowthLimit, "%.2f x",
		fmt.Sprintf("%.2f x of its own thread", many.per(many.threadS)/few.per(few.threadS)))
	t.tell("objects a chapter", many.each(many.objects))
	t.tell("store calls a chapter, coordinator", many.each(many.calls))
	t.tell("store calls a chapter, hands", fmt.Sprintf("%.1f", many.per(float64(many.handCalls))))
}

const mib = 1 << 20

// share is what a coordinator takes beside a chapter's render, in per cent.
func (l ledger) share(renderS float64) float64 { return 100 * l.per(l.allS) / renderS }

// each writes counts a chapter, and their sum.
func (l ledger) each(counts map[string]int) string {
	var parts []string
	for _, what := range slices.Sorted(maps.Keys(counts)) {
		parts = append(parts, fmt.Sprintf("%s %.2f", what, l.per(float64(counts[what]))))
	}
	return fmt.Sprintf("%.1f: %s", l.per(float64(sum(counts))), strings.Join(parts, ", "))
}

// realRun is what real parts did, and what each could do alone.
type realRun struct {
	nights    []realNight
	publishes float64 // a second
	requests  float64 // a second
}

func (s *site) realNights(ctx context.Context, b books, slots []int) (r realRun, err error) {
	p, err := s.newParts(ctx)
	if err != nil {
		return r, err
	}
	defer p.end()
	for _, n := range slots {
		s.say("serving %d titles of %d chapters with %d slots on a gateway and a broker", b.titles, b.length, n)
		night, err := p.night(ctx, b, n)
		if err != nil {
			return r, err
		}
		s.say("%.0f rings a second", night.rate())
		r.nights = append(r.nights, night)
	}
	if r.publishes, err = p.publishes(ctx, 40*slots[0]); err != nil {
		return r, err
	}
	r.requests, err = p.requests(ctx, 16, 20*slots[0])
	return r, err
}

// A ceiling is the rings a second that one part could serve.
type ceiling struct {
	what  string
	rings float64
}

// ceilings are those of a night's parts, the lowest first. requests is what
// coordinator and hands ask of the gateway for one ring.
func (r realRun) ceilings(n realNight, requests float64) []ceiling {
	all := []ceiling{
		{"the coordinator's processor, on one core", float64(n.rings) / n.allS},
		{"the broker's publishes, one after another, each synced", r.publishes},
		{"the gateway's requests", r.requests / requests},
	}
	slices.SortFunc(all, func(a, b ceiling) int {
		if a.rings < b.rings {
			return -1
		}
		return 1
	})
	return all
}

func fillReal(t *table, r realRun, memory ledger, renderS float64) {
	best := r.nights[0]
	for _, n := range r.nights {
		name := func(what string) string { return fmt.Sprintf("on real parts, %d slots: %s", n.slots, what) }
		t.hold(name("titles that stand, chapters that are whole, results made twice"), fmt.Sprintf("%d, %d, %d", n.stood, n.whole, n.twice), fmt.Sprintf("%d, %d, 0", n.titles, n.chapters()),
			n.stood == n.titles && n.whole == n.chapters() && n.twice == 0)
		t.tell(name("rate"), fmt.Sprintf("%.0f rings/s, %.0f results/s; first ring after %.1f s; slots waited %.0f %% of the time", n.rate(), float64(n.made)/n.wallS, n.firstS, 100*n.idle))
		all := n.firstS + n.wallS
		t.tell(name("cores used"), fmt.Sprintf("coordinator %.2f, gateway %.2f, broker %.2f, whole machine %.2f", n.allS/all, n.gatewayS/all, n.brokerS/all, n.machineS/all))
		t.atMost(name("coordinator's share of a render"), n.share(renderS), shareLimitPercent, "%.4f %%", fmt.Sprintf("%.2f ms a chapter", 1e3*n.per(n.allS)))
		t.tell(name("coordinator, resident at most"), fmt.Sprintf("%.0f MiB", n.peakMiB))
		if n.rate() > best.rate() {
			best = n
		}
	}
	t.hold("on real parts: rings a second at best", fmt.Sprintf("%.0f, with %d slots", best.rate(), best.slots), fmt.Sprintf("at least %.0f", rateLimit), best.rate() >= rateLimit)
	t.tell("on real parts: chapters in a night of 8 h at that rate", fmt.Sprintf("%.0f", float64(best.chapters())/best.wallS*nightS))
	requests := float64(sum(memory.calls)+memory.handCalls) / float64(memory.rings)
	all := r.ceilings(best, requests)
	for i, c := range all {
		what := "could do alone"
		if i == 0 {
			what = "gives first"
		}
		t.tell(what+": "+c.what, fmt.Sprintf("%.0f rings/s", c.rings))
	}
	t.tell("gateway: requests a ring; answered", fmt.Sprintf("%.1f; %.0f/s to 16 callers", requests, r.requests))
}

// rate is rings a second.
func (n realNight) rate() float64 { return float64(n.rings) / n.wallS }
