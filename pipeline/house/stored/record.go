package stored

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"chapterhouse/pipeline"
)

// record is what a folder remembers of the store. It belongs to the folder, and
// not to a store: it lies with what else is this machine's own, hidden from a
// store that may have its objects there. It names contents, so that a folder
// that is pushed to another store is held against what stands in that one.
type record struct {
	// Common is what folder and the store last both had.
	Common files `json:"common"`
	// Sent is what a push was about to make of the store. Where its reply was
	// lost, the store tells by itself whether it did.
	Sent files `json:"sent,omitempty"`
}

const (
	recordDir  = ".chapterhouse"
	recordFile = ".pushed.json"
)

// recall reads the record; its Common is nil where the folder was never in step.
func recall(folder string) (r record, err error) {
	text, err := os.ReadFile(filepath.Join(folder, recordDir, recordFile))
	if errors.Is(err, fs.ErrNotExist) {
		return record{}, nil
	}
	if err != nil {
		return record{}, pipeline.Errorf(pipeline.House, "", "%w", err)
	}
	if json.Unmarshal(text, &r) != nil {
		return record{}, nil // unreadable: then nothing is known to be in step
	}
	return r, nil
}

// settled takes what was sent for common where the store has it.
func (r record) settled(there files) record {
	if r.Sent != nil && len(differing(r.Sent, there)) == 0 {
		return record{Common: r.Sent}
	}
	return r
}

// keep writes the record.
func (r record) keep(folder string) error {
	text, err := json.Marshal(r)
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "", "%w", err)
	}
	dir := filepath.Join(folder, recordDir) // the person's own: it may be a link to another disk
	err = os.MkdirAll(dir, 0o755)
	if err == nil {
		var root *os.Root
		if root, err = os.OpenRoot(dir); err == nil {
			defer root.Close()
			err = write(root, recordFile, append(text, '\n'))
		}
	}
	if err != nil {
		return pipeline.Errorf(pipeline.House, "", "what the store has could not be noted beside the house: %w; see that %s can be written", err, dir)
	}
	return nil
}
