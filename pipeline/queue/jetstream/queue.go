// Package jetstream rings over NATS JetStream, on a cluster or on a server in
// this process. The stream is a work queue in which each ring is a subject of
// its own, job.<engine>.<class>.<key>, that can hold one message: so a ring is
// there once, waiting or leased. Nothing in it needs to survive: a coordinator
// makes a lost stream again and rings for what has no commit.
//
// What it stays away from, because each has lost or delayed work: message IDs
// (a ring that was withdrawn would be swallowed as a duplicate), BackOff (it
// replaces AckWait), prefetching, Term, and acknowledgements that wait in a
// buffer while the connection is down.
package jetstream

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

// Queue is a queue.Queue over one connection.
type Queue struct {
	nc       *nats.Conn
	js       js.JetStream
	o        Options
	out      atomic.Int64 // rings handed out
	late     sync.WaitGroup
	making   sync.Mutex // held while streams and consumers are made
	made     map[string]time.Time
	mu       sync.Mutex
	pulls    map[string]js.Consumer // by durable
	silences map[string]silence     // by durable
}

// again is how long a consumer that was seen counts as being there.
const again = time.Minute

// Connect uses a connection made by Dial or a Server, waits for it to be up,
// and makes the stream, as soon as servers that have just started can.
func Connect(ctx context.Context, nc *nats.Conn, o Options) (*Queue, error) {
	if nc.Opts.ReconnectBufSize >= 0 {
		return nil, pipeline.Errorf(pipeline.Bug, "", "the connection buffers while it is down, so a lease could seem extended when it is not: use Dial")
	}
	if err := up(ctx, nc); err != nil {
		return nil, err
	}
	if err := recent(nc.ConnectedServerVersion()); err != nil {
		return nil, err
	}
	api, err := js.New(nc)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Infra, "use JetStream", "%w", err)
	}
	q := &Queue{nc: nc, js: api, o: o.filled(), made: map[string]time.Time{}, pulls: map[string]js.Consumer{}, silences: map[string]silence{}}
	if o.LeaseOnly {
		return q, nil
	}
	for {
		err := q.makeStream(ctx)
		if err == nil {
			return q, nil
		}
		if ctx.Err() != nil || !early(err) {
			return nil, err
		}
		sleep(ctx, time.Second)
	}
}

// Connected tells whether the broker is there at this moment.
func (q *Queue) Connected() bool { return q.nc.IsConnected() }

// Close ends the connection, after it has given back rings that came for
// a Lease that nobody waited for any longer.
func (q *Queue) Close() {
	q.late.Wait()
	q.nc.SetClosedHandler(nil) // it is no loss
	q.nc.Close()
}

// Submit publishes a ring.
func (q *Queue) Submit(ctx context.Context, r queue.Ring) error {
	if err := queue.CheckRing(r); err != nil {
		return err
	}
	r.With = r.With[:min(len(r.With), maxWith)]
	body, err := json.Marshal(r)
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "ring", "%w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, replyWait)
	defer cancel()
	if err := q.makeConsumers(ctx, r.Engine); err != nil {
		return err
	}
	err = q.publish(ctx, r, body)
	if errors.Is(err, js.ErrNoStreamResponse) || errors.Is(err, js.ErrStreamNotFound) {
		// The broker lost its store. What it knew is asked for again.
		if err := q.makeAll(ctx, r.Engine); err != nil {
			return err
		}
		err = q.publish(ctx, r, body)
	}
	if err != nil {
		return failed(ctx, "ring for "+r.Key.Short(), err)
	}
	return nil
}

func (q *Queue) publish(ctx context.Context, r queue.Ring, body []byte) error {
	_, err := q.js.PublishMsg(ctx, &nats.Msg{Subject: subject(r), Data: body}, js.WithExpectStream(stream))
	var api *js.APIError
	if errors.As(err, &api) && api.ErrorCode == storeFailed {
		if strings.Contains(api.Description, "per subject") {
			return nil // it is there already
		}
		return fmt.Errorf("the broker's queue is full (%s); it drains as chapters are done", api.Description)
	}
	return err
}

// storeFailed is JetStream's code for all limits of a stream; which one it
// was stands in the description.
const storeFailed js.ErrorCode = 10077

// Withdraw purges a ring's subject.
func (q *Queue) Withdraw(ctx context.Context, r queue.Ring) error {
	if err := queue.CheckRing(r); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, replyWait)
	defer cancel()
	s, err := q.js.Stream(ctx, stream)
	if err == nil {
		err = s.Purge(ctx, js.WithPurgeSubject(subject(r)))
	}
	if err != nil && !errors.Is(err, js.ErrStreamNotFound) {
		return failed(ctx, "withdraw the ring for "+r.Key.Short(), err)
	}
	return nil
}

// Lease looks at the first class, waits a little at the second, and so on.
// The waits grow, so that idle workers ask seldom.
func (q *Queue) Lease(ctx context.Context, engine string, wait time.Duration) (queue.Lease, error) {
	if err := queue.CheckEngine(engine); err != nil {
		return nil, err
	}
	end := time.Now().Add(wait)
	for pull := firstPull; ; pull *= 2 {
		pull = min(pull, q.o.AckWait/12, time.Until(end))
		order := queue.Order(q.out.Load())
		l, err := q.pull(ctx, durable(engine, order[0]), 0)
		if l == nil && ctx.Err() == nil {
			var second error
			l, second = q.pull(ctx, durable(engine, order[1]), pull)
			err = errors.Join(err, second)
		}
		switch {
		case l != nil:
			q.out.Add(1)
			return l, nil
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case time.Until(end) <= 0 && err != nil:
			return nil, failed(ctx, "wait for a ring", err)
		case time.Until(end) <= 0:
			return nil, queue.ErrEmpty
		case err != nil, !q.known(durable(engine, order[1])):
			// No pull has waited: it failed, or nobody has rung for this engine yet.
			sleep(ctx, min(pull, time.Until(end)))
		}
	}
}

// pull asks one consumer for one ring, waiting up to wait. Neither a lease nor
// an error: there was none.
func (q *Queue) pull(ctx context.Context, name string, wait time.Duration) (queue.Lease, error) {
	asked := time.Now()
	c, err := q.consumer(ctx, name)
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case err != nil:
		return nil, errors.Join(err, q.unanswered(name, asked))
	case c == nil:
		q.answered(name)
		return nil, nil
	}
	asked = time.Now()
	batch, err := fetch(c, wait)
	if err != nil {
		q.forget(name)
		return nil, errors.Join(err, q.unanswered(name, asked))
	}
	select {
	case msg, ok := <-batch.Messages():
		if ok {
			q.answered(name)
			return q.lease(ctx, msg, asked)
		}
	case <-ctx.Done():
		q.late.Go(func() {
			for msg := range batch.Messages() {
				_ = msg.Nak() // for the next worker, at once
			}
		})
		return nil, ctx.Err()
	}
	err = batch.Error()
	if err != nil {
		q.forget(name)
	}
	if errors.Is(err, js.ErrConsumerDeleted) || errors.Is(err, nats.ErrNoResponders) {
		err = nil // what is there is asked for next time
	} else if err == nil && time.Since(asked) < max(wait, 0)+pullGrace {
		q.answered(name)
		return nil, nil
	}
	return nil, errors.Join(err, q.unanswered(name, asked))
}

// fetch asks for one message: what is prefetched waits behind a job of
// minutes. On longer pulls heartbeats tell a quiet broker from a dead one.
func fetch(c js.Consumer, wait time.Duration) (js.MessageBatch, error) {
	switch {
	case wait < time.Millisecond:
		return c.FetchNoWait(1)
	case wait < 2*time.Second:
		return c.Fetch(1, js.FetchMaxWait(wait))
	}
	return c.Fetch(1, js.FetchMaxWait(wait), js.FetchHeartbeat(wait/4))
}

// consumer finds a durable consumer, nil where there is none yet.
func (q *Queue) consumer(ctx context.Context, name string) (js.Consumer, error) {
	q.mu.Lock()
	c := q.pulls[name]
	q.mu.Unlock()
	if c != nil {
		return c, nil
	}
	ctx, cancel := context.WithTimeout(ctx, replyWait)
	defer cancel()
	c, err := q.js.Consumer(ctx, stream, name)
	if errors.Is(err, js.ErrConsumerNotFound) || errors.Is(err, js.ErrStreamNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	q.mu.Lock()
	q.pulls[name] = c
	q.mu.Unlock()
	return c, nil
}

func (q *Queue) known(name string) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.pulls[name] != nil
}

func (q *Queue) forget(name string) {
	q.mu.Lock()
	defer q.mu.Unlock()
	delete(q.pulls, name)
}

// failed is an error of kind Infra, or the context's where that is done by the
// caller's will.
func failed(ctx context.Context, op string, err error) error {
	if errors.Is(ctx.Err(), context.Canceled) {
		return ctx.Err()
	}
	var api *js.APIError
	if errors.As(err, &api) && api.ErrorCode == noCluster {
		return pipeline.Errorf(pipeline.Infra, op, "%w; the broker is one server alone: set broker.replicas to 1, or name a cluster's servers", err)
	}
	if errors.As(err, &api) && api.ErrorCode == noStorage {
		return pipeline.Errorf(pipeline.Infra, op, "%w; raise max_file_store of the servers, or see that as many run as there are replicas", err)
	}
	return pipeline.Errorf(pipeline.Infra, op, "%w", err)
}

// JetStream's codes for servers that can't hold a stream, and for one server
// alone that is asked for replicas.
const (
	noStorage js.ErrorCode = 10047
	noCluster js.ErrorCode = 10074
)

func sleep(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}
