package jetstream

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

// TestDeafBroker cuts what is asked of a consumer off from it, as a broken
// consumer is: connected, and never an answer.
func TestDeafBroker(t *testing.T) {
	t.Parallel()
	s := embedded(t, t.TempDir())
	lost := make(chan error, 10)
	nc, err := Dial("", "w1", func(err error) { lost <- err }, nats.InProcessServer(s.s))
	must(t, err)
	o := Options{Replicas: 1, MaxBytes: 1 << 20, DeafFor: 4 * time.Second, GiveUp: 7 * time.Second} // two unanswered looks take 2 s
	q, err := Connect(t.Context(), nc, o)
	must(t, err)
	t.Cleanup(q.Close)
	must(t, q.Submit(t.Context(), ringOf(queue.Rush, 1)))
	must(t, take(t, q).Done(t.Context()))

	account := s.s.GlobalAccount()
	const asked = "$JS.API.CONSUMER.MSG.NEXT.JOBS.*"
	hole, err := nc.SubscribeSync("hole.*") // someone listens, and says nothing
	must(t, err)
	must(t, account.AddMapping(asked, "hole.$1"))
	handle := func() any {
		q.mu.Lock()
		defer q.mu.Unlock()
		return q.pulls[durable(engine, queue.Rush)]
	}
	before := handle()
	began := time.Now()
	for {
		_, err := q.Lease(t.Context(), engine, 1200*time.Millisecond)
		if errors.Is(err, queue.ErrEmpty) && time.Since(began) < 3*o.DeafFor {
			continue
		}
		if !errors.Is(err, errDeaf) || pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(err.Error(), "a3f9c0de-") {
			t.Fatalf("Lease: %v, want errDeaf", err)
		}
		break
	}
	if took := time.Since(began); took < o.DeafFor {
		t.Errorf("named after %v, before %v", took, o.DeafFor)
	}
	if n, _, _ := hole.Pending(); n < 2 || len(lost) != 0 {
		t.Errorf("%d pulls were unanswered; %d times given up", n, len(lost))
	}
	for len(lost) == 0 && time.Since(began) < 3*o.GiveUp {
		_, _ = q.Lease(t.Context(), engine, 1200*time.Millisecond)
	}
	select {
	case err := <-lost:
		if !errors.Is(err, errDeaf) {
			t.Errorf("given up for %v", err)
		}
	default:
		t.Fatal("never given up")
	}
	if took := time.Since(began); took < o.GiveUp {
		t.Errorf("given up after %v, before %v", took, o.GiveUp)
	}
	if handle() == before {
		t.Error("the consumer's handle is the one that got no answer")
	}
	if len(lost) > 1 {
		t.Errorf("%d times more than once for each consumer", len(lost))
	}

	// Answered again, all is forgotten.
	if !account.RemoveMapping(asked) {
		t.Fatal("nothing was cut off")
	}
	must(t, q.Submit(t.Context(), ringOf(queue.Overnight, 1)))
	must(t, take(t, q).Done(t.Context()))
	if _, err := q.Lease(t.Context(), engine, 0); !errors.Is(err, queue.ErrEmpty) || len(q.silences) != 0 {
		t.Errorf("Lease: %v, silences %v", err, q.silences)
	}
}

// TestSilences counts what the watchdog counts.
func TestSilences(t *testing.T) {
	t.Parallel()
	q := open(t, embedded(t, t.TempDir()), Options{DeafFor: time.Minute, GiveUp: 5 * time.Minute})
	var told []error
	q.nc.SetErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { told = append(told, err) })
	ago := func(d time.Duration) time.Time { return time.Now().Add(-d) }
	for name, c := range map[string]struct {
		pulls []time.Duration // ago, of pulls without an answer
		deaf  bool
		told  int
	}{
		"one":                        {pulls: []time.Duration{time.Second}},
		"one that took long":         {pulls: []time.Duration{2 * time.Minute}, deaf: true},
		"a minute of them":           {pulls: []time.Duration{61 * time.Second, 30 * time.Second, time.Second}, deaf: true},
		"two with nothing between":   {pulls: []time.Duration{10 * time.Minute, time.Second}},
		"five minutes":               {pulls: []time.Duration{301 * time.Second, 250 * time.Second, 200 * time.Second, 150 * time.Second, 100 * time.Second, 50 * time.Second, time.Second}, deaf: true, told: 1},
		"seconds before they are up": {pulls: []time.Duration{295 * time.Second, 250 * time.Second, 200 * time.Second, 150 * time.Second, 100 * time.Second, 50 * time.Second, time.Second}, deaf: true},
	} {
		told = nil
		var err error
		if len(c.pulls) > 1 { // what went before, without the clock
			q.silences[name] = silence{since: ago(c.pulls[0]), last: ago(c.pulls[len(c.pulls)-2])}
		}
		err = q.unanswered(name, ago(c.pulls[len(c.pulls)-1]))
		if errors.Is(err, errDeaf) != c.deaf || len(told) != c.told {
			t.Errorf("%s: %v, told %v", name, err, told)
		}
		q.answered(name)
	}
	if len(q.silences) != 0 {
		t.Errorf("left: %v", q.silences)
	}
}

// TestDownIsNotDeaf: while there is no connection nobody is given up.
func TestDownIsNotDeaf(t *testing.T) {
	t.Parallel()
	s := embedded(t, t.TempDir())
	lost := make(chan error, 10)
	nc, err := Dial("", "w1", func(err error) { lost <- err }, nats.InProcessServer(s.s))
	must(t, err)
	q, err := Connect(t.Context(), nc, Options{Replicas: 1, MaxBytes: 1 << 20, DeafFor: time.Millisecond, GiveUp: 2 * time.Millisecond})
	must(t, err)
	t.Cleanup(q.Close)
	must(t, q.Submit(t.Context(), ringOf(queue.Rush, 1)))
	s.Close()
	for q.nc.IsConnected() {
		time.Sleep(time.Millisecond)
	}
	if _, err := q.Lease(t.Context(), engine, 500*time.Millisecond); errors.Is(err, errDeaf) || pipeline.KindOf(err) != pipeline.Infra {
		t.Errorf("Lease: %v", err)
	}
	if len(lost) != 0 {
		t.Errorf("given up: %v", <-lost)
	}
}

// TestEarly connects to servers that can't make a stream yet.
func TestEarly(t *testing.T) {
	t.Parallel()
	s := embedded(t, t.TempDir())
	account := s.s.GlobalAccount()
	hole, err := nats.Connect("", nats.InProcessServer(s.s))
	must(t, err)
	defer hole.Close()
	asked, err := hole.SubscribeSync("hole.>")
	must(t, err)
	must(t, hole.Flush())
	const making = "$JS.API.STREAM.*.JOBS"
	must(t, account.AddMapping(making, "hole.$1"))
	connected := make(chan error, 1)
	dial := func(ctx context.Context) error {
		nc, err := Dial("", "c1", func(error) {}, nats.InProcessServer(s.s))
		must(t, err)
		q, err := Connect(ctx, nc, Options{Replicas: 1, MaxBytes: 1 << 20})
		if err != nil {
			nc.Close()
			return err
		}
		q.Close()
		return nil
	}
	go func() { connected <- dial(t.Context()) }()
	if _, err := asked.NextMsg(time.Minute); err != nil {
		t.Fatal("nobody asked for the stream")
	}
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second) // it is connected by then
	defer cancel()
	if err := dial(ctx); pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(err.Error(), "stream JOBS") {
		t.Errorf("out of patience: %v", err)
	}
	account.RemoveMapping(making)
	must(t, <-connected)
	full, err := s.open(t.Context(), Options{MaxBytes: 1 << 40})
	if err == nil {
		full.Close()
		t.Error("a stream that the server has no room for is waited for or made")
	}
}
