package faults

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"chapterhouse/pipeline"
)

// everyLook is how often a bucket is looked at.
const everyLook = 20 * time.Millisecond

// A watch looks at a bucket all the while, as any reader may, and remembers
// every state of what it sees change and every object that must never change.
type watch struct {
	bucket Bucket
	stop   chan struct{}
	ended  sync.WaitGroup

	mu      sync.Mutex
	titles  map[string][]pipeline.TitleState // as they were seen, one after the other
	objects map[string]seen                  // what is created once
	remade  map[string]bool                  // what a repair may take away, to be made again
	wrong   []string
}

// seen is an object as it was first seen.
type seen struct {
	at     time.Time
	file   fileID
	digest pipeline.Digest
}

// fileID tells without reading that a file is not the one it was.
type fileID struct {
	inode   uint64
	changed int64
	size    int64
}

func watchBucket(b Bucket) *watch {
	w := &watch{bucket: b, stop: make(chan struct{}), titles: map[string][]pipeline.TitleState{}, objects: map[string]seen{}, remade: map[string]bool{}}
	w.ended.Go(func() {
		for {
			w.look()
			select {
			case <-w.stop:
				return
			case <-time.After(everyLook):
			}
		}
	})
	return w
}

// end stops looking. It may be called twice.
func (w *watch) end() {
	w.mu.Lock()
	select {
	case <-w.stop:
	default:
		close(w.stop)
	}
	w.mu.Unlock()
	w.ended.Wait()
}

// once tells whether an object is created once and never written again.
func once(name string) bool {
	for _, prefix := range []string{"commits/", "recipes/", "attempts/", "quarantine/"} {
		if strings.HasPrefix(name, prefix) {
			return true
		}
	}
	return strings.HasPrefix(name, "titles/") && strings.Contains(name, "/runs/")
}

func (w *watch) look() {
	for _, prefix := range []string{"commits/", "quarantine/", "titles/"} {
		names, err := w.bucket.List(prefix)
		if err != nil {
			w.note("listing %s: %v", prefix, err)
			return
		}
		for _, name := range names {
			switch {
			case once(name):
				w.object(name)
			case strings.HasSuffix(name, "/title.json"):
				w.title(name)
			}
		}
	}
}

func (w *watch) note(format string, args ...any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.wrong = append(w.wrong, fmt.Sprintf(format, args...))
}

func (w *watch) object(name string) {
	id, err := identify(w.bucket.path(name))
	if err != nil {
		return // gone, which the end will show
	}
	w.mu.Lock()
	before, known := w.objects[name]
	w.mu.Unlock()
	if known && before.file == id {
		return
	}
	text, err := w.bucket.Read(name)
	if err != nil {
		return
	}
	now := seen{at: time.Now(), file: id, digest: pipeline.DigestOf(text)}
	if known {
		if before.digest != now.digest && !w.mayBeRemade(name) {
			w.note("%s was written twice, with other bytes", name)
		}
		now.at = before.at
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.objects[name] = now
}

func (w *watch) title(name string) {
	var t pipeline.TitleState
	if w.bucket.JSON(name, &t) != nil {
		return // it is being replaced: the gateway does that by renaming, but the names may be reread
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	states := w.titles[name]
	if len(states) == 0 || states[len(states)-1] != t {
		w.titles[name] = append(states, t)
	}
}

// at is when an object was first seen, zero where it was not.
func (w *watch) at(name string) time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.objects[name].at
}

// allow lets an object be taken away once and made again.
func (w *watch) allow(name string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.remade[name] = true
}

func (w *watch) mayBeRemade(name string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.remade[name]
}

// found is what went wrong before the reader's eyes.
func (w *watch) found() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	wrong := slices.Clone(w.wrong)
	for name, states := range w.titles {
		for i := 1; i < len(states); i++ {
			if why := follows(states[i-1], states[i]); why != "" {
				wrong = append(wrong, fmt.Sprintf("%s, as a reader saw it: %s", name, why))
			}
		}
	}
	for name := range w.objects {
		if !w.bucket.There(name) && !strings.HasPrefix(name, "quarantine/") { // which may be forgiven
			wrong = append(wrong, name+" was there and is gone")
		}
	}
	slices.Sort(wrong)
	return wrong
}

// follows says why a title can't be in state b any time after it was in a.
func follows(a, b pipeline.TitleState) string {
	switch {
	case b.Rev <= a.Rev:
		return fmt.Sprintf("revision %d came after %d", b.Rev, a.Rev)
	case b.Seq < a.Seq:
		return fmt.Sprintf("run %d was the latest after %d", b.Seq, a.Seq)
	case b.Standing < a.Standing:
		return fmt.Sprintf("run %s stood after %s", b.Standing, a.Standing)
	}
	return ""
}

func identify(path string) (fileID, error) {
	info, err := os.Stat(path)
	if err != nil {
		return fileID{}, err
	}
	id := fileID{changed: info.ModTime().UnixNano(), size: info.Size()}
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		id.inode = s.Ino
	}
	return id, nil
}
