// Package stored keeps a house's YAML in the store: what a person pushes from
// a folder, others pull into theirs, and programs open without one. Every file
// is a blob; house/house.json, the one compare-and-swap object, names them.
// Audio never comes here: sources are uploaded with their title. Titles are not
// read, since their recordings may lie elsewhere; what is wrong with one is
// said when it is submitted.
package stored

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"sync"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
	"chapterhouse/pipeline/house/strict"
	"chapterhouse/pipeline/store"
)

var (
	// ErrMoved: the store moved on since the folder was last in step with it.
	ErrMoved = errors.New("the store holds what this folder has not seen")
	// ErrChanged: files were changed in the folder and in the store both.
	ErrChanged = errors.New("changed here and in the store")
	// ErrNone: nobody has pushed a house yet.
	ErrNone = errors.New("the store holds no house yet; push one")
)

const manifestName = "house/house.json"

// maxTotal bounds the files of one house taken together: some ten thousand
// titles of the usual length.
const maxTotal = 256 << 20

// files are a house's files, by their path from its root.
type files map[string]pipeline.Digest

// manifest is the house as it stands in the store, at house/house.json.
type manifest struct {
	Seq   int   `json:"seq"` // strictly rises
	Files files `json:"files"`
}

// read reads the manifest. ErrNone; store.ErrDamaged where it names a file
// that no house has.
func read(ctx context.Context, s store.Store) (manifest, error) {
	var m manifest
	err := store.ReadJSON(ctx, s, manifestName, &m)
	if errors.Is(err, store.ErrAbsent) {
		return m, pipeline.Errorf(pipeline.House, "", "%w", ErrNone)
	}
	return m, err
}

// Check refuses what Push would never write: these paths become files on
// someone's disk.
func (m manifest) Check() error {
	if m.Seq < 1 {
		return fmt.Errorf("its seq is %d", m.Seq)
	}
	for _, name := range sorted(m.Files) {
		if err := checkPath(name); err != nil {
			return fmt.Errorf("%.80q %v", name, err)
		}
		if !m.Files[name].Valid() {
			return fmt.Errorf("%.80q is the digest of %s", string(m.Files[name]), name)
		}
		for dir := range parents(name) {
			if _, both := m.Files[dir]; both {
				return fmt.Errorf("%s is a file and a folder", dir)
			}
		}
	}
	return nil
}

// fetch reads files' bytes and verifies them. What is damaged or missing is
// named by its path; nothing of it is returned then.
func fetch(ctx context.Context, s store.Store, m manifest, names []string) (map[string][]byte, error) {
	var mu sync.Mutex
	texts, total := map[string][]byte{}, 0
	err := each(ctx, names, func(ctx context.Context, name string) error {
		text, err := fetchOne(ctx, s, m.Files[name])
		if err != nil {
			return fmt.Errorf("%s in the store: %w; push it again from a folder that has it", name, err)
		}
		mu.Lock()
		defer mu.Unlock()
		if total += len(text); total > maxTotal {
			return fmt.Errorf("%s: %w: its files are over %d MiB", manifestName, store.ErrDamaged, maxTotal>>20)
		}
		texts[name] = text
		return nil
	})
	return texts, err
}

func fetchOne(ctx context.Context, s store.Store, d pipeline.Digest) ([]byte, error) {
	var text bounded
	_, err := store.CopyBlob(ctx, s, d, &text)
	return text.bytes, err
}

// bounded takes no more than a document may have.
type bounded struct{ bytes []byte }

func (b *bounded) Write(p []byte) (int, error) {
	if len(b.bytes)+len(p) > strict.MaxBytes {
		return 0, fmt.Errorf("it is over %d KiB: %w", strict.MaxBytes>>10, store.ErrDamaged)
	}
	b.bytes = append(b.bytes, p...)
	return len(p), nil
}

// Open reads the house as it was pushed last. It has no folder: its Root is
// empty, and it knows no titles. ErrNone; Faults where what was pushed is not
// what this program reads.
func Open(ctx context.Context, s store.Store) (*house.House, error) {
	m, err := read(ctx, s)
	if err != nil {
		return nil, err
	}
	texts, err := fetch(ctx, s, m, sorted(m.Files))
	if err != nil {
		return nil, err
	}
	return load(texts)
}

// load reads a house from its files, in a folder that is gone afterwards.
func load(texts map[string][]byte) (*house.House, error) {
	dir, err := os.MkdirTemp("", "house-")
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Infra, "open house", "%w", err)
	}
	defer os.RemoveAll(dir)
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Infra, "open house", "%w", err)
	}
	defer root.Close()
	for name, text := range texts {
		if err := write(root, name, text); err != nil {
			return nil, pipeline.Errorf(pipeline.Infra, "open house", "%w", err)
		}
	}
	h, err := house.Load(dir)
	if h != nil {
		h.Root = ""
	}
	return h, err
}

// each calls do for every name, eight at a time, and returns the error of the
// first name that has one: the wait is the network's, not the processor's.
func each(ctx context.Context, names []string, do func(ctx context.Context, name string) error) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	errs := make([]error, len(names))
	next := make(chan int)
	var hands sync.WaitGroup
	for range min(8, len(names)) {
		hands.Go(func() {
			for i := range next {
				if errs[i] = do(ctx, names[i]); errs[i] != nil {
					stop()
				}
			}
		})
	}
feed:
	for i := range names {
		select {
		case next <- i:
		case <-ctx.Done():
			break feed
		}
	}
	close(next)
	hands.Wait()
	var canceled error
	for _, err := range errs {
		if err != nil && !errors.Is(err, context.Canceled) {
			return err
		}
		canceled = cmp.Or(canceled, err)
	}
	return cmp.Or(canceled, context.Cause(ctx))
}

// differing are the paths where two sets of files are not the same, sorted.
func differing(a, b files) []string {
	var names []string
	for name, d := range a {
		if b[name] != d {
			names = append(names, name)
		}
	}
	for name := range b {
		if _, ok := a[name]; !ok {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// listed names some files; where there are many, the first twenty.
func listed(names []string) string {
	const most = 20
	if len(names) > most {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
	}
	return strings.Join(names, ", ")
}

func sorted[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
