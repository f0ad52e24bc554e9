package jetstream

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

const engine = "a3f9c0de11"

func ringOf(class queue.Class, n int) queue.Ring {
	return queue.Ring{Engine: engine, Class: class, Key: pipeline.DigestOf(fmt.Append(nil, n))}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func take(t *testing.T, q *Queue) queue.Lease {
	t.Helper()
	l, err := q.Lease(t.Context(), engine, 20*time.Second)
	must(t, err)
	return l
}

// TestSettings compares what the broker says it has with what was decided.
func TestSettings(t *testing.T) {
	q := open(t, embedded(t, t.TempDir()), Options{Slots: 10})
	must(t, q.Submit(t.Context(), ringOf(queue.Rush, 1)))
	s, err := q.js.Stream(t.Context(), "JOBS")
	must(t, err)
	got := s.CachedInfo().Config
	for name, c := range map[string][2]any{
		"subjects":            {got.Subjects, []string{"job.>"}},
		"retention":           {got.Retention, js.WorkQueuePolicy},
		"storage":             {got.Storage, js.FileStorage},
		"replicas":            {got.Replicas, 1},
		"discard":             {got.Discard, js.DiscardNew},
		"discard per subject": {got.DiscardNewPerSubject, true},
		"per subject":         {got.MaxMsgsPerSubject, int64(1)},
		"messages":            {got.MaxMsgs, int64(2_000_000)},
		"bytes":               {got.MaxBytes, int64(128 << 20)},
		"message bytes":       {got.MaxMsgSize, int32(16 << 10)},
		"age":                 {got.MaxAge, time.Duration(0)},
		"direct":              {got.AllowDirect, false},
		"persistence":         {got.PersistMode, js.DefaultPersistMode},
		"compression":         {got.Compression, js.NoCompression},
	} {
		if !reflect.DeepEqual(c[0], c[1]) {
			t.Errorf("stream: %s is %v, want %v", name, c[0], c[1])
		}
	}
	for _, class := range []string{"rush", "overnight"} {
		c, err := s.Consumer(t.Context(), "a3f9c0de-"+class)
		must(t, err)
		got := c.CachedInfo().Config
		for name, c := range map[string][2]any{
			"subject":           {got.FilterSubject, "job.a3f9c0de." + class + ".*"},
			"acknowledgement":   {got.AckPolicy, js.AckExplicitPolicy},
			"lease time":        {got.AckWait, 60 * time.Second},
			"deliveries":        {got.MaxDeliver, 20},
			"back-off":          {len(got.BackOff), 0},
			"unacknowledged":    {got.MaxAckPending, 40},
			"waiting pulls":     {got.MaxWaiting, 4096},
			"batch":             {got.MaxRequestBatch, 1},
			"longest pull":      {got.MaxRequestExpires, 60 * time.Second},
			"removed when idle": {got.InactiveThreshold, time.Duration(0)},
			"in memory":         {got.MemoryStorage, false},
		} {
			if c[0] != c[1] {
				t.Errorf("consumer of %s: %s is %v, want %v", class, name, c[0], c[1])
			}
		}
	}
	cluster := Options{}.filled().streamConfig()
	if cluster.Replicas != 3 || cluster.MaxBytes != 256<<20 {
		t.Errorf("on a cluster: %d replicas, %d bytes", cluster.Replicas, cluster.MaxBytes)
	}
	// Rings carry no message ID.
	msg, err := s.GetLastMsgForSubject(t.Context(), subject(ringOf(queue.Rush, 1)))
	must(t, err)
	if id := msg.Header.Get(nats.MsgIdHdr); id != "" {
		t.Errorf("a ring has message ID %q", id)
	}
}

// TestOtherSlots: a coordinator that is told of other slots goes on with what
// an earlier one made at the broker.
func TestOtherSlots(t *testing.T) {
	t.Parallel()
	s := embedded(t, t.TempDir())
	for n, slots := range []int{4, 64, 1} {
		q := open(t, s, Options{Slots: slots})
		must(t, q.Submit(t.Context(), ringOf(queue.Overnight, n)))
		c, err := q.js.Consumer(t.Context(), stream, durable(ringOf(queue.Overnight, n).Engine, queue.Overnight))
		must(t, err)
		if got := c.CachedInfo().Config.MaxAckPending; got != 4*slots {
			t.Errorf("%d rings may be out at a time, want %d", got, 4*slots)
		}
	}
}

// TestRestart: rings and their tries are still there after a restart.
func TestRestart(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s, err := Embedded(dir)
	must(t, err)
	q, err := s.open(t.Context(), Options{AckWait: time.Second})
	must(t, err)
	for n := range 20 {
		must(t, q.Submit(t.Context(), ringOf(queue.Overnight, n)))
	}
	take(t, q) // and its worker is gone
	must(t, take(t, q).Done(t.Context()))
	q.Close()
	s.Close()

	q = open(t, embedded(t, dir), Options{AckWait: time.Second})
	tries := map[int]int{}
	for range 19 {
		l := take(t, q)
		tries[l.Tries()]++
		must(t, l.Done(t.Context()))
	}
	if tries[1] != 18 || tries[2] != 1 {
		t.Errorf("tries after a restart: %v, want 18 first and 1 second", tries)
	}
	if _, err := q.Lease(t.Context(), engine, 0); !errors.Is(err, queue.ErrEmpty) {
		t.Errorf("Lease: %v, want ErrEmpty", err)
	}
}

// TestStoreLost takes stream or consumers away under a running queue.
func TestStoreLost(t *testing.T) {
	t.Parallel()
	for name, lose := range map[string]func(context.Context, *Queue) error{
		"stream": func(ctx context.Context, q *Queue) error { return q.js.DeleteStream(ctx, stream) },
		"consumer": func(ctx context.Context, q *Queue) error {
			q.making.Lock()
			defer q.making.Unlock()
			clear(q.made) // as after a minute
			return q.js.DeleteConsumer(ctx, stream, durable(engine, queue.Overnight))
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			q := open(t, embedded(t, t.TempDir()), Options{})
			must(t, q.Submit(t.Context(), ringOf(queue.Overnight, 1)))
			held := take(t, q)
			must(t, lose(t.Context(), q))
			if err := held.Done(t.Context()); pipeline.KindOf(err) != pipeline.Infra {
				t.Errorf("Done on a broker that lost it: %v, want kind infra", err)
			}
			if _, err := q.Lease(t.Context(), engine, 300*time.Millisecond); !errors.Is(err, queue.ErrEmpty) {
				t.Errorf("Lease: %v, want ErrEmpty", err)
			}
			waiting := make(chan error, 1)
			go func() {
				l, err := q.Lease(t.Context(), engine, 20*time.Second)
				if err == nil {
					err = l.Done(t.Context())
				}
				waiting <- err
			}()
			must(t, q.Submit(t.Context(), ringOf(queue.Overnight, 2)))
			must(t, <-waiting)
			must(t, q.Withdraw(t.Context(), ringOf(queue.Overnight, 3)))
		})
	}
}

// TestFull: a full stream is an error, not taken for a ring that is there
// already, and loses nothing.
func TestFull(t *testing.T) {
	q := open(t, embedded(t, t.TempDir()), Options{MaxBytes: 2000})
	n := 0
	var err error
	for ; n < 100 && err == nil; n++ {
		err = q.Submit(t.Context(), ringOf(queue.Overnight, n))
	}
	n-- // the last was refused
	if pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(fmt.Sprint(err), "queue is full") || n < 3 {
		t.Fatalf("ring %d: %v", n, err)
	}
	must(t, take(t, q).Done(t.Context()))
	must(t, q.Submit(t.Context(), ringOf(queue.Overnight, n)))
	for range n {
		must(t, take(t, q).Done(t.Context()))
	}
}

// TestSilence: once a lease may be over, nothing at all is sent.
func TestSilence(t *testing.T) {
	t.Parallel()
	o := Options{AckWait: 3 * time.Second}
	s := embedded(t, t.TempDir())
	q := open(t, s, o)
	must(t, q.Submit(t.Context(), ringOf(queue.Overnight, 1)))
	said, err := q.nc.SubscribeSync("$JS.ACK.>")
	must(t, err)
	l := take(t, q)
	must(t, l.Extend(t.Context()))
	if msg, err := said.NextMsg(time.Minute); err != nil || string(msg.Data) != sayExtend {
		t.Fatalf("heard no Extend: %v", err)
	}
	time.Sleep(o.filled().leaseTime())
	for _, err := range []error{l.Extend(t.Context()), l.Retry(t.Context(), 0), l.Done(t.Context())} {
		if !errors.Is(err, queue.ErrLost) {
			t.Errorf("%v, want ErrLost", err)
		}
	}
	must(t, q.nc.Flush())
	if n, _, _ := said.Pending(); n != 0 {
		t.Errorf("%d messages were sent", n)
	}
}

// TestStoppedBeforeDelivery: a message that was asked for too long ago is no
// lease, however fresh it looks to a process that was stopped meanwhile.
func TestStoppedBeforeDelivery(t *testing.T) {
	t.Parallel()
	o := Options{AckWait: 3 * time.Second}
	q := open(t, embedded(t, t.TempDir()), o)
	must(t, q.Submit(t.Context(), ringOf(queue.Overnight, 1)))
	c, err := q.consumer(t.Context(), durable(engine, queue.Overnight))
	must(t, err)
	asked := time.Now()
	batch, err := fetch(c, 500*time.Millisecond)
	must(t, err)
	time.Sleep(o.filled().leaseTime())
	if l, err := q.lease(t.Context(), <-batch.Messages(), asked); l != nil || err != nil {
		t.Errorf("leased %v, %v; want nothing", l, err)
	}
	if l := take(t, q); l.Tries() != 2 {
		t.Errorf("tries %d, want 2", l.Tries())
	}
}

// TestBrokerGone: without a broker everything fails, soon and by name.
func TestBrokerGone(t *testing.T) {
	t.Parallel()
	s := embedded(t, t.TempDir())
	q := open(t, s, Options{})
	must(t, q.Submit(t.Context(), ringOf(queue.Overnight, 1)))
	l := take(t, q)
	s.Close()
	for q.nc.IsConnected() {
		time.Sleep(time.Millisecond)
	}
	_, leaseErr := q.Lease(t.Context(), engine, 300*time.Millisecond)
	for name, err := range map[string]error{
		"Extend": l.Extend(t.Context()), "Done": l.Done(t.Context()), "Lease": leaseErr,
		"Submit": q.Submit(t.Context(), ringOf(queue.Overnight, 2)), "Withdraw": q.Withdraw(t.Context(), ringOf(queue.Overnight, 2)),
	} {
		if pipeline.KindOf(err) != pipeline.Infra || errors.Is(err, queue.ErrEmpty) || errors.Is(err, queue.ErrLost) || err == nil {
			t.Errorf("%s: %v, want an error of kind infra", name, err)
		}
	}
	q.Events(engine).Say(queue.Event{}) // nobody hears it
}

// TestForeignMessage: what is no ring is named, and stops no other.
func TestForeignMessage(t *testing.T) {
	q := open(t, embedded(t, t.TempDir()), Options{})
	good := ringOf(queue.Rush, 1)
	must(t, q.makeConsumers(t.Context(), engine))
	_, err := q.js.Publish(t.Context(), subject(good), []byte("{}"))
	must(t, err)
	err = queue.ErrEmpty
	for end := time.Now().Add(20 * time.Second); errors.Is(err, queue.ErrEmpty) && time.Now().Before(end); { // a busy broker delivers later
		_, err = q.Lease(t.Context(), engine, 0)
	}
	if pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(fmt.Sprint(err), "is no ring") {
		t.Errorf("Lease: %v", err)
	}
	must(t, q.Submit(t.Context(), ringOf(queue.Rush, 2)))
	must(t, take(t, q).Done(t.Context()))
	must(t, q.Withdraw(t.Context(), good))
	must(t, q.Submit(t.Context(), good))
	must(t, take(t, q).Done(t.Context()))
}

// workerMay is all that a worker's credentials have to allow.
var workerMay = server.Permissions{
	Publish: &server.SubjectPermission{Allow: []string{
		"$JS.API.CONSUMER.INFO.JOBS.*", "$JS.API.CONSUMER.MSG.NEXT.JOBS.*", "$JS.ACK.JOBS.>", "evt.*",
	}},
	Subscribe: &server.SubjectPermission{Allow: []string{"_INBOX_w.w1.>"}},
}

// TestWorkersCredentials: a worker can work with these, and ring for nothing.
func TestWorkersCredentials(t *testing.T) {
	t.Parallel()
	s, err := start(&server.Options{StoreDir: t.TempDir(), Users: []*server.User{
		{Username: "coordinator", Password: "c"}, {Username: "w1", Password: "w", Permissions: &workerMay},
	}})
	must(t, err)
	t.Cleanup(s.Close)
	refused := make(chan error, 100)
	as := func(user, password string, o Options) *Queue {
		nc, err := Dial("", user, func(err error) { refused <- err }, nats.InProcessServer(s.s), nats.UserInfo(user, password))
		must(t, err)
		o.Replicas, o.MaxBytes = 1, 1<<20
		q, err := Connect(t.Context(), nc, o)
		must(t, err)
		t.Cleanup(q.Close)
		return q
	}
	worker := as("w1", "w", Options{LeaseOnly: true})
	if _, err := worker.Lease(t.Context(), engine, 200*time.Millisecond); !errors.Is(err, queue.ErrEmpty) {
		t.Errorf("Lease before any ring: %v, want ErrEmpty", err)
	}
	coordinator := as("coordinator", "c", Options{})
	heard := make(chan queue.Event, 10)
	stop, err := coordinator.Events(engine).Watch(func(e queue.Event) { heard <- e })
	must(t, err)
	defer stop()
	must(t, coordinator.Submit(t.Context(), ringOf(queue.Rush, 1)))
	l := take(t, worker)
	must(t, l.Extend(t.Context()))
	must(t, l.Retry(t.Context(), 0))
	must(t, take(t, worker).Done(t.Context()))
	worker.Events(engine).Say(queue.Event{Worker: "w1"})
	if e := <-heard; e.Worker != "w1" {
		t.Errorf("heard %+v", e)
	}
	if len(refused) != 0 {
		t.Errorf("the broker refused: %v", <-refused)
	}
	if err := worker.Submit(t.Context(), ringOf(queue.Rush, 2)); pipeline.KindOf(err) != pipeline.Bug {
		t.Errorf("Submit by a worker: %v, want kind bug", err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	if err := worker.publish(ctx, ringOf(queue.Rush, 2), []byte("{}")); err == nil {
		t.Error("a worker could ring")
	}
	if err := <-refused; !strings.Contains(fmt.Sprint(err), "refuses") {
		t.Errorf("refused: %v", err)
	}
}

func TestConnect(t *testing.T) {
	t.Parallel()
	s := embedded(t, t.TempDir())
	buffering, err := nats.Connect("", nats.InProcessServer(s.s))
	must(t, err)
	defer buffering.Close()
	if _, err := Connect(t.Context(), buffering, Options{}); pipeline.KindOf(err) != pipeline.Bug {
		t.Errorf("a connection that buffers: %v, want kind bug", err)
	}
	nobody, err := Dial("nats://127.0.0.1:1", "w1", func(error) {})
	must(t, err)
	defer nobody.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	if _, err := Connect(ctx, nobody, Options{}); pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(fmt.Sprint(err), "127.0.0.1:1") {
		t.Errorf("nobody there: %v", err)
	}
	for version, ok := range map[string]bool{
		"2.14.0": true, "2.15.2": true, "3.0.0": true, "2.14.5-RC.1": true, "2.13.9": false, "2.10.22": false, "1.99.0": false, "": false, "dev": false,
	} {
		if err := recent(version); (err == nil) != ok {
			t.Errorf("server %q: %v", version, err)
		}
	}
}

func TestEmbeddedWhereItCant(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	must(t, os.WriteFile(file, nil, 0o644))
	if _, err := Embedded(file); pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(fmt.Sprint(err), file) {
		t.Errorf("in a file: %v", err)
	}
}

// TestLateWords says what the leases of this package never do, and finds the
// broker as queue/memory's LateWords has it: it can't tell deliveries apart.
func TestLateWords(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		say          string
		there, again bool // the ring is still there; a third worker gets it at once
	}{
		{sayDone, false, false}, {sayRetry, true, true}, {sayExtend, true, false},
	} {
		q := open(t, embedded(t, t.TempDir()), Options{AckWait: 3 * time.Second})
		r := ringOf(queue.Overnight, 1)
		must(t, q.Submit(t.Context(), r))
		first, ok := take(t, q).(*lease)
		if second := take(t, q); !ok || second.Tries() != 2 {
			t.Fatalf("tries %d, want 2", second.Tries())
		}
		_, err := q.nc.Request(first.msg.Reply(), []byte(c.say), replyWait)
		must(t, err)
		s, err := q.js.Stream(t.Context(), stream)
		must(t, err)
		if there := s.CachedInfo().State.Msgs == 1; there != c.there {
			t.Errorf("late %s: the ring is there %v, want %v", c.say, there, c.there)
		}
		wait := 50 * time.Millisecond
		if c.again {
			wait = time.Second // the second's time is not over then
		}
		if _, err := q.Lease(t.Context(), engine, wait); (err == nil) != c.again {
			t.Errorf("late %s: a third worker: %v", c.say, err)
		}
	}
}
