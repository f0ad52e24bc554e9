package coordinator

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// reading is what came of reading an object.
type reading int

const (
	intact reading = iota
	absent
	damaged    // twice; noted
	unreadable // twice; noted
)

// maxUnreadable is how many objects may fail to be read before it is the
// store that can't be read.
const maxUnreadable = 100

// twice reads an object up to two times: only what is damaged or fails both
// times is noted. read tells what is wrong, "" where nothing is.
func (a *audit) twice(ctx context.Context, name string, read func() (string, error)) (reading, error) {
	var (
		wrong string
		err   error
	)
	for range 2 {
		wrong, err = read()
		switch {
		case ctx.Err() != nil:
			return unreadable, ctx.Err()
		case errors.Is(err, store.ErrAbsent):
			return absent, nil
		case err == nil && wrong == "":
			return intact, nil
		}
	}
	if err == nil {
		a.fault(Fault{Object: name, Fault: IsDamaged, Weight: Damage, What: wrong})
		return damaged, nil
	}
	a.fault(Fault{Object: name, Fault: IsUnreadable, Weight: Damage, What: err.Error()})
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.unreadable++; a.unreadable == maxUnreadable {
		return unreadable, fmt.Errorf("%d objects could not be read, the last of them: %w", a.unreadable, err)
	}
	return unreadable, nil
}

// object reads a JSON object and has it judged.
func object[T any](ctx context.Context, a *audit, name string, judge func(T) string) (v T, is reading, err error) {
	is, err = a.twice(ctx, name, func() (string, error) {
		data, err := store.ReadObject(ctx, a.s, name)
		if pipeline.KindOf(err) == pipeline.Bug {
			return "it is larger than an object may be", nil
		}
		if err != nil {
			return "", err
		}
		var fresh T
		err = json.Unmarshal(data, &fresh)
		if c, ok := any(fresh).(interface{ Check() error }); ok && err == nil {
			err = c.Check()
		}
		if err != nil {
			return "it can't be read as what it should be: " + err.Error(), nil
		}
		v = fresh
		return judge(fresh), nil
	})
	return v, is, err
}

// there tells whether an object is there.
func (a *audit) there(ctx context.Context, name string) (bool, error) {
	_, err := a.s.Stat(ctx, name)
	if errors.Is(err, store.ErrAbsent) {
		return false, nil
	}
	return err == nil, err
}

// verify reads a blob's bytes.
func (a *audit) verify(ctx context.Context, d pipeline.Digest) (reading, error) {
	return a.twice(ctx, store.BlobName(d), func() (string, error) {
		_, err := store.CopyBlob(ctx, a.s, d, io.Discard)
		if errors.Is(err, store.ErrDamaged) {
			return "its bytes are not those of its name", nil
		}
		return "", err
	})
}

// readBlobs reads the bytes of those that are chosen.
func (a *audit) readBlobs(ctx context.Context) error {
	var of int64
	for s, n := range a.blobs {
		if a.chosen(s) {
			of += n
		}
	}
	if of == 0 && a.o.ReadData == 0 {
		return nil
	}
	return a.under(ctx, store.Blobs, func(ctx context.Context, i store.Info) error {
		d, ok := store.BlobDigest(i.Name)
		if !ok || !a.chosen(sumOf(d)) {
			return nil
		}
		if _, err := a.verify(ctx, d); err != nil {
			return err
		}
		a.mu.Lock()
		defer a.mu.Unlock()
		a.out.Read++
		a.out.ReadSize += i.Bytes
		if a.o.Say != nil {
			a.o.Say(a.out.ReadSize, max(of, a.out.ReadSize))
		}
		return nil
	})
}

// chosen tells whether a blob belongs to the share that is read.
func (a *audit) chosen(s sum) bool {
	if a.o.ReadData >= 1 {
		return true
	}
	h := sha256.Sum256(append(binary.BigEndian.AppendUint64(nil, a.o.Seed), s[:]...))
	return float64(binary.BigEndian.Uint64(h[:])) < a.o.ReadData*math.MaxUint64
}

// claim is what came of holding an object's words on a blob against it.
type claim int

const (
	claimTrue claim = iota
	claimFalse
	blobBad // missing, damaged or unreadable; noted
)

// blob holds a claim of so many bytes against a blob. Where the two differ
// the bytes tell which of them is off.
func (a *audit) blob(ctx context.Context, d pipeline.Digest, bytes int64) (claim, error) {
	name := store.BlobName(d)
	if a.bad(name) {
		return blobBad, nil
	}
	size, there := a.blobs[sumOf(d)]
	if there && size == bytes {
		return claimTrue, nil
	}
	info, err := a.s.Stat(ctx, name) // it may have come since
	switch {
	case errors.Is(err, store.ErrAbsent):
		a.fault(Fault{Object: name, Fault: IsMissing, Weight: Damage, What: "it is not there"})
		return blobBad, nil
	case err != nil:
		return blobBad, err
	case info.Bytes == bytes:
		return claimTrue, nil
	}
	is, err := a.verify(ctx, d)
	if is == intact {
		return claimFalse, err
	}
	return blobBad, err
}

// readRecipes digests every recipe.
func (a *audit) readRecipes(ctx context.Context) error {
	return a.under(ctx, "recipes/", func(ctx context.Context, i store.Info) error {
		p := placeOf(i.Name)
		if p.kind != recipePlace {
			return nil
		}
		_, err := a.twice(ctx, i.Name, func() (string, error) {
			text, err := store.ReadObject(ctx, a.s, i.Name)
			if err == nil && pipeline.DigestOf(text) != p.key || pipeline.KindOf(err) == pipeline.Bug && err != nil {
				return "its bytes are not those of its name", nil
			}
			return "", err
		})
		return err
	})
}

// readCommits holds every commit against its name, its recipe and its blobs.
func (a *audit) readCommits(ctx context.Context) error {
	return a.under(ctx, "commits/", func(ctx context.Context, i store.Info) error {
		p := placeOf(i.Name)
		if p.kind != commitPlace {
			return nil
		}
		c, is, err := object(ctx, a, i.Name, func(c pipeline.Commit) string { return unfit(p.key, c) })
		if err != nil || is == absent {
			return err
		}
		if a.keys[sumOf(p.key)]&hasRecipe == 0 {
			there, err := a.there(ctx, recipeName(p.key))
			if err != nil {
				return err
			}
			if !there {
				a.fault(Fault{Object: recipeName(p.key), Fault: IsMissing, Weight: Damage, What: "there is a commit of it"})
			}
		}
		if is != intact {
			return nil
		}
		if !knownStep(c.Step) {
			return a.strangeStep(ctx, i.Name, c)
		}
		for _, f := range c.Files {
			said, err := a.blob(ctx, f.Blob, f.Bytes)
			switch {
			case err != nil:
				return err
			case said == blobBad:
				a.named(f.Blob, p.key)
			case said == claimFalse:
				a.fault(Fault{Object: i.Name, Fault: IsDamaged, Weight: Damage, What: fmt.Sprintf("it says that blob %s has %d bytes, which it has not", f.Blob.Short(), f.Bytes)})
			}
		}
		return nil
	})
}

// knownStep tells whether this build makes results of a step.
func knownStep(s pipeline.Step) bool {
	switch s {
	case pipeline.StepIntake, pipeline.StepSurvey, pipeline.StepProfile, pipeline.StepFit, pipeline.StepWeigh, pipeline.StepLevel, pipeline.StepFile, pipeline.StepCheck:
		return true
	}
	return false
}

// strangeStep tells a newer build's commit from one whose step is damaged.
func (a *audit) strangeStep(ctx context.Context, name string, c pipeline.Commit) error {
	var r pipeline.Recipe
	err := store.ReadJSON(ctx, a.s, recipeName(c.Key), &r)
	f := Fault{Object: name, Fault: IsDamaged, Weight: Damage, What: fmt.Sprintf("it says that it is of step %.40q and its recipe does not", string(c.Step))}
	if err == nil && r.Step == c.Step {
		f = Fault{Object: name, Fault: IsUnknown, Weight: Notice, What: fmt.Sprintf("it is of a step that this build does not know: %.40q", string(c.Step))}
	}
	if err == nil || errors.Is(err, store.ErrDamaged) || errors.Is(err, store.ErrAbsent) {
		a.fault(f)
		return nil
	}
	return err
}

// named notes that a commit names a blob that is bad.
func (a *audit) named(blob, key pipeline.Digest) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if f := a.faults[store.BlobName(blob)]; f != nil {
		f.commits = append(f.commits, key)
	}
}

// unfit says why a commit can't be the one of a key, "" where it can.
func unfit(key pipeline.Digest, c pipeline.Commit) string {
	if c.Key != key {
		return "it is the commit of another key"
	}
	audio := 0
	for _, f := range c.Files {
		if f.Role == "audio" {
			audio++
		}
	}
	if c.Fault != "" {
		return ""
	}
	var record any
	switch c.Step {
	case pipeline.StepIntake:
		record = &pipeline.IntakeRecord{}
	case pipeline.StepSurvey:
		record = &pipeline.SurveyRecord{}
	case pipeline.StepProfile:
		record = &pipeline.ProfileRecord{}
	case pipeline.StepFit:
		record = &pipeline.FitRecord{}
	case pipeline.StepWeigh:
		record = &pipeline.WeighRecord{}
	case pipeline.StepLevel:
		record = &pipeline.LevelRecord{}
	case pipeline.StepFile:
		record = &pipeline.FileRecord{}
		if audio != 1 {
			return fmt.Sprintf("it names %d files of audio, where a chapter's file is one", audio)
		}
	case pipeline.StepCheck:
		record = &pipeline.CheckRecord{}
	default:
		return "" // a newer build's, perhaps: its recipe tells
	}
	if bytes.Equal(bytes.TrimSpace(c.Record), []byte("null")) || len(c.Record) == 0 {
		return "it holds neither a record nor a fault of the source"
	}
	if err := c.Decode(record); err != nil {
		return "its record can't be read: " + err.Error()
	}
	return ""
}

// readTries reads what there is of failed tries and of what was given up.
func (a *audit) readTries(ctx context.Context) error {
	for _, prefix := range []string{"attempts/", "quarantine/"} {
		err := a.under(ctx, prefix, func(ctx context.Context, i store.Info) (err error) {
			switch placeOf(i.Name).kind {
			case failurePlace:
				_, _, err = object(ctx, a, i.Name, func(f pipeline.Failure) string {
					if f.Kind == "" {
						return "it does not say of what kind the failure was"
					}
					return ""
				})
			case quarantinePlace:
				_, _, err = object(ctx, a, i.Name, func(q Quarantine) string {
					if q.Reason == "" {
						return "it gives no reason"
					}
					return ""
				})
			}
			return err
		})
		if err != nil {
			return err
		}
	}
	for s, has := range a.keys {
		if has&(hasRecipe|hasCommit) != 0 {
			continue // what has a commit was named already
		}
		key := pipeline.Digest(fmt.Sprintf("%x", s))
		there, err := a.there(ctx, recipeName(key))
		if err != nil {
			return err
		}
		name := "attempts/" + string(key) + "/"
		if has&hasQuarantine != 0 {
			name = quarantineName(key)
		}
		if !there {
			a.fault(Fault{Object: name, Fault: IsStale, Weight: Notice, What: "what was tried is not written down: there is no recipe"})
		}
	}
	return nil
}
