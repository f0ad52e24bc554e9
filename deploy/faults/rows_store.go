package faults

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"chapterhouse/deploy/faults/proxy"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

func rowsStore() []Row {
	return []Row{
		{N: 31, Fault: "a recording lies truncated in storage", do: damagedSource(func(n *night, d pipeline.Digest) error {
			return n.Bucket.Truncate(d)
		})},
		{N: 32, Fault: "a recording is overwritten after it was submitted", do: damagedSource(func(n *night, d pipeline.Digest) error {
			return n.kit.gateway.Put(n.bucket, store.BlobName(d), []byte("another recording"))
		})},
		{N: 33, Fault: "a result's commit is there and its file gone", do: missingFile},
	}
}

// damagedSource harms one recording between its submission and the night.
func damagedSource(harm func(*night, pipeline.Digest) error) func(context.Context, *round) error {
	return func(ctx context.Context, r *round) error {
		n, err := r.night(ctx, shape{})
		if err != nil {
			return err
		}
		for _, w := range n.workers {
			if err := w.End(ctx); err != nil {
				return err
			}
		}
		if err := n.submit(ctx); err != nil {
			return err
		}
		bad := n.house.Blobs[badChapter-1]
		if err := harm(n, bad); err != nil {
			return err
		}
		for _, w := range n.workers {
			if err := n.work(ctx, w); err != nil {
				return err
			}
		}
		if err := n.finish(ctx); err != nil {
			return err
		}
		if err := n.checkNames(ctx, store.BlobName(bad)); err != nil {
			return err
		}
		if err := n.madeOf(bad); err != nil {
			return err
		}
		return n.verify(ctx, expect{holes: map[int]string{badChapter: "damaged"}, strikes: strikes, tries: -1, damaged: true})
	}
}

// madeOf holds that no result was made of a recording that is damaged.
func (n *night) madeOf(bad pipeline.Digest) error {
	names, err := n.Bucket.List("commits/")
	if err != nil {
		return err
	}
	made := 0
	for _, name := range names {
		var r pipeline.Recipe
		if err := n.Bucket.JSON("recipes/"+string(keyOf(name))+".json", &r); err != nil {
			return err
		}
		if slices.Contains(r.Inputs(), bad) {
			made++
		}
	}
	n.round.count("results made of the damaged recording", made, 0)
	return nil
}

// checkNames has the program read storage back, and wants it to name an
// object as damaged, and no other.
func (n *night) checkNames(ctx context.Context, name string) error {
	said, err := n.desk.call(ctx, "", "check", "--read-data", "--json")
	var found struct {
		Faults []struct {
			Object, Weight string
		}
	}
	if jsonErr := json.Unmarshal([]byte(said), &found); jsonErr != nil {
		return fmt.Errorf("check: %w: %v", jsonErr, err)
	}
	if err == nil {
		n.round.violate("check --read-data ends well although %s is damaged", name)
	}
	named := false
	for _, f := range found.Faults {
		if f.Weight != "damage" {
			continue
		}
		if named = named || f.Object == name; f.Object != name {
			n.round.violate("check --read-data finds %s damaged, which it is not", f.Object)
		}
	}
	if !named {
		n.round.violate("check --read-data does not name %s: %s", name, said)
	}
	return nil
}

// sound has the program read storage back and wants it to find nothing.
func (n *night) sound(ctx context.Context) {
	if said, err := n.desk.call(ctx, "", "check", "--read-data"); err != nil {
		n.round.violate("check --read-data: %v\n%s", err, said)
	}
}

// missingFile takes a file away before the run closes, which the night makes
// again by itself, and another when it is closed, which check mends.
func missingFile(ctx context.Context, r *round) error {
	n, err := r.night(ctx, shape{})
	if err != nil {
		return err
	}
	trap := n.workers[0].Store.Catch(proxy.HoldReply, 0, 1, n.from(pipeline.StepFile, commits))
	if err := n.submit(ctx); err != nil {
		return err
	}
	call, err := wait(ctx, n, trap, "worker-1 commits a file")
	if err != nil {
		return err
	}
	if err := n.loseFile(call.Name); err != nil {
		return err
	}
	trap.Release()
	if err := n.finish(ctx); err != nil {
		return err
	}
	n.sound(ctx)
	_, o, err := n.Bucket.Standing(n.house.Slug)
	if err != nil {
		return err
	}
	gone := o.Chapters[badChapter-1].Files[0]
	if err := n.Bucket.Remove(gone.Blob); err != nil {
		return err
	}
	if err := n.checkNames(ctx, store.BlobName(gone.Blob)); err != nil {
		return err
	}
	n.watch.allow(commitName(gone.Key))
	return n.mended(ctx, gone.Blob)
}

// loseFile takes away what a commit names.
func (n *night) loseFile(commit string) error {
	// It is caught when it is told to the gateway, which takes a moment.
	err := await(context.Background(), closing, commit+" is there", func() (bool, error) { return n.Bucket.There(commit), nil })
	if err != nil {
		return err
	}
	var c pipeline.Commit
	if err := n.Bucket.JSON(commit, &c); err != nil {
		return err
	}
	if len(c.Files) == 0 {
		return fmt.Errorf("%s names no file", commit)
	}
	n.watch.allow(commit)
	return n.Bucket.Remove(c.Files[0].Blob)
}

// mended has storage put right, which has the title run again, and wants the
// file to be the one it was.
func (n *night) mended(ctx context.Context, gone pipeline.Digest) error {
	before, err := n.Bucket.Title(n.house.Slug)
	if err != nil {
		return err
	}
	if said, err := n.desk.call(ctx, "", "check", "--read-data", "--repair"); err != nil {
		return fmt.Errorf("%w\n%s", err, said)
	}
	t, err := n.Bucket.Title(n.house.Slug)
	if err != nil {
		return err
	}
	if t.Wanted == before.Wanted {
		n.round.violate("the repair has no run made again")
	}
	n.accepted = append(n.accepted, t.Wanted)
	if err := n.finish(ctx); err != nil {
		return err
	}
	if !n.Bucket.There(store.BlobName(gone)) {
		n.round.violate("the file that was gone is not made again")
	}
	again, err := n.doneAgain()
	if err != nil {
		return err
	}
	n.round.count("jobs done again, for two files", again, 2)
	return n.verify(ctx, expect{tries: 2})
}
