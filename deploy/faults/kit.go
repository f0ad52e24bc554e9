// Package faults runs the program as it runs at night, several processes over
// a real broker and a real S3 server, does to them what machines, disks and
// networks do, and judges by what is then in the bucket. Each row of faults is
// one function; what it promises beside the invariants is a number with a limit.
package faults

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store/s3/s3test"
)

// A Kit is what all rows share.
type Kit struct {
	dir      string
	say      func(format string, args ...any)
	gateway  *s3test.Gateway
	material *Material
	spaces   *Spaces // nil where this machine has none
	noSpaces error   // why
	programs *Programs

	mu       sync.Mutex
	built    map[string]string
	controls map[string]control
	next     int
}

// NewKit starts what rows share, below a folder; say tells a waiting person
// what goes on. s3test.ErrNotInstalled.
func NewKit(ctx context.Context, checkout, dir string, say func(format string, args ...any)) (*Kit, error) {
	k := &Kit{dir: dir, say: say, built: map[string]string{}, controls: map[string]control{}}
	for _, d := range []string{"bin", "gateway"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o755); err != nil {
			return nil, err
		}
	}
	checkout, err := filepath.Abs(checkout)
	if err != nil {
		return nil, err
	}
	k.programs = NewPrograms(checkout, filepath.Join(dir, "bin"))
	k.spaces, k.noSpaces = NewSpaces(ctx)
	if k.material, err = NewMaterial(checkout); err != nil {
		return nil, err
	}
	if k.gateway, err = s3test.Start(filepath.Join(dir, "gateway")); err != nil {
		return nil, err
	}
	return k, nil
}

// Close ends what the kit started.
func (k *Kit) Close() { k.gateway.Stop() }

// variants are the builds of the program beside the plain one, "".
func variants() map[string][]Change {
	return map[string][]Change{
		"": nil, "failing": FailingChild(), "other-engine": OtherEngine(), "few-tries": FewTries(),
	}
}

// program builds a variant of the program, once.
func (k *Kit) program(ctx context.Context, variant string) (string, error) {
	changes, known := variants()[variant]
	if !known {
		return "", fmt.Errorf("no build of the program is called %q", variant)
	}
	return k.build(ctx, "chapterhouse"+variant, "./cmd/chapterhouse", changes...)
}

// build builds a package once under a name.
func (k *Kit) build(ctx context.Context, name, pkg string, changes ...Change) (string, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if path := k.built[name]; path != "" {
		return path, nil
	}
	k.say("building %s", name)
	path, err := k.programs.Build(ctx, name, pkg, changes...)
	if err != nil {
		return "", err
	}
	k.built[name] = path
	return path, nil
}

// folder is a new folder of a name.
func (k *Kit) folder(name string) (string, error) {
	k.mu.Lock()
	k.next++
	n := k.next
	k.mu.Unlock()
	dir := filepath.Join(k.dir, fmt.Sprintf("%s-%d", name, n))
	return dir, os.MkdirAll(dir, 0o755)
}

// house makes a title of so many chapters of so many seconds.
func (k *Kit) house(slug string, chapters int, seconds float64, seed uint64) (*House, error) {
	dir, err := k.folder("house")
	if err != nil {
		return nil, err
	}
	return k.material.House(dir, slug, chapters, seconds, seed)
}

// A control is a title's night without any fault: on one machine, in one
// process, with a folder for a store.
type control struct {
	files map[int][]pipeline.Digest // by chapter number
	tries int
}

// control processes a house's title, once for each set of sources.
func (k *Kit) control(ctx context.Context, h *House) (control, error) {
	id := fmt.Sprint(h.Slug, h.Blobs)
	k.mu.Lock()
	c, known := k.controls[id]
	k.mu.Unlock()
	if known {
		return c, nil
	}
	program, err := k.program(ctx, "")
	if err != nil {
		return c, err
	}
	dir, err := k.folder("control")
	if err != nil {
		return c, err
	}
	defer os.RemoveAll(dir)
	if err := run(ctx, "sh", "-c", `exec "$@" >/dev/null`, "sh", program, "process", h.Title, "--store", filepath.Join(dir, "store"), "--out", filepath.Join(dir, "out")); err != nil {
		return c, err
	}
	b := Bucket{filepath.Join(dir, "store")}
	_, o, err := b.Standing(h.Slug)
	if err != nil {
		return c, err
	}
	begun, err := b.Begun()
	if err != nil {
		return c, err
	}
	c = control{files: filesOf(o), tries: sum(begun)}
	if len(c.files) == 0 {
		return c, errors.New("the control made no file")
	}
	k.mu.Lock()
	k.controls[id] = c
	k.mu.Unlock()
	return c, nil
}

// sum is all tries of all keys.
func sum(begun map[pipeline.Digest]int) (tries int) {
	for _, n := range begun {
		tries += n
	}
	return tries
}

// filesOf is an outcome's files by chapter.
func filesOf(o pipeline.Outcome) map[int][]pipeline.Digest {
	files := map[int][]pipeline.Digest{}
	for _, ch := range o.Chapters {
		for _, f := range ch.Files {
			files[ch.Number] = append(files[ch.Number], f.Blob)
		}
	}
	return files
}

// How says what the rows were done with.
func (k *Kit) How() string {
	spaces := "Workers that are cut off run in network namespaces whose cables are pulled."
	if k.noSpaces != nil {
		spaces = fmt.Sprintf("No network namespaces here (%v): silent proxies stand for pulled cables.", k.noSpaces)
	}
	return fmt.Sprintf("Processes of the program with nats-server and versitygw, each process behind proxies of its own; lease time %v, a look at everything every %d s. %s", lease, scanS, spaces)
}
