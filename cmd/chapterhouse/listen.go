package main

import (
	"context"
	"sync"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"

	"go.uber.org/zap"
)

// present is who works on the night, as heard within a few seconds.
type present struct {
	workers      map[string]queue.Beat
	coordinators map[string]bool
	unknown      string // why nobody could be heard, in a sentence
}

const (
	beatsTake  = 6 * time.Second // everyone says something every 5 s
	brokerWait = 5 * time.Second // for whoever only asks
)

// listen hears for a moment who is there.
func listen(ctx context.Context, set settings, log *zap.Logger) present {
	p := present{workers: map[string]queue.Beat{}, coordinators: map[string]bool{}}
	rings, err := openBroker(ctx, set, brokerUse{leaseOnly: true, wait: brokerWait, lost: func(error) {}, log: log})
	if err != nil {
		p.unknown = err.Error()
		return p
	}
	defer rings.Close()
	var mu sync.Mutex
	stop, err := rings.Events(engineHere().ID()).Watch(func(e queue.Event) {
		mu.Lock()
		defer mu.Unlock()
		if e.Beat != nil {
			p.workers[e.Worker] = *e.Beat
		}
		if e.Coordinator != "" {
			p.coordinators[e.Coordinator] = true
		}
	})
	if err != nil {
		p.unknown = err.Error()
		return p
	}
	select {
	case <-ctx.Done():
	case <-time.After(beatsTake):
	}
	stop()
	return p
}

// watchKeys shows what is said of keys, until stop is called; there is news
// when one of them was done or failed.
func watchKeys(events queue.Events, show func(queue.Event)) (news <-chan struct{}, stop func(), err error) {
	rung := make(chan struct{}, 1)
	stop, err = events.Watch(func(e queue.Event) {
		if !e.Key.Valid() {
			return
		}
		show(e)
		if e.Done || e.Failed {
			select {
			case rung <- struct{}{}:
			default:
			}
		}
	})
	return rung, stop, err
}

// slots are those of the workers, by engine.
func (p present) slots() map[string]int {
	n := map[string]int{}
	for _, b := range p.workers {
		n[b.Engine.ID()] += b.Slots
	}
	return n
}

// engine is the one of that name, where a worker has it.
func (p present) engine(id string) (pipeline.Engine, bool) {
	for _, b := range p.workers {
		if b.Engine.ID() == id {
			return b.Engine, true
		}
	}
	return pipeline.Engine{}, false
}
