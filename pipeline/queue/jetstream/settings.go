package jetstream

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

const (
	stream    = "JOBS"
	maxWith   = 200              // keys of 64 digits: 13.4 KB
	maxRing   = 16 << 10         // bytes of a message
	replyWait = 5 * time.Second  // for an answer of the broker
	saidWait  = 10 * time.Second // for the answer to Done, Extend and Retry
	firstPull = 100 * time.Millisecond
	pullGrace = time.Second // the client gives a pull up, without a word, so long after its end
	watchTurn = time.Hour   // for an event; then the watcher asks again
	// mostWaiting is the slots that may wait for a ring at a time. The server
	// never lets a consumer have another bound than at first, so it is one for
	// any number of slots.
	mostWaiting = 4096
)

// Options are what differs between a laptop and a cluster.
type Options struct {
	AckWait   time.Duration // lease time; 0: 60 s
	Slots     int           // jobs that all workers together run at once; 0: 64
	Replicas  int           // of the stream, on as many servers; 0: 3
	MaxBytes  int64         // of the stream; 0: 256 MiB, which is rings for 4,000 slots
	MaxTries  int           // 0: queue.MaxTries
	LeaseOnly bool          // make no stream or consumer: a worker's credentials need not allow it
	AloneFor  time.Duration // how long a name that Alone gave is kept without renewal; 0: 30 s
	// A broker that answers no pull, while the connection is up, for DeafFor
	// is asked for the consumer anew (0: 90 s), and for GiveUp is given up:
	// Dial's lost is called (0: 5 min).
	DeafFor, GiveUp time.Duration
}

func (o Options) filled() Options {
	if o.AckWait == 0 {
		o.AckWait = 60 * time.Second
	}
	if o.Slots == 0 {
		o.Slots = 64
	}
	if o.Replicas == 0 {
		o.Replicas = 3
	}
	if o.MaxBytes == 0 {
		o.MaxBytes = 256 << 20
	}
	if o.MaxTries == 0 {
		o.MaxTries = queue.MaxTries
	}
	if o.AloneFor == 0 {
		o.AloneFor = aloneFor
	}
	if o.DeafFor == 0 {
		o.DeafFor = 90 * time.Second
	}
	if o.GiveUp == 0 {
		o.GiveUp = 5 * time.Minute
	}
	return o
}

func subject(r queue.Ring) string {
	return "job." + queue.Short(r.Engine) + "." + string(r.Class) + "." + string(r.Key)
}

// durable names the consumer of an engine and class.
func durable(engine string, c queue.Class) string { return queue.Short(engine) + "-" + string(c) }

// streamConfig: a full stream refuses new rings and drops no old one.
func (o Options) streamConfig() js.StreamConfig {
	return js.StreamConfig{
		Name:                 stream,
		Subjects:             []string{"job.>"},
		Retention:            js.WorkQueuePolicy,
		Storage:              js.FileStorage,
		Replicas:             o.Replicas,
		Discard:              js.DiscardNew,
		DiscardNewPerSubject: true,
		MaxMsgsPerSubject:    1,
		MaxMsgs:              2_000_000,
		MaxBytes:             o.MaxBytes,
		MaxMsgSize:           maxRing,
		Duplicates:           2 * time.Minute, // unused: rings carry no message ID
		PersistMode:          js.DefaultPersistMode,
		Compression:          js.NoCompression,
	}
}

// consumerConfig: a ring on Retry counts as unacknowledged, so the bound is
// well above the slots; one bad chapter must not stop the others.
func (o Options) consumerConfig(engine string, c queue.Class) js.ConsumerConfig {
	return js.ConsumerConfig{
		Durable:           durable(engine, c),
		FilterSubject:     "job." + queue.Short(engine) + "." + string(c) + ".*",
		AckPolicy:         js.AckExplicitPolicy,
		AckWait:           o.AckWait,
		MaxDeliver:        o.MaxTries,
		MaxAckPending:     4 * o.Slots,
		MaxWaiting:        mostWaiting,
		MaxRequestBatch:   1,
		MaxRequestExpires: 60 * time.Second,
	}
}

func (q *Queue) makeStream(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, replyWait)
	defer cancel()
	if _, err := q.js.CreateOrUpdateStream(ctx, q.o.streamConfig()); err != nil {
		return failed(ctx, "make the broker's stream "+stream, err)
	}
	return nil
}

// JetStream's codes for servers that have no leader yet, or have not all met.
const (
	notReady js.ErrorCode = 10008
	noPeers  js.ErrorCode = 10005
)

// early tells whether err is of servers that are not ready yet, and not one
// that waiting does not mend.
func early(err error) bool {
	var api *js.APIError
	return errors.Is(err, context.DeadlineExceeded) || errors.Is(err, nats.ErrNoResponders) || errors.As(err, &api) && (api.ErrorCode == notReady || api.ErrorCode == noPeers)
}

// makeConsumers makes what an engine's workers pull from, and looks again now
// and then in case the broker lost it.
func (q *Queue) makeConsumers(ctx context.Context, engine string) error {
	if q.o.LeaseOnly {
		return pipeline.Errorf(pipeline.Bug, "", "a queue opened for leasing only was asked to submit")
	}
	q.making.Lock()
	defer q.making.Unlock()
	if at, ok := q.made[engine]; ok && time.Since(at) < again {
		return nil
	}
	for _, class := range []queue.Class{queue.Rush, queue.Overnight} {
		config := q.o.consumerConfig(engine, class)
		_, err := q.js.CreateOrUpdateConsumer(ctx, stream, config)
		if errors.Is(err, js.ErrStreamNotFound) {
			if err = q.makeStream(ctx); err == nil {
				_, err = q.js.CreateOrUpdateConsumer(ctx, stream, config)
			}
		}
		if err != nil {
			return failed(ctx, "make the broker's consumer "+config.Durable, err)
		}
	}
	q.made[engine] = time.Now()
	return nil
}

// makeAll makes everything again.
func (q *Queue) makeAll(ctx context.Context, engine string) error {
	q.making.Lock()
	clear(q.made)
	q.making.Unlock()
	if err := q.makeStream(ctx); err != nil {
		return err
	}
	return q.makeConsumers(ctx, engine)
}
