package queue_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"chapterhouse/pipeline/queue"
)

// TestTerm: what is said within the term is said, an extension counts from
// when it was sent and only when it was confirmed, and after the last word or
// the end there is silence.
func TestTerm(t *testing.T) {
	ctx := context.Background()
	extend := func(term *queue.Term, say func() error) error { return term.Extend(ctx, time.Minute, say) }
	end := func(term *queue.Term, say func() error) error { return term.End(ctx, say) }
	type word struct {
		at    time.Duration // since the start
		say   func(*queue.Term, func() error) error
		takes time.Duration
		fails bool
		said  bool
	}
	for _, c := range []struct {
		name  string
		words []word
	}{
		{"in time", []word{{59 * time.Second, end, 0, false, true}}},
		{"too late", []word{{60 * time.Second, end, 0, false, false}, {61 * time.Second, extend, 0, false, false}}},
		{"extended", []word{{59 * time.Second, extend, 0, false, true}, {118 * time.Second, end, 0, false, true}}},
		{"extended from when it was sent", []word{{50 * time.Second, extend, 5 * time.Second, false, true}, {110 * time.Second, end, 0, false, false}}},
		{"extension not confirmed", []word{{50 * time.Second, extend, 0, true, true}, {60 * time.Second, end, 0, false, false}}},
		{"the last word", []word{{time.Second, end, 0, false, true}, {2 * time.Second, end, 0, false, false}, {2 * time.Second, extend, 0, false, false}}},
		{"the last word not confirmed", []word{{time.Second, end, 0, true, true}, {2 * time.Second, end, 0, false, true}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				start, failed := time.Now(), errors.New("no answer")
				term := queue.NewTerm(start.Add(time.Minute))
				for i, w := range c.words {
					time.Sleep(time.Until(start.Add(w.at)))
					said := false
					err := w.say(term, func() error {
						said = true
						time.Sleep(w.takes)
						if w.fails {
							return failed
						}
						return nil
					})
					var want error
					switch {
					case !w.said:
						want = queue.ErrLost
					case w.fails:
						want = failed
					}
					if said != w.said || !errors.Is(err, want) {
						t.Errorf("word %d: said %v, %v, want %v, %v", i+1, said, err, w.said, want)
					}
				}
			})
		})
	}
}

// TestTermTurns: two words are never said at once, and who waits for a turn
// gives up when its context ends.
func TestTermTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		term := queue.NewTerm(time.Now().Add(time.Minute))
		speaking, spoken := 0, 0
		say := func() error {
			if speaking++; speaking > 1 {
				t.Error("two speak at once")
			}
			time.Sleep(10 * time.Second)
			speaking--
			spoken++
			return nil
		}
		var all sync.WaitGroup
		for range 3 {
			all.Go(func() {
				if err := term.Extend(t.Context(), time.Minute, say); err != nil {
					t.Error(err)
				}
			})
		}
		synctest.Wait()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := term.End(ctx, say); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%v, want the end of the context", err)
		}
		all.Wait()
		if spoken != 3 {
			t.Errorf("%d words said, want 3", spoken)
		}
	})
}
