package coordinator

import (
	"bytes"
	"context"
	"fmt"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// runAudit is one run that stands or is wanted.
type runAudit struct {
	*audit
	title, run string
	standing   bool
	night      string // the run of the title that is under way, if this one stands beside it
	sub        pipeline.Submission
}

func (r *runAudit) name(what string) string { return runName(r.title, r.run, what) }

func (r *runAudit) whole() Hit {
	return Hit{Title: r.title, Run: r.run, Standing: r.standing, Chapter: pipeline.WholeTitle}
}

// read reads a run's objects.
func (r *runAudit) read(ctx context.Context) error {
	sub, ok, err := part(ctx, r, "submit", true, r.badSubmission)
	if err != nil {
		return err
	}
	r.sub = sub
	if ok {
		if err := r.sources(ctx); err != nil {
			return err
		}
	}
	if _, _, err := part(ctx, r, "engine", r.standing && ok && sub.Engine.Arch == "", func(pipeline.Engine) string { return "" }); err != nil {
		return err
	}
	plan, planned, err := part(ctx, r, "plan", r.standing, func(pipeline.Plan) string { return "" })
	if err != nil {
		return err
	}
	r.chapters(plan, planned)
	if _, _, err := part(ctx, r, "fits", r.standing, func(pipeline.Fits) string { return "" }); err != nil {
		return err
	}
	if _, _, err := part(ctx, r, "gains", r.standing, func(pipeline.Gains) string { return "" }); err != nil {
		return err
	}
	o, closed, err := part(ctx, r, "close", r.standing, r.badClose)
	if err != nil || !closed || !r.standing {
		return err
	}
	if err := r.close(ctx, o); err != nil {
		return err
	}
	return r.shares(ctx, o)
}

// part reads one of the run's objects; ok is false where it is not there or
// not whole. One that is needed and not there is a fault.
func part[T any](ctx context.Context, r *runAudit, what string, needed bool, judge func(T) string) (v T, ok bool, err error) {
	v, is, err := object(ctx, r.audit, r.name(what), judge)
	if is == absent && needed && err == nil {
		r.fault(Fault{Object: r.name(what), Fault: IsMissing, Weight: Damage, What: "the run can't have come this far without it"})
	}
	if is != intact {
		r.hit(r.name(what), r.whole())
	}
	return v, is == intact && err == nil, err
}

func (r *runAudit) badSubmission(s pipeline.Submission) string {
	if s.Title.Slug != r.title {
		return fmt.Sprintf("it is of another title: %.80q", s.Title.Slug)
	}
	return ""
}

func (r *runAudit) badClose(o pipeline.Outcome) string {
	if o.Slug != r.title || o.Run != r.run {
		return fmt.Sprintf("it is of another run: %.80q of %.80q", o.Run, o.Slug)
	}
	for _, ch := range o.Chapters {
		for _, f := range ch.Files {
			if !f.Key.Valid() {
				return fmt.Sprintf("it names no commit of chapter %d for %.80q", ch.Number, f.Spec)
			}
		}
	}
	return ""
}

// sources wants every upload of the submission in the store.
func (r *runAudit) sources(ctx context.Context) error {
	for _, src := range r.sub.Sources {
		said, err := r.blob(ctx, src.Blob, src.Bytes)
		switch {
		case err != nil:
			return err
		case said == claimFalse:
			r.fault(Fault{Object: r.name("submit"), Fault: IsDamaged, Weight: Damage, What: fmt.Sprintf("it says that the upload of %s has %d bytes, which it has not", src.Path, src.Bytes)})
			r.hit(r.name("submit"), r.whole())
		case said == blobBad:
			name := store.BlobName(src.Blob)
			r.upload(name)
			for _, ch := range r.sub.Title.Chapters {
				if who, ok := readers(r.sub.Title, ch, src.Path); ok {
					r.hit(name, Hit{Title: r.title, Run: r.run, Chapter: ch.Number, Name: ch.Name, Narrators: who, Files: []string{src.Path}})
				}
			}
		}
	}
	return nil
}

// upload marks a blob as one that was uploaded.
func (a *audit) upload(blob string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if f := a.faults[blob]; f != nil {
		f.source = true
	}
}

// readers are the narrators of a chapter's parts in a file, if it has any.
func readers(t pipeline.Title, ch pipeline.TitleChapter, file string) (who []string, ok bool) {
	for _, p := range ch.Parts {
		if p.File != file {
			continue
		}
		ok = true
		if n := narratorOf(t, p); n != "" {
			who = append(who, n)
		}
	}
	return joined(who, nil), ok
}

// close holds what a run says of its files against their commits and blobs.
func (r *runAudit) close(ctx context.Context, o pipeline.Outcome) error {
	for _, ch := range o.Chapters {
		for _, f := range ch.Files {
			h := r.chapter(ch)
			h.Standing, h.Specs = true, []string{f.Spec}
			if err := r.file(ctx, f, h); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *runAudit) file(ctx context.Context, f pipeline.FileOutcome, h Hit) error {
	said, err := r.blob(ctx, f.Blob, f.Bytes)
	if err != nil {
		return err
	}
	r.hit(store.BlobName(f.Blob), h)
	r.hit(recipeName(f.Key), h)
	name := commitName(f.Key)
	c, is, err := object(ctx, r.audit, name, func(c pipeline.Commit) string { return unfit(f.Key, c) })
	switch {
	case err != nil:
		return err
	case is == absent:
		r.fault(Fault{Object: name, Fault: IsMissing, Weight: Damage, What: "the standing run has a file of it"})
	case is == intact && !r.bad(name):
		if wrong := differs(f, c, said); wrong != "" {
			r.fault(Fault{Object: r.name("close"), Fault: IsWrong, Weight: Damage, What: fmt.Sprintf("chapter %d for %s %s", h.Chapter, f.Spec, wrong)})
			r.hit(r.name("close"), h)
		}
	}
	r.hit(name, h)
	for _, object := range []string{store.BlobName(f.Blob), name} {
		r.underWay(object)
	}
	return nil
}

// underWay notes the run that makes again what the standing one lacks.
func (r *runAudit) underWay(object string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	night := "run " + r.night + " of " + r.title
	if f := r.faults[object]; f != nil && r.night != "" && (f.night == "" || night < f.night) {
		f.night = night
	}
}

// differs says in what a close is other than the commit of one of its files.
func differs(f pipeline.FileOutcome, c pipeline.Commit, said claim) string {
	for _, out := range c.Files {
		if out.Role == "audio" && (out.Blob != f.Blob || out.Bytes != f.Bytes && said != blobBad) {
			return "is another file than the commit's"
		}
	}
	var there pipeline.FileRecord
	if c.Fault != "" || c.Decode(&there) != nil {
		return "is a file of a commit that has none"
	}
	a, errA := pipeline.Canonical(f.Record)
	b, errB := pipeline.Canonical(there)
	if errA != nil || errB != nil || !bytes.Equal(a, b) {
		return "was measured otherwise than the commit says"
	}
	return ""
}

// chapter is a hit on a chapter of a closed run.
func (r *runAudit) chapter(ch pipeline.ChapterOutcome) Hit {
	h := Hit{Title: r.title, Run: r.run, Chapter: ch.Number, Name: ch.Name}
	for _, p := range ch.Parts {
		h.Files = joined(h.Files, []string{p.Path})
		if p.Voice.Narrator != "" {
			h.Narrators = joined(h.Narrators, []string{p.Voice.Narrator})
		}
	}
	return h
}
