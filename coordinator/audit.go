package coordinator

import (
	"context"
	"slices"
	"strings"
	"sync"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// AuditOptions say how deep an audit reads.
type AuditOptions struct {
	// ReadData is the share of the blobs whose bytes are read, 0 to 1. Which
	// ones they are follows from Seed and their digests alone.
	ReadData float64
	Seed     uint64
	Say      func(read, of int64) // bytes of blobs so far; nil: nobody listens
}

// Audited is what an audit saw and what is wrong with it.
type Audited struct {
	Objects  int     `json:"objects"`
	Titles   int     `json:"titles"`
	Recipes  int     `json:"recipes"`
	Commits  int     `json:"commits"`
	Blobs    int     `json:"blobs"`
	Bytes    int64   `json:"bytes"`      // of all blobs
	Read     int     `json:"read_blobs"` // whose bytes were read
	ReadSize int64   `json:"read_bytes"`
	Unknown  int     `json:"unknown"` // objects of no kind that this build knows; the first of them are named
	Faults   []Fault `json:"faults"`  // by the names of their objects
}

// Left is how many faults matter and were not mended.
func (a Audited) Left() (n int) {
	for _, f := range a.Faults {
		if f.Weight == Damage && !f.Mended {
			n++
		}
	}
	return n
}

// FaultWeight is whether a fault matters.
type FaultWeight string

const (
	Damage FaultWeight = "damage" // something that is needed is not as it should be
	Notice FaultWeight = "notice" // odd, and nobody misses anything
)

// FaultKind is what is wrong with an object.
type FaultKind string

const (
	IsMissing    FaultKind = "missing"    // others need it
	IsDamaged    FaultKind = "damaged"    // its bytes are not what its name or its form says
	IsWrong      FaultKind = "wrong"      // whole, and other than the objects that it speaks of
	IsUnreadable FaultKind = "unreadable" // the disk or the network fails at it
	IsStale      FaultKind = "stale"      // left over
	IsUnknown    FaultKind = "unknown"    // of no kind that this build knows
)

// A Fault is what is wrong with one object.
type Fault struct {
	Object string      `json:"object"`
	Fault  FaultKind   `json:"fault"`
	Weight FaultWeight `json:"weight"`
	What   string      `json:"what"` // one clause
	Hits   []Hit       `json:"hits,omitempty"`
	Do     string      `json:"do"`               // what to do now, one sentence
	Done   string      `json:"done,omitempty"`   // what a repair did
	Mended bool        `json:"mended,omitempty"` // by a repair: no person has to do more

	commits []pipeline.Digest // of a blob: those that name it
	source  bool              // of a blob: a run was submitted with it
	pushed  []string          // of a blob: what it is in the house that was pushed
	night   string            // the run that is under way of a title whose standing run is hit
}

// A Hit is what a fault concerns.
type Hit struct {
	Title     string   `json:"title"`
	Run       string   `json:"run"`
	Standing  bool     `json:"standing,omitempty"` // the standing run is not what it says without it
	Chapter   int      `json:"chapter"`            // number, or pipeline.WholeTitle
	Name      string   `json:"name,omitempty"`     // of the chapter
	Narrators []string `json:"narrators,omitempty"`
	Specs     []string `json:"specs,omitempty"` // whose files of the chapter it is
	Files     []string `json:"files,omitempty"` // whose upload it is, or is made of
}

// Audit reads the store back: every object that the names of this package lead
// to, what they say of each other, and the bytes of a share of the blobs. It
// changes nothing and may run beside a night: what seems wrong is read again
// before it is told. An error means that it could not be done to its end.
//
// It keeps the digests of blobs and keys, and of everything else no more than
// a few titles at a time.
func Audit(ctx context.Context, s store.Store, o AuditOptions) (Audited, error) {
	a := &audit{
		s: s, o: o, blobs: map[sum]int64{}, keys: map[sum]marks{},
		faults: map[string]*Fault{}, made: map[pipeline.Digest][]trace{},
	}
	// Blobs before commits before titles: what is wrong further down is known
	// when it is asked whom it hits.
	for _, step := range []func(context.Context) error{
		a.list, a.readBlobs, a.readRecipes, a.readCommits, a.readTries, a.readHouse, a.trace, a.readTitles, a.readNarrators, a.readIndex,
	} {
		if err := step(ctx); err != nil {
			return Audited{}, err
		}
	}
	return a.result(), nil
}

// audit is one reading of a store.
type audit struct {
	s     store.Store
	o     AuditOptions
	blobs map[sum]int64 // bytes; with keys, not changed once all is listed
	keys  map[sum]marks

	mu         sync.Mutex // guards what follows
	faults     map[string]*Fault
	made       map[pipeline.Digest][]trace // what faulty results were made of, by source
	unreadable int
	out        Audited
}

// marks are what there is of a key.
type marks uint8

const (
	hasRecipe marks = 1 << iota
	hasCommit
	hasTries
	hasQuarantine
)

// NamedUnknown is how many unknown objects are named: a prefix that someone
// else uses may hold any number.
const NamedUnknown = 100

// list goes over all names.
func (a *audit) list(ctx context.Context) error {
	return a.s.List(ctx, "", func(i store.Info) error {
		a.out.Objects++
		p := placeOf(i.Name)
		switch p.kind {
		case blobPlace:
			a.blobs[sumOf(p.key)] = i.Bytes
			a.out.Blobs++
			a.out.Bytes += i.Bytes
		case recipePlace:
			a.keys[sumOf(p.key)] |= hasRecipe
			a.out.Recipes++
		case commitPlace:
			a.keys[sumOf(p.key)] |= hasCommit
			a.out.Commits++
		case tryPlace, failurePlace:
			a.keys[sumOf(p.key)] |= hasTries
		case quarantinePlace:
			a.keys[sumOf(p.key)] |= hasQuarantine
		case titlePlace:
			a.out.Titles++
		case noPlace:
			if a.out.Unknown++; a.out.Unknown <= NamedUnknown {
				a.fault(Fault{Object: i.Name, Fault: IsUnknown, Weight: Notice, What: "no object of this program has such a name"})
			}
		}
		return nil
	})
}

// fault notes what is wrong with an object; what was said of it first stands.
func (a *audit) fault(f Fault) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.faults[f.Object] == nil {
		a.faults[f.Object] = &f
	}
}

// bad tells whether something is wrong with an object.
func (a *audit) bad(object string) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.faults[object] != nil
}

// hit notes whom a fault concerns, if there is one. Hits of one chapter are one.
func (a *audit) hit(object string, h Hit) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f := a.faults[object]
	if f == nil {
		return
	}
	for i := range f.Hits {
		if k := &f.Hits[i]; k.Title == h.Title && k.Run == h.Run && k.Chapter == h.Chapter {
			k.Standing = k.Standing || h.Standing
			k.Narrators, k.Specs, k.Files = joined(k.Narrators, h.Narrators), joined(k.Specs, h.Specs), joined(k.Files, h.Files)
			return
		}
	}
	f.Hits = append(f.Hits, h)
}

// joined is what is in one of two lists, each once, in order.
func joined(a, b []string) []string {
	all := append(slices.Clone(a), b...)
	slices.Sort(all)
	return slices.Compact(all)
}

// result puts what was found into an order that does not hang on who was
// faster, and says what to do.
func (a *audit) result() Audited {
	out := a.out
	out.Faults = []Fault{}
	for _, f := range a.faults {
		slices.SortFunc(f.Hits, compareHits)
		slices.Sort(f.commits)
		f.Do = f.remedy()
		out.Faults = append(out.Faults, *f)
	}
	slices.SortFunc(out.Faults, func(x, y Fault) int { return strings.Compare(x.Object, y.Object) })
	return out
}

// auditWidth is how many objects are read at a time: a store over a network
// answers many questions as fast as one.
const auditWidth = 16

// stream has what list sends worked on, a few at a time, and returns the
// first error.
func stream[T any](ctx context.Context, list func(send func(T) error) error, do func(context.Context, T) error) error {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	work := make(chan T)
	var all sync.WaitGroup
	for range auditWidth {
		all.Go(func() {
			for t := range work {
				if err := do(ctx, t); err != nil {
					stop(err)
				}
			}
		})
	}
	err := list(func(t T) error {
		select {
		case work <- t:
			return nil
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	})
	close(work)
	all.Wait()
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return err
}

// under streams the objects below a prefix.
func (a *audit) under(ctx context.Context, prefix string, do func(context.Context, store.Info) error) error {
	return stream(ctx, func(send func(store.Info) error) error { return a.s.List(ctx, prefix, send) }, do)
}
