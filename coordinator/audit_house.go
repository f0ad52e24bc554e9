package coordinator

import (
	"context"
	"maps"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// houseName is where the house stands as it was pushed last.
const houseName = "house/house.json"

// pushedHouse is what an audit reads of it.
type pushedHouse struct {
	Seq   int                        `json:"seq"`
	Files map[string]pipeline.Digest `json:"files"` // by path
}

// readHouse wants every file of the house that was pushed, if one was.
func (a *audit) readHouse(ctx context.Context) error {
	h, is, err := object(ctx, a, houseName, func(h pushedHouse) string {
		if h.Seq < 1 {
			return "it was never pushed"
		}
		for _, d := range h.Files {
			if !d.Valid() {
				return "it names a file without a digest"
			}
		}
		return ""
	})
	if err != nil || is != intact {
		return err
	}
	for _, path := range slices.Sorted(maps.Keys(h.Files)) {
		name := store.BlobName(h.Files[path])
		if _, listed := a.blobs[sumOf(h.Files[path])]; !listed {
			there, err := a.there(ctx, name)
			if err != nil {
				return err
			}
			if !there {
				a.fault(Fault{Object: name, Fault: IsMissing, Weight: Damage, What: "it is not there"})
			}
		}
		a.mu.Lock()
		if f := a.faults[name]; f != nil {
			f.pushed = append(f.pushed, path)
		}
		a.mu.Unlock()
	}
	return nil
}
