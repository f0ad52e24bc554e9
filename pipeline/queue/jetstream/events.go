package jetstream

import (
	"encoding/json"
	"errors"

	"github.com/nats-io/nats.go"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

// Events are plain NATS messages on evt.<engine>: who does not listen, or too
// slowly, misses them.
type Events struct {
	nc      *nats.Conn
	subject string
}

// Events says what workers of an engine do, and watches those of all engines.
func (q *Queue) Events(engine string) *Events {
	return &Events{nc: q.nc, subject: "evt." + queue.Short(engine)}
}

// Say publishes; an error means that nobody hears it, which is nobody's loss.
func (e *Events) Say(news queue.Event) {
	if data, err := json.Marshal(news); err == nil {
		_ = e.nc.Publish(e.subject, data)
	}
}

// What waits for a slow watcher at most.
const (
	waitingEvents = 4096
	waitingBytes  = 1 << 20
)

// Watch subscribes to all engines' events.
func (e *Events) Watch(each func(queue.Event)) (stop func(), err error) {
	sub, err := e.nc.SubscribeSync("evt.*")
	if err == nil {
		err = errors.Join(sub.SetPendingLimits(waitingEvents, waitingBytes), e.nc.FlushTimeout(replyWait))
	}
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Infra, "watch events", "%w", err)
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			msg, err := sub.NextMsg(watchTurn)
			switch {
			case err == nil:
				var news queue.Event
				if json.Unmarshal(msg.Data, &news) == nil {
					each(news)
				}
			case !errors.Is(err, nats.ErrTimeout) && !errors.Is(err, nats.ErrSlowConsumer):
				return
			}
		}
	}()
	return func() {
		_ = sub.Unsubscribe()
		<-ended
	}, nil
}
