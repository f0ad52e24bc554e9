package jetstream

import (
	"context"
	"encoding/json"
	"fmt"
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
// delivery it is: a lease needs its term.
type lease struct {
	q     *Queue
	msg   js.Msg
	ring  queue.Ring
	tries int
	term  *queue.Term
}

// lease makes a message a lease; asked is when it was asked for, and so before
// it was delivered, however long this process was stopped since. Nil where
// that is too long ago.
func (q *Queue) lease(ctx context.Context, msg js.Msg, asked time.Time) (queue.Lease, error) {
	until := asked.Add(q.o.leaseTime())
	if !time.Now().Before(until) {
		return nil, nil
	}
	l := &lease{q: q, msg: msg, term: queue.NewTerm(until)}
	md, err := msg.Metadata()
	if err == nil {
		l.ring, err = readRing(msg.Subject(), msg.Data())
	}
	if err != nil {
		_ = l.say(ctx, sayRetry+fmt.Sprintf(` {"delay": %d}`, queue.MaxRetry))
		return nil, pipeline.Errorf(pipeline.Infra, "", "a message on %s is no ring (%w); is another program using this broker?", msg.Subject(), err)
	}
	l.tries = int(md.NumDelivered)
	return l, nil
}

// readRing reads a message on a subject. Anyone who can publish may have
// written it: what it names becomes subjects, and names of objects.
func readRing(on string, data []byte) (r queue.Ring, err error) {
	if err := json.Unmarshal(data, &r); err != nil {
		return r, err
	}
	if err := queue.CheckRing(r); err != nil {
		return r, err
	}
	if subject(r) != on {
		return r, fmt.Errorf("it asks for %s", subject(r))
	}
	return r, nil
}

// leaseTime is how long a worker relies on a lease: less than AckWait by what
// an answer may take.
func (o Options) leaseTime() time.Duration { return o.AckWait - min(saidWait, o.AckWait/6) }

func (l *lease) Ring() queue.Ring { return l.ring }

func (l *lease) Tries() int { return l.tries }

func (l *lease) Extend(ctx context.Context) error {
	return l.term.Extend(ctx, l.q.o.leaseTime(), func() error { return l.say(ctx, sayExtend) })
}

func (l *lease) Done(ctx context.Context) error {
	return l.term.End(ctx, func() error { return l.say(ctx, sayDone) })
}

func (l *lease) Retry(ctx context.Context, after time.Duration) error {
	said := sayRetry
	if after > 0 {
		said += fmt.Sprintf(` {"delay": %d}`, min(after, queue.MaxRetry))
	}
	return l.term.End(ctx, func() error { return l.say(ctx, said) })
}

// say tells the broker.
func (l *lease) say(ctx context.Context, what string) error {
	ctx, cancel := context.WithTimeout(ctx, saidWait)
	defer cancel()
	if _, err := l.q.nc.RequestWithContext(ctx, l.msg.Reply(), []byte(what)); err != nil {
		return failed(ctx, "tell the broker of "+l.ring.Key.Short(), err)
	}
	return nil
}
