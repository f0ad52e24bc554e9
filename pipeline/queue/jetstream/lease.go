package jetstream

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"time"

	js "github.com/nats-io/nats.go/jetstream"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

// What a holder can say about its message (NATS JetStream, acknowledgement
// protocol). All of it is sent as a request: the broker answers once it knows.
const (
	sayDone   = "+ACK"
	sayExtend = "+WPI"
	sayRetry  = "-NAK"
)

// lease is one delivered message. An acknowledgement does not say of which
// delivery it is, so a late one would act on another worker's lease: it could
// drop the ring, or keep it from being handed out again. Therefore a lease
// ends here some time before it ends at the broker, and after that says nothing.
type lease struct {
	q     *Queue
	msg   js.Msg
	ring  queue.Ring
	tries int

	mu    sync.Mutex
	until time.Time // with the monotonic clock: a changed wall clock does not count
	over  bool
}

// lease makes a message a lease; asked is when it was asked for, and so before
// it was delivered, however long this process was stopped since. Nil where
// that is too long ago.
func (q *Queue) lease(ctx context.Context, msg js.Msg, asked time.Time) (queue.Lease, error) {
	l := &lease{q: q, msg: msg, until: asked.Add(q.o.leaseTime())}
	if !time.Now().Before(l.until) {
		return nil, nil
	}
	md, err := msg.Metadata()
	if err == nil {
		err = json.Unmarshal(msg.Data(), &l.ring)
	}
	if err == nil {
		err = queue.CheckRing(l.ring)
	}
	if err == nil && subject(l.ring) != msg.Subject() {
		err = fmt.Errorf("it asks for %s", subject(l.ring))
	}
	if err != nil {
		_ = l.say(ctx, sayRetry+fmt.Sprintf(` {"delay": %d}`, queue.MaxRetry))
		return nil, pipeline.Errorf(pipeline.Infra, "", "a message on %s is no ring (%w); is another program using this broker?", msg.Subject(), err)
	}
	l.tries = int(md.NumDelivered)
	return l, nil
}

// leaseTime is how long a worker relies on a lease: less than AckWait by what
// an answer may take.
func (o Options) leaseTime() time.Duration { return o.AckWait - min(saidWait, o.AckWait/6) }

func (l *lease) Ring() queue.Ring { return l.ring }

func (l *lease) Tries() int { return l.tries }

func (l *lease) Extend(ctx context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	sent := time.Now()
	if err := l.say(ctx, sayExtend); err != nil {
		return err
	}
	l.until = sent.Add(l.q.o.leaseTime())
	return nil
}

func (l *lease) Done(ctx context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.say(ctx, sayDone); err != nil {
		return err
	}
	l.over = true
	return nil
}

func (l *lease) Retry(ctx context.Context, after time.Duration) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	said := sayRetry
	if after > 0 {
		said += fmt.Sprintf(` {"delay": %d}`, min(after, queue.MaxRetry))
	}
	if err := l.say(ctx, said); err != nil {
		return err
	}
	l.over = true
	return nil
}

// say tells the broker, if this is still ours to tell.
func (l *lease) say(ctx context.Context, what string) error {
	if l.over || !time.Now().Before(l.until) {
		return queue.ErrLost
	}
	ctx, cancel := context.WithTimeout(ctx, saidWait)
	defer cancel()
	if _, err := l.q.nc.RequestWithContext(ctx, l.msg.Reply(), []byte(what)); err != nil {
		return failed(ctx, "tell the broker of "+l.ring.Key.Short(), err)
	}
	return nil
}
