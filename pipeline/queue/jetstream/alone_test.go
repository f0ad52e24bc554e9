package jetstream

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"

	"chapterhouse/pipeline"
)

// shortAlone is a lease that tests can wait for, and a busy machine can renew.
var shortAlone = Options{AloneFor: 4 * time.Second}

type held struct {
	lost    <-chan struct{}
	release func()
	err     error
}

func alone(ctx context.Context, q *Queue) held {
	lost, release, err := q.Alone(ctx, "coordinator")
	return held{lost, release, err}
}

func waitFor(t *testing.T, c <-chan struct{}, what string) {
	t.Helper()
	select {
	case <-c:
	case <-time.After(time.Minute):
		t.Fatalf("waited in vain: %s", what)
	}
}

func expectHeld(t *testing.T, h held) {
	t.Helper()
	must(t, h.err)
	select {
	case <-h.lost:
		t.Fatal("lost what nobody else wants")
	default:
	}
}

// TestAlone hands a name from one to the next, at a release and after a death.
func TestAlone(t *testing.T) {
	t.Parallel()
	s := embedded(t, t.TempDir())
	first, second := open(t, s, shortAlone), open(t, s, shortAlone)
	h := alone(t.Context(), first)
	expectHeld(t, h)
	next := make(chan held, 1)
	go func() { next <- alone(t.Context(), second) }()
	select {
	case <-next:
		t.Fatal("two hold one name")
	case <-time.After(3 * shortAlone.AloneFor / 2): // renewed meanwhile
	}
	expectHeld(t, h)
	h.release()
	h.release() // once more is no harm
	after := <-next
	expectHeld(t, after)

	// The second dies: nobody renews. Another gets it when its time is over.
	died := time.Now()
	second.Close()
	waitFor(t, after.lost, "lost when the connection is gone")
	third := alone(t.Context(), first)
	expectHeld(t, third)
	if took := time.Since(died); took < shortAlone.AloneFor/3 {
		t.Errorf("a name was free %v after its holder died", took)
	}
	third.release()
	after.release() // says nothing to anybody
}

// TestAloneManyWant: of many who want it, one has it at any time.
func TestAloneManyWant(t *testing.T) {
	t.Parallel()
	s := embedded(t, t.TempDir())
	var holders, most atomic.Int32
	done := make(chan error, 6)
	for range cap(done) {
		q := open(t, s, shortAlone)
		go func() {
			h := alone(t.Context(), q)
			if h.err == nil {
				if n := holders.Add(1); n > most.Load() {
					most.Store(n)
				}
				time.Sleep(30 * time.Millisecond)
				holders.Add(-1)
				h.release()
			}
			done <- h.err
		}()
	}
	for range cap(done) {
		must(t, <-done)
	}
	if most.Load() != 1 {
		t.Errorf("%d held one name at a time", most.Load())
	}
}

// TestAlonePaused: a holder that stood still for longer than its time finds
// that it lost the name, and its late words change nothing.
func TestAlonePaused(t *testing.T) {
	t.Parallel()
	s := embedded(t, t.TempDir())
	first, second := open(t, s, shortAlone), open(t, s, shortAlone)
	ctx := t.Context()
	// A holding whose renew does not run is what a stopped process has.
	stopped, err := first.take(ctx, "coordinator")
	must(t, err)
	h := alone(ctx, second)
	expectHeld(t, h)
	entry := func() js.KeyValueEntry {
		kv, err := second.js.KeyValue(ctx, bucket)
		must(t, err)
		e, err := kv.Get(ctx, "coordinator")
		must(t, err)
		return e
	}
	if e := entry(); e.Revision() <= stopped.revision {
		t.Errorf("revision %d after %d: it must rise from holder to holder", e.Revision(), stopped.revision)
	}
	for name, until := range map[string]time.Time{
		"by its own clock": stopped.until,
		"by the broker":    time.Now().Add(time.Hour), // as if the clock had been set
	} {
		again := *stopped
		again.until = until
		again.lost, again.stop, again.stopped = make(chan struct{}), make(chan struct{}), make(chan struct{})
		go again.renew(shortAlone.AloneFor / 3)
		waitFor(t, again.lost, name)
		again.release()
	}
	if string(entry().Value()) != second.nc.Opts.Name {
		t.Errorf("the name is %s's", entry().Value())
	}
	time.Sleep(shortAlone.AloneFor)
	expectHeld(t, h)
	h.release()
}

// hold is a process that holds a name until it is lost, and says both.
func hold(url string) error {
	nc, err := Dial(url, "first", func(error) {})
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Minute)
	defer cancel()
	q, err := Connect(ctx, nc, Options{Replicas: 1, MaxBytes: 1 << 20, AloneFor: shortAlone.AloneFor})
	if err != nil {
		return err
	}
	defer q.Close()
	lost, release, err := q.Alone(ctx, "coordinator")
	if err != nil {
		return err
	}
	defer release()
	fmt.Println("held")
	<-lost
	fmt.Println("lost")
	return nil
}

// TestAloneProcessStopped stops a whole process that holds the name: another
// gets it, and the first learns that when it goes on.
func TestAloneProcessStopped(t *testing.T) {
	t.Parallel()
	s := serving(t, &server.Options{StoreDir: t.TempDir(), JetStream: true, JetStreamMaxMemory: embeddedMemory, JetStreamMaxStore: embeddedStore})
	url := "nats://" + s.Addr().String()
	first := exec.Command(os.Args[0])
	first.Env = append(os.Environ(), roleVar+"=hold", urlVar+"="+url)
	first.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	out, err := first.StdoutPipe()
	must(t, err)
	must(t, first.Start())
	defer first.Process.Kill()
	said := bufio.NewScanner(out)
	expect := func(word string) {
		t.Helper()
		if !said.Scan() || said.Text() != word {
			t.Fatalf("it says %q, want %q", said.Text(), word)
		}
	}
	expect("held")
	nc, err := Dial(url, "second", func(error) {})
	must(t, err)
	q, err := Connect(t.Context(), nc, Options{Replicas: 1, MaxBytes: 1 << 20, AloneFor: shortAlone.AloneFor})
	must(t, err)
	t.Cleanup(q.Close)
	must(t, first.Process.Signal(syscall.SIGSTOP))
	h := alone(t.Context(), q)
	expectHeld(t, h)
	must(t, first.Process.Signal(syscall.SIGCONT))
	expect("lost")
	must(t, first.Wait())
	expectHeld(t, h)
	h.release()
}

// TestAloneBrokerLost: a broker that lost its store, or is gone, ends it.
func TestAloneBrokerLost(t *testing.T) {
	t.Parallel()
	s := embedded(t, t.TempDir())
	q := open(t, s, shortAlone)
	h := alone(t.Context(), q)
	expectHeld(t, h)
	must(t, q.js.DeleteKeyValue(t.Context(), bucket))
	waitFor(t, h.lost, "lost with the bucket")
	h.release()
	h = alone(t.Context(), q) // in a new bucket
	expectHeld(t, h)
	s.Close()
	waitFor(t, h.lost, "lost with the broker")
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if h := alone(ctx, q); pipeline.KindOf(h.err) != pipeline.Infra {
		t.Errorf("without a broker: %v, want kind infra", h.err)
	}
}

func TestAloneGivenUp(t *testing.T) {
	t.Parallel()
	s := embedded(t, t.TempDir())
	q := open(t, s, shortAlone)
	h := alone(t.Context(), q)
	expectHeld(t, h)
	defer h.release()
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(100*time.Millisecond, cancel)
	if h := alone(ctx, q); !errors.Is(h.err, context.Canceled) {
		t.Errorf("canceled: %v", h.err)
	}
	ctx, cancel = context.WithTimeout(t.Context(), 3*time.Second) // the broker has answered once by then
	defer cancel()
	if h := alone(ctx, q); pipeline.KindOf(h.err) != pipeline.Infra || !strings.Contains(h.err.Error(), "another process holds coordinator") {
		t.Errorf("in vain: %v", h.err)
	}
	kv, err := q.js.KeyValue(t.Context(), bucket)
	must(t, err)
	status, err := kv.Status(t.Context())
	must(t, err)
	if status.TTL() != shortAlone.AloneFor || (Options{}).filled().AloneFor != 30*time.Second {
		t.Errorf("TTL %v, by default %v", status.TTL(), Options{}.filled().AloneFor)
	}
	if e, err := kv.Get(t.Context(), "coordinator"); err != nil || e.Operation() != js.KeyValuePut || nats.InboxPrefix == q.nc.Opts.InboxPrefix {
		t.Errorf("entry %v, %v", e, err)
	}
}
