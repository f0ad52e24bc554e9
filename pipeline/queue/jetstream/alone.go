package jetstream

import (
	"context"
	"errors"
	"sync"
	"time"

	js "github.com/nats-io/nats.go/jetstream"

	"chapterhouse/pipeline"
)

const (
	bucket      = "LEASES"
	aloneFor    = 30 * time.Second
	leasesBytes = 1 << 20 // one short value a name
)

// Alone waits until this process is the only one to hold a name (of a-z 0-9
// and -), and holds it until release is called or lost is closed. It is lost
// by any doubt: an answer of the broker that does not come in time is enough.
//
// The broker drops a name that is not renewed for 30 s; renewals are made
// every 10 s. A process that was stopped for longer learns that it lost the
// name a moment after it goes on: so what it does alone must be
// safe against that, as compare-and-swap is, or harmless when done twice.
func (q *Queue) Alone(ctx context.Context, name string) (lost <-chan struct{}, release func(), err error) {
	turn := q.o.AloneFor / 3
	taken := false
	for {
		h, err := q.take(ctx, name)
		taken = taken || errors.Is(err, js.ErrKeyExists)
		if err == nil {
			go h.renew(turn)
			return h.lost, sync.OnceFunc(h.release), nil
		}
		sleep(ctx, turn/2)
		switch {
		case errors.Is(ctx.Err(), context.Canceled):
			return nil, nil, ctx.Err()
		case ctx.Err() != nil && taken:
			return nil, nil, pipeline.Errorf(pipeline.Infra, "", "another process holds %s", name)
		case ctx.Err() != nil:
			return nil, nil, pipeline.Errorf(pipeline.Infra, "hold "+name, "%w", err)
		}
	}
}

// take tries once to get the name, in a bucket that is made where there is
// none: a broker may have lost it. js.ErrKeyExists while another has it.
func (q *Queue) take(ctx context.Context, name string) (*holding, error) {
	ctx, cancel := context.WithTimeout(ctx, replyWait)
	defer cancel()
	// The bucket's TTL counts from the last write of a key. A key's own TTL
	// would not do: a renewal drops it.
	kv, err := q.js.CreateOrUpdateKeyValue(ctx, js.KeyValueConfig{
		Bucket: bucket, TTL: q.o.AloneFor, History: 1, Storage: js.FileStorage, Replicas: q.o.Replicas, MaxBytes: leasesBytes,
	})
	if err != nil {
		return nil, err
	}
	h := &holding{
		kv: kv, name: name, who: q.nc.Opts.Name,
		until: time.Now().Add(q.o.AloneFor),
		lost:  make(chan struct{}), stop: make(chan struct{}), stopped: make(chan struct{}),
	}
	h.revision, err = kv.Create(ctx, name, []byte(h.who))
	return h, err
}

// A holding is a name in this process's hands.
type holding struct {
	kv            js.KeyValue
	name, who     string
	revision      uint64    // of our last write: whoever took the name since has another
	until         time.Time // the broker keeps it for us so long at least
	lost          chan struct{}
	stop, stopped chan struct{}
}

// renew writes the name again every turn. Each write replaces our last one and
// no other, and is decided by the broker's leader; a read could be stale.
func (h *holding) renew(turn time.Duration) {
	defer close(h.stopped)
	t := time.NewTicker(turn)
	defer t.Stop()
	for {
		select {
		case <-h.stop:
			return
		case <-t.C:
		}
		sent := time.Now()
		if !sent.Before(h.until) {
			close(h.lost)
			return
		}
		ctx, cancel := context.WithTimeout(context.Background(), turn)
		revision, err := h.kv.Update(ctx, h.name, []byte(h.who), h.revision)
		cancel()
		if err != nil {
			close(h.lost)
			return
		}
		h.revision, h.until = revision, sent.Add(3*turn)
	}
}

// release gives the name to the next at once, where it is still ours.
func (h *holding) release() {
	close(h.stop)
	<-h.stopped
	ctx, cancel := context.WithTimeout(context.Background(), replyWait)
	defer cancel()
	_ = h.kv.Delete(ctx, h.name, js.LastRevision(h.revision)) // what it can't give back runs out
}
