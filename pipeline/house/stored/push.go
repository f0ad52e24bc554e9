package stored

import (
	"bytes"
	"context"
	"errors"
	"os"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
	"chapterhouse/pipeline/house/strict"
	"chapterhouse/pipeline/store"
)

// Pushed is what a push made of the house in the store.
type Pushed struct {
	Seq     int      `json:"seq"`               // of the house as it stands now
	Sent    []string `json:"sent,omitempty"`    // files that are new there, or other than before
	Removed []string `json:"removed,omitempty"` // files that were there and are no longer
}

// Push sends the house in the folder root: house.yaml and the YAML files of
// narrators, specs and titles, byte for byte. The house must be without fault
// (Faults, all at once). ErrMoved where the store holds what this folder has not
// pulled, except when nothing differs. Of several who push different houses at
// once exactly one succeeds; the others get ErrMoved.
func Push(ctx context.Context, s store.Store, root string) (Pushed, error) {
	texts, err := checked(root)
	if err != nil {
		return Pushed{}, err
	}
	ours := digests(texts)
	before, err := read(ctx, s)
	if err != nil && !errors.Is(err, ErrNone) {
		return Pushed{}, err
	}
	rec, err := recall(root)
	if err != nil {
		return Pushed{}, err
	}
	rec = rec.settled(before.Files)
	if err := rec.mayPush(before, ours); err != nil {
		return Pushed{}, err
	}
	// Bytes before their names: whoever reads the manifest finds them all.
	err = each(ctx, sorted(texts), func(ctx context.Context, name string) error {
		return s.Put(ctx, ours[name], bytes.NewReader(texts[name]))
	})
	if err != nil {
		return Pushed{}, err
	}
	rec.Sent = ours
	if err := rec.keep(root); err != nil {
		return Pushed{}, err
	}
	var stands manifest
	err = store.Update(ctx, s, manifestName, func(m *manifest) error {
		if err := rec.mayPush(*m, ours); err != nil {
			return err
		}
		if len(differing(m.Files, ours)) > 0 {
			*m = manifest{Seq: m.Seq + 1, Files: ours}
		}
		stands = *m
		return nil
	})
	if err != nil {
		return Pushed{}, err
	}
	done := Pushed{Seq: stands.Seq}
	for _, name := range differing(before.Files, ours) {
		if _, ok := ours[name]; ok {
			done.Sent = append(done.Sent, name)
		} else {
			done.Removed = append(done.Removed, name)
		}
	}
	return done, record{Common: ours}.keep(root)
}

// mayPush is nil where ours may take the place of what stands in the store: there
// is nothing, it is the same, or it is what the folder has seen.
func (r record) mayPush(there manifest, ours files) error {
	if there.Seq == 0 || len(differing(there.Files, ours)) == 0 {
		return nil
	}
	seen := r.Common
	if seen == nil { // never in step
		seen = ours
	}
	if moved := differing(there.Files, seen); len(moved) > 0 {
		return pipeline.Errorf(pipeline.House, "", "%w: these files differ there: %s; pull first", ErrMoved, listed(moved))
	}
	return nil
}

// checked reads a folder's house files once they are known to be a house.
func checked(folder string) (map[string][]byte, error) {
	root, err := os.OpenRoot(folder)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.House, "open house", "%w", err)
	}
	defer root.Close()
	texts, faults, err := scan(root)
	if err != nil {
		return nil, err
	}
	if len(faults) == 0 {
		_, err := load(texts) // what is checked is what is sent, whatever happens to the folder meanwhile
		return texts, err
	}
	var known house.Faults
	if _, err := house.Load(folder); err != nil && !errors.As(err, &known) {
		return nil, err
	}
	for _, f := range faults {
		if !slices.ContainsFunc(known, func(k house.Fault) bool { return k.File == f.File }) {
			known = append(known, f)
		}
	}
	return nil, strict.AsError(known)
}
