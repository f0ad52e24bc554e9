package faults

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"sort"
	"strings"

	"chapterhouse/deploy/faults/proxy"
	"chapterhouse/pipeline"
)

// expect is what a row leaves that an undisturbed night does not.
type expect struct {
	holes     map[int]string // by chapter number: what the reason holds
	tries     int            // that were begun more than in the control, at most
	strikes   int            // tries that failed by their own fault, exactly
	cancelled bool           // no run of the title stands
	sameGains bool           // what is missing was there when gains were made: the others are the control's to the byte
	damaged   bool           // a recording is, for good
}

// verify holds the whole bucket against what must be true after any fault,
// and against a control night of the same title without one.
func (n *night) verify(ctx context.Context, e expect) error {
	r := n.round
	n.watch.look()
	for _, w := range n.watch.found() {
		r.violate("%s", w)
	}
	for _, w := range n.history() {
		r.violate("%s", w)
	}
	t, err := n.Bucket.Title(n.house.Slug)
	if err != nil {
		return err
	}
	switch {
	case e.cancelled:
		if t.Standing != "" || t.Wanted != "" {
			r.violate("the cancelled title wants %q and stands at %q", t.Wanted, t.Standing)
		}
	case t.Standing != t.Wanted || len(n.accepted) == 0 || t.Standing < slices.Max(n.accepted):
		r.violate("runs %v were accepted, %q is wanted and %q stands", n.accepted, t.Wanted, t.Standing)
	}
	if err := n.verifyBlobs(); err != nil {
		return err
	}
	if !e.cancelled {
		if err := n.verifyFiles(ctx, t.Standing, e); err != nil {
			return err
		}
	}
	if !e.damaged {
		n.sound(ctx)
	}
	return n.verifyTries(ctx, e)
}

// verifyBlobs reads every byte that a commit names.
func (n *night) verifyBlobs() error {
	r := n.round
	names, err := n.Bucket.List("commits/")
	if err != nil {
		return err
	}
	for _, name := range names {
		var c pipeline.Commit
		if err := n.Bucket.JSON(name, &c); err != nil {
			r.violate("%v", err)
			continue
		}
		if commitName(c.Key) != name {
			r.violate("%s is the commit of %s", name, c.Key)
		}
		for _, f := range c.Files {
			if why := n.Bucket.fault(f.Blob, f.Bytes); why != "" {
				r.violate("%s: %s", name, why)
			}
		}
	}
	return nil
}

// verifyFiles compares the standing run's files with the control's, byte for
// byte by their digests, and its holes with those expected.
func (n *night) verifyFiles(ctx context.Context, run string, e expect) error {
	r := n.round
	o, err := n.Bucket.Outcome(n.house.Slug, run)
	if err != nil {
		return err
	}
	want, err := r.kit.control(ctx, n.house)
	if err != nil {
		return err
	}
	got := filesOf(o)
	for _, ch := range o.Chapters {
		why, expected := e.holes[ch.Number]
		switch {
		case expected && !strings.Contains(ch.Hole, why):
			r.violate("chapter %d is to be missing for %q and the report says %q", ch.Number, why, ch.Hole)
		case !expected && ch.Hole != "":
			r.violate("chapter %d is missing: %s", ch.Number, ch.Hole)
		case !expected && (e.sameGains || len(e.holes) == 0) && !slices.Equal(got[ch.Number], want.files[ch.Number]):
			r.violate("chapter %d has the files %v, in the control %v", ch.Number, got[ch.Number], want.files[ch.Number])
		case !expected && len(got[ch.Number]) == 0:
			r.violate("chapter %d has no file", ch.Number)
		}
	}
	if len(o.Chapters) != n.shape.chapters {
		r.violate("the report has %d chapters of %d", len(o.Chapters), n.shape.chapters)
	}
	return nil
}

// verifyTries bounds how much was done more than once.
func (n *night) verifyTries(ctx context.Context, e expect) error {
	r := n.round
	begun, err := n.Bucket.Begun()
	if err != nil {
		return err
	}
	failed, err := n.Bucket.Failed()
	if err != nil {
		return err
	}
	want, err := r.kit.control(ctx, n.house)
	if err != nil {
		return err
	}
	if len(e.holes) == 0 && !e.cancelled && e.tries >= 0 {
		if more := sum(begun) - want.tries; more > e.tries {
			r.violate("%d jobs were begun, %d more than the control's, at most %d are allowed", sum(begun), more, e.tries)
		}
	}
	if strikes := strikesOf(failed); strikes != e.strikes {
		r.violate("%d strikes were noted, %d are right: %s", strikes, e.strikes, reasons(failed))
	}
	quarantined, err := n.Bucket.List("quarantine/")
	if err != nil {
		return err
	}
	if len(quarantined) > len(e.holes) {
		r.violate("%d keys are quarantined and %d chapters were bad", len(quarantined), len(e.holes))
	}
	return nil
}

// reasons are the failures' texts, each once.
func reasons(failed []Failed) string {
	texts := map[string]bool{}
	for _, t := range failed {
		texts[fmt.Sprintf("%s: %s", t.Kind, t.Text)] = true
	}
	return strings.Join(slices.Sorted(maps.Keys(texts)), "; ")
}

// history is every write of every machine.
func (n *night) history() []string {
	var calls []proxy.Call
	for _, m := range n.machines {
		calls = append(calls, m.Store.Calls()...)
	}
	may := n.watch.mayBeRemade
	if n.shape.careless { // there every writer is told yes
		may = func(string) bool { return true }
	}
	return judgeWrites(calls, titleName(n.house.Slug), may)
}

// judgeWrites holds writes against each other: what is created once has one
// writer that was told yes, unless it may be made again, and the title's
// states follow each other, each made from the one before.
func judgeWrites(calls []proxy.Call, title string, again func(name string) bool) []string {
	var wrong []string
	created := map[string]int{}
	var states []pipeline.TitleState
	for _, c := range calls {
		switch {
		case c.Method != "PUT" || !c.Wrote():
		case c.Name == title:
			t, err := stateOf(c.Body)
			if err != nil {
				wrong = append(wrong, fmt.Sprintf("a title was written that can't be read: %v", err))
				continue
			}
			states = append(states, t)
		case once(c.Name):
			created[c.Name]++
		}
	}
	for name, times := range created {
		if times > 1 && !again(name) {
			wrong = append(wrong, fmt.Sprintf("%d writers were told that they created %s", times, name))
		}
	}
	sort.Slice(states, func(a, b int) bool { return states[a].Rev < states[b].Rev })
	for i, t := range states {
		var before pipeline.TitleState
		if i > 0 {
			before = states[i-1]
		}
		if why := follows(before, t); why != "" {
			wrong = append(wrong, "the title's writes: "+why)
		}
		if t.Rev != before.Rev+1 {
			wrong = append(wrong, fmt.Sprintf("the title's revision %d was made from another than %d", t.Rev, before.Rev))
		}
		if t.Seq > before.Seq+1 {
			wrong = append(wrong, fmt.Sprintf("run %d came after run %d", t.Seq, before.Seq))
		}
	}
	slices.Sort(wrong)
	return wrong
}
