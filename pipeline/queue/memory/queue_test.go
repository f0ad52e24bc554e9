package memory_test

import (
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/queue/memory"
	"chapterhouse/pipeline/queue/queuetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestQueue(t *testing.T) {
	queuetest.ExerciseInBubble(t, func(*testing.T) queuetest.Bench {
		return queuetest.Bench{
			Queue:  memory.New(memory.Options{MaxTries: 5}),
			Events: &memory.Events{}, LeaseTime: 60 * time.Second, MaxTries: 5,
		}
	})
}

// TestLateWords is the broker at its worst: what is said late acts on a ring
// that another worker holds.
func TestLateWords(t *testing.T) {
	ring := queue.Ring{Engine: "a3f9c0de", Class: queue.Rush, Key: pipeline.DigestOf(nil)}
	for _, c := range []struct {
		name string
		say  func(*testing.T, queue.Lease) error
		// What follows: whether the ring is still there, and whether a third
		// worker gets it at once, or else in the second's lease time.
		there, atOnce, inTime bool
	}{
		{"done", func(t *testing.T, l queue.Lease) error { return l.Done(t.Context()) }, false, false, false},
		{"retry", func(t *testing.T, l queue.Lease) error { return l.Retry(t.Context(), 0) }, true, true, true},
		{"extend", func(t *testing.T, l queue.Lease) error { return l.Extend(t.Context()) }, true, false, false},
		{"nothing", func(*testing.T, queue.Lease) error { return nil }, true, false, true},
	} {
		synctest.Test(t, func(t *testing.T) {
			q := memory.New(memory.Options{LateWords: true})
			take := func(wait time.Duration) queue.Lease {
				l, _ := q.Lease(t.Context(), ring.Engine, wait)
				return l
			}
			if err := q.Submit(t.Context(), ring); err != nil {
				t.Fatal(err)
			}
			first := take(0)
			if second := take(61 * time.Second); second == nil || second.Tries() != 2 {
				t.Fatal("not handed out again")
			}
			time.Sleep(30 * time.Second)
			if err := c.say(t, first); err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
			if there := q.Len() == 1; there != c.there {
				t.Errorf("%s: still there %v, want %v", c.name, there, c.there)
			}
			third := take(0)
			if (third != nil) != c.atOnce {
				t.Errorf("%s: a third worker has it at once %v, want %v", c.name, third != nil, c.atOnce)
			}
			if third == nil {
				third = take(31 * time.Second)
			}
			if (third != nil) != c.inTime {
				t.Errorf("%s: a third worker has it in time %v, want %v", c.name, third != nil, c.inTime)
			}
		})
	}
}

func TestClear(t *testing.T) {
	q := memory.New(memory.Options{})
	ring := queue.Ring{Engine: "a3f9c0de", Class: queue.Rush, Key: pipeline.DigestOf(nil)}
	for range 2 { // after a loss the same ring may be submitted again
		if err := q.Submit(t.Context(), ring); err != nil || q.Len() != 1 {
			t.Fatalf("%d rings, %v", q.Len(), err)
		}
		q.Clear()
		if q.Len() != 0 {
			t.Error("it remembers")
		}
	}
}
