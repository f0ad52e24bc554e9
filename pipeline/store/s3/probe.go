package s3

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"strings"
	"sync"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// ErrUnsafe: the server does not keep conditions as S3 has them.
var ErrUnsafe = errors.New("conditional writes are not safe there: only one coordinator may run on this storage")

const (
	probeRacers = 16
	probeRounds = 20
)

// Probe finds out whether the server keeps conditions while many write at
// once, by racing for objects of its own below probe/, which it removes.
// Several servers were found not to: some ignore the condition, some check it
// and let others in before they write.
//
// An error that is ErrUnsafe says what the server did wrong. The store from
// then on keeps conditions itself: it reads, compares and writes under a lock
// of this process. So it holds among this process's goroutines, and not
// against any other process: only one coordinator may run on that storage,
// and a worker that finishes late may write over the commit of another, which
// has the same bytes. After any other error nothing is known.
func (s *Store) Probe(ctx context.Context) error {
	dir := "probe/" + strings.ToLower(rand.Text()) + "/"
	err := s.race(ctx, dir)
	// Whatever became of the races, their objects go.
	cleaning, stop := context.WithTimeout(context.WithoutCancel(ctx), s.patience)
	defer stop()
	cleaned := s.List(cleaning, dir, func(i store.Info) error { return s.Delete(cleaning, i.Name) })
	if errors.Is(err, ErrUnsafe) {
		s.emulated.Store(true)
	}
	if err == nil {
		err = cleaned
	}
	return err
}

func (s *Store) unsafe(format string, args ...any) error {
	return pipeline.Errorf(pipeline.Infra, s.where, "%s: %w; use another server or a newer version to run more", fmt.Sprintf(format, args...), ErrUnsafe)
}

// race is Probe without the cleaning.
func (s *Store) race(ctx context.Context, dir string) error {
	missing := dir + "missing"
	_, err := s.swap(ctx, s.place, missing, "0123456789abcdef0123456789abcdef", []byte("x"))
	if err == nil {
		return s.unsafe("it replaced an object that is not there (If-Match)")
	}
	if !errors.Is(err, store.ErrConflict) {
		return err
	}
	if _, err := s.Stat(ctx, missing); err == nil {
		return s.unsafe("it stored an object although it said that it did not (If-Match)")
	} else if !errors.Is(err, store.ErrAbsent) {
		return err
	}
	replaced, standing := dir+"replaced", store.Absent
	for round := range probeRounds {
		if _, err := s.raceOnce(ctx, fmt.Sprintf("%screated-%02d", dir, round), store.Absent); err != nil {
			return err
		}
		if standing, err = s.raceOnce(ctx, replaced, standing); err != nil {
			return err
		}
	}
	return nil
}

// raceOnce lets writers race from one version of an object and returns the
// version that stands.
func (s *Store) raceOnce(ctx context.Context, name string, old store.Version) (store.Version, error) {
	condition := "If-Match"
	if old == store.Absent {
		condition = "If-None-Match"
	}
	var versions [probeRacers]store.Version
	var errs [probeRacers]error
	var writers sync.WaitGroup
	start := make(chan struct{})
	for i := range probeRacers {
		writers.Go(func() {
			<-start
			versions[i], errs[i] = s.swap(ctx, s.place, name, old, []byte(fmt.Sprintf("writer %d from %q", i, old)))
		})
	}
	close(start)
	writers.Wait()
	won := store.Absent
	winners := 0
	for i, err := range errs {
		switch {
		case err == nil:
			won, winners = versions[i], winners+1
		case !errors.Is(err, store.ErrConflict):
			return store.Absent, err
		}
	}
	if winners != 1 {
		return store.Absent, s.unsafe("%d of %d writers won a race that one must win (%s)", winners, probeRacers, condition)
	}
	info, err := s.Stat(ctx, name)
	if err != nil {
		return store.Absent, err
	}
	if info.Version != won {
		return store.Absent, s.unsafe("it stored what it told the writer that it did not (%s)", condition)
	}
	return won, nil
}
