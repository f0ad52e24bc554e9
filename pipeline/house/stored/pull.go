package stored

import (
	"context"
	"os"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// Pulled is what a pull did to a folder.
type Pulled struct {
	Seq     int      `json:"seq"`               // of the house in the store
	Written []string `json:"written,omitempty"` // files that are new in the folder, or other than before
	Removed []string `json:"removed,omitempty"` // files that the store has no longer
	Kept    []string `json:"kept,omitempty"`    // files that were changed, added or removed here and not pushed yet
}

// Pull brings the folder root in step with the house in the store; the folder is
// made where there is none. Files that were changed only here stay as they are;
// ErrChanged, and nothing is done, where one was changed here and in the store.
// ErrNone; store.ErrDamaged. Every file is written whole, below root only; cut
// off anywhere, the next call goes on.
func Pull(ctx context.Context, s store.Store, root string) (Pulled, error) {
	m, err := read(ctx, s)
	if err != nil {
		return Pulled{}, err
	}
	if err := os.MkdirAll(root, 0o755); err != nil {
		return Pulled{}, pipeline.Errorf(pipeline.House, "pull", "%w", err)
	}
	dir, err := os.OpenRoot(root)
	if err != nil {
		return Pulled{}, pipeline.Errorf(pipeline.House, "pull", "%w", err)
	}
	defer dir.Close()
	texts, faults, err := scan(dir)
	if err != nil {
		return Pulled{}, err
	}
	ours := digests(texts)
	for _, f := range faults {
		ours[f.File] = unreadable
	}
	rec, err := recall(root)
	if err != nil {
		return Pulled{}, err
	}
	done, clash := merge(rec.settled(m.Files).Common, ours, m.Files)
	done.Seq = m.Seq
	if len(clash) > 0 {
		return Pulled{}, changed(clash)
	}
	fresh, err := fetch(ctx, s, m, done.Written)
	if err != nil {
		return Pulled{}, err
	}
	if err := apply(dir, done, fresh, ours); err != nil {
		return Pulled{}, err
	}
	return done, record{Common: m.Files}.keep(root)
}

// unreadable stands for a file that could not be pushed as it is: it equals
// none in the store.
const unreadable pipeline.Digest = "unreadable"

// merge decides for every file by what folder and the store last both had.
func merge(common, ours, theirs files) (done Pulled, clash []string) {
	for _, name := range differing(ours, theirs) {
		was, here, there := common[name], ours[name], theirs[name] // "": no such file
		switch {
		case here == was && there == "":
			done.Removed = append(done.Removed, name)
		case here == was, here == "" && there != was: // a file that is not here is no work that could be lost
			done.Written = append(done.Written, name)
		case there == was:
			done.Kept = append(done.Kept, name)
		default:
			clash = append(clash, name)
		}
	}
	return done, clash
}

// apply does to a folder what was decided, removing first: a file may stand
// where a folder is to be.
func apply(root *os.Root, done Pulled, fresh map[string][]byte, ours files) error {
	for _, name := range append(append([]string{}, done.Removed...), done.Written...) {
		if !stands(root, name, ours[name]) {
			return changed([]string{name}) // while the files came
		}
		var err error
		if text, ok := fresh[name]; ok {
			err = write(root, name, text)
		} else {
			err = remove(root, name)
		}
		if err != nil {
			return pipeline.Errorf(pipeline.House, "pull", "%w; see that the folder can be written and its disk has room, then pull again", err)
		}
	}
	return nil
}

func changed(names []string) error {
	return pipeline.Errorf(pipeline.House, "", "%w: %s; move these files aside, pull again and put your changes back in", ErrChanged, listed(names))
}
