package worker

import (
	"context"
	"errors"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"

	"go.uber.org/zap"
)

// A pulse keeps a lease while its job moves: bytes laid out or taken in, words
// of the child. What stands still is stopped.
type pulse struct {
	stuckAfter time.Duration
	moved      atomic.Int64
	lost       atomic.Bool // the lease is over: nothing more is said
	mu         sync.Mutex
	kill       context.CancelCauseFunc // of what is being done
}

var errStuck = errors.New("no progress")

func (p *pulse) move() { p.moved.Add(1) }

// during does one thing of a job, and stops it when it stands still.
func (p *pulse) during(ctx context.Context, do func(context.Context) error) error {
	ctx, kill := context.WithCancelCause(ctx)
	defer kill(nil)
	p.mu.Lock()
	p.kill = kill
	p.mu.Unlock()
	p.move()
	err := do(ctx)
	if errors.Is(err, context.Canceled) && errors.Is(context.Cause(ctx), errStuck) {
		return pipeline.Errorf(pipeline.Infra, "", "%w for %v", errStuck, p.stuckAfter)
	}
	return err
}

// beat extends the lease at every turn in which something moved, until ctx
// ends. It counts moves and turns and asks no clock what time it is: neither a
// clock that is set in the night nor a process that stood still kills anybody.
func (w *Worker) beat(ctx context.Context, lease queue.Lease, p *pulse) {
	every := w.Beat
	if every == 0 {
		every = beat
	}
	t := time.NewTicker(every)
	defer t.Stop()
	last, still := int64(0), time.Duration(0)
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		now := p.moved.Load()
		if now == last {
			if still += every; still >= p.stuckAfter {
				p.mu.Lock()
				p.kill(errStuck)
				p.mu.Unlock()
			}
			continue
		}
		last, still = now, 0
		if p.lost.Load() {
			continue
		}
		err := lease.Extend(ctx)
		p.lost.Store(errors.Is(err, queue.ErrLost))
		if err != nil && ctx.Err() == nil {
			w.Log.Warn("lease not extended", zap.String("key", lease.Ring().Key.Short()), zap.Error(err))
		}
	}
}

// moving is a reader whose every read is a sign of life.
type moving struct {
	io.Reader
	pulse *pulse
}

func (m moving) Read(b []byte) (int, error) {
	n, err := m.Reader.Read(b)
	m.pulse.move()
	return n, err
}

// movingFile is a file whose every read is a sign of life.
type movingFile struct {
	*os.File
	pulse *pulse
}

func (m movingFile) Read(b []byte) (int, error) { return moving{m.File, m.pulse}.Read(b) }

// WriteTo hides the file's own, which reads past Read.
func (m movingFile) WriteTo(to io.Writer) (int64, error) {
	return io.Copy(to, moving{m.File, m.pulse})
}
