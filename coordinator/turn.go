package coordinator

import (
	"cmp"
	"slices"
	"strings"

	"chapterhouse/pipeline/queue"
)

// turn chooses whose chapter is rung for next: rush before overnight, the
// earlier due date before the later, and between titles of one date whoever has
// the fewest rings out. One ring in queue.OvernightTurn is kept for overnight, so
// that rush never starves it.
type turn struct {
	titles []*waiting
	room   int // rings
	kept   int // of them for overnight
	out    map[queue.Class]int
}

// waiting is a title with chapters that no ring is out for.
type waiting struct {
	k     *known
	title string
	order Order
	wants []want // in order; from the first on that no ring is out for
	out   int    // rings
}

// turn is what there is to choose from.
func (c *Coordinator) turn(all []*known) *turn {
	t := &turn{room: ringsPerSlot * c.slots(), out: map[queue.Class]int{}}
	t.kept = (t.room + queue.OvernightTurn - 1) / queue.OvernightTurn
	for _, k := range all {
		k.mu.Lock()
		w := &waiting{k: k, title: k.title, order: k.order, out: len(k.out), wants: k.wants}
		w.skip()
		k.mu.Unlock()
		t.out[w.order.Class] += w.out
		t.room -= w.out
		if len(w.wants) > 0 {
			t.titles = append(t.titles, w)
		}
	}
	return t
}

// next takes the next chapter to ring for; nil when there is no room or nothing waits.
func (t *turn) next() (*known, want) {
	if t.room <= 0 {
		return nil, want{}
	}
	overnight := slices.ContainsFunc(t.titles, func(w *waiting) bool { return w.order.Class == queue.Overnight })
	held := overnight && t.room <= t.kept-t.out[queue.Overnight]
	var best *waiting
	for _, w := range t.titles {
		if held && w.order.Class != queue.Overnight {
			continue
		}
		if best == nil || before(w, best) {
			best = w
		}
	}
	if best == nil {
		return nil, want{}
	}
	first := best.wants[0]
	best.wants = best.wants[1:]
	best.k.mu.Lock()
	best.skip()
	best.k.mu.Unlock()
	if len(best.wants) == 0 {
		t.titles = slices.DeleteFunc(t.titles, func(w *waiting) bool { return w == best })
	}
	return best.k, first
}

// skip goes on to the next chapter that no ring is out for.
func (w *waiting) skip() {
	for len(w.wants) > 0 && w.k.out[w.wants[0].ring.Key] != nil {
		w.wants = w.wants[1:]
	}
}

func before(a, b *waiting) bool {
	return cmp.Or(a.order.compare(b.order), a.out-b.out, strings.Compare(a.title, b.title)) < 0
}

// rang counts a ring that went out.
func (t *turn) rang(k *known, w want) {
	t.room--
	t.out[w.ring.Class]++
	for _, title := range t.titles {
		if title.k == k {
			title.out++
		}
	}
}
