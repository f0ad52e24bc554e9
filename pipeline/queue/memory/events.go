package memory

import (
	"sync"

	"chapterhouse/pipeline/queue"
)

// Events carries news within the process. The zero value is ready.
type Events struct {
	mu       sync.Mutex
	watchers map[chan queue.Event]bool
}

// waitingEvents is what waits for a slow watcher at most; more is lost.
const waitingEvents = 1024

// Say tells who watches.
func (e *Events) Say(news queue.Event) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for w := range e.watchers {
		select {
		case w <- news:
		default:
		}
	}
}

// Watch starts a watcher.
func (e *Events) Watch(each func(queue.Event)) (stop func(), err error) {
	w := make(chan queue.Event, waitingEvents)
	ended := make(chan struct{})
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.watchers == nil {
		e.watchers = make(map[chan queue.Event]bool)
	}
	e.watchers[w] = true
	stopped := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			select {
			case <-stopped:
				return
			case news := <-w:
				each(news)
			}
		}
	}()
	return sync.OnceFunc(func() {
		e.mu.Lock()
		delete(e.watchers, w)
		e.mu.Unlock()
		close(stopped)
		<-ended
	}), nil
}
