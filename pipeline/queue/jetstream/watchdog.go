package jetstream

import (
	"errors"
	"time"

	"chapterhouse/pipeline"
)

// errDeaf: the connection is up, and the broker answers no pull.
var errDeaf = errors.New("the broker is connected and answers nobody who asks for a ring")

// A silence is a row of pulls of one consumer that nothing came back to,
// neither a message nor that there is none. A consumer can get there when its
// server restarts at a bad moment; the client does not notice by itself.
type silence struct{ since, last time.Time }

// answered ends a consumer's silence.
func (q *Queue) answered(name string) {
	q.mu.Lock()
	defer q.mu.Unlock()
	delete(q.silences, name)
}

// unanswered counts a pull, asked for at a time, into a consumer's silence.
// After DeafFor the consumer's handle is made anew, and it is an error; after
// GiveUp Dial's lost is told, so that another process begins afresh. While the
// connection is down nothing is counted: the client sees to that, and whoever
// has a job in hand should finish it.
func (q *Queue) unanswered(name string, asked time.Time) error {
	if !q.nc.IsConnected() {
		q.answered(name)
		return nil
	}
	q.mu.Lock()
	s := q.silences[name]
	if asked.Sub(s.last) > q.o.DeafFor { // between the two nobody asked
		s.since = asked
	}
	s.last = asked
	long := time.Since(s.since)
	if long >= q.o.DeafFor {
		delete(q.pulls, name)
	}
	if long >= q.o.GiveUp {
		s = silence{} // said once
	}
	q.silences[name] = s
	q.mu.Unlock()
	if long < q.o.DeafFor {
		return nil
	}
	err := pipeline.Errorf(pipeline.Infra, "", "%w (consumer %s, for %v); see whether its servers have a leader", errDeaf, name, long.Round(time.Second))
	if tell := q.nc.ErrorHandler(); tell != nil && long >= q.o.GiveUp {
		tell(q.nc, nil, err)
	}
	return err
}
