package coordinator

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/series"
	"chapterhouse/pipeline/split"
)

// close judges a finished run. It is pure over the run's objects, so that two
// coordinators closing at once write the same bytes.
func (p *pass) close(plan pipeline.Plan, profiles []chapterOf[pipeline.ProfileRecord], fits pipeline.Fits, gains pipeline.Gains, files []made) (pipeline.Outcome, error) {
	o := pipeline.Outcome{
		Run: p.run, Slug: p.title, Title: p.sub.Title.Name, House: p.sub.House, Signed: p.sub.Settings.Name, RateHz: plan.RateHz,
		Specs: plan.Specs, Skipped: plan.Skipped, Gains: gains, Engine: p.sub.Engine,
		Author: p.sub.Title.Author, Language: p.sub.Title.Language, Year: p.sub.Title.Year,
		Sessions: p.sessions(fits), Cost: p.spent(), Narrators: map[string]string{},
	}
	for who, n := range p.sub.Narrators {
		o.Narrators[who] = n.Name
	}
	seen := check.Title{Specs: map[string]pipeline.Spec{}, Narrators: p.sub.Narrators, Sessions: o.Sessions, History: plan.History}
	for _, s := range plan.Specs {
		seen.Specs[s.Spec] = s
	}
	for i := range plan.Chapters {
		o.Chapters = append(o.Chapters, p.chapter(plan, i, profiles[i], fits, files[i]))
		o.Chapters[i].Findings = files[i].check.Findings
	}
	seen.Chapters = o.Chapters
	o.Verdict = pipeline.Ready
	for i := range o.Chapters {
		ch := &o.Chapters[i]
		found := append(append([]pipeline.Finding{}, plan.Chapters[i].Findings...), files[i].check.Findings...)
		found = append(found, check.Read(p.c.Checks, seen, i)...)
		named(found, ch.Parts)
		if ch.Hole != "" {
			found = append(found, pipeline.Finding{Check: "hole", Measured: ch.Hole, Do: "mend or replace the source, then run the title again; what was given up after tries is tried again with --again", Weight: pipeline.Return})
		}
		found = append(found, pipeline.Noted(p.sub.Notes, ch.Number, bodiesOf(*ch, plan.Specs))...)
		for j, f := range found {
			found[j] = seen.Deed(f, i)
		}
		inOrder(found)
		ch.Findings, ch.Verdict = pipeline.Judge(found, ch.Number, p.sub.Decisions)
		for j := range ch.Files {
			_, ch.Files[j].Verdict = pipeline.Judge(ofSpec(found, ch.Files[j].Spec), ch.Number, p.sub.Decisions)
		}
		o.Verdict = pipeline.Worse(o.Verdict, ch.Verdict)
	}
	var title pipeline.Verdict
	o.Findings = slices.Concat(plan.Findings, check.Whole(p.c.Checks, seen))
	whole := slices.Concat(o.Findings, idle(p.sub.Decisions, o), pipeline.StrayNotes(p.sub.Notes, o.Chapters))
	for i, f := range whole {
		whole[i] = check.Deed(f)
	}
	o.Findings, title = pipeline.Judge(whole, pipeline.WholeTitle, p.sub.Decisions)
	o.Verdict = pipeline.Worse(o.Verdict, title)
	o.Withheld = withheld(o)
	o.Excerpt = p.excerpt(o.Chapters, files)
	for _, who := range slices.Sorted(maps.Keys(p.sub.Narrators)) {
		o.Dismissed = append(o.Dismissed, pipeline.Dismissals(who, pipeline.AddTallies(append(slices.Clone(plan.Tallies[who]), pipeline.Tallies(o, who)...)))...)
	}
	return o, nil
}

// bodiesOf are where a chapter's recordings stand in the files that people
// hear: those of the first spec that has any.
func bodiesOf(ch pipeline.ChapterOutcome, specs []pipeline.Spec) pipeline.Bodies {
	for _, s := range specs {
		if slices.ContainsFunc(ch.Files, func(f pipeline.FileOutcome) bool { return f.Spec == s.Spec }) {
			return ch.Bodies(s)
		}
	}
	return nil
}

// excerpt is what could be the title's, where it names none itself.
func (p *pass) excerpt(chapters []pipeline.ChapterOutcome, files []made) *pipeline.Excerpt {
	if slices.ContainsFunc(chapters, func(ch pipeline.ChapterOutcome) bool { return ch.Role == pipeline.RoleExcerpt }) {
		return nil
	}
	pauses := make([][][]pipeline.Span, len(files))
	for i, m := range files {
		pauses[i] = m.check.Pauses
	}
	e := split.Excerpt(chapters, pauses)
	if e != nil && e.Narrator == p.sub.Title.Narrator {
		e.Narrator = ""
		if e.Setup == p.sub.Title.Setup {
			e.Setup = ""
		}
	}
	return e
}

// idle are decisions that lift nothing: on chapters that the run does not have,
// whose numbers are wrong, or another than before since a chapter was split; or
// at a place or in a spec where nothing was found.
func idle(decisions []pipeline.Decision, o pipeline.Outcome) (out []pipeline.Finding) {
	say := func(measured, do string) {
		out = append(out, pipeline.Finding{Check: "decision", Measured: measured, Do: do, Weight: pipeline.Ready})
	}
	for _, d := range decisions {
		found, number, of := o.Findings, pipeline.WholeTitle, d.Check+" of the title"
		if d.Chapter != pipeline.WholeTitle {
			i := slices.IndexFunc(o.Chapters, func(ch pipeline.ChapterOutcome) bool { return ch.Number == d.Chapter })
			if i < 0 {
				say(fmt.Sprintf("%s of chapter %d, which this run does not have", d.Check, d.Chapter), fmt.Sprintf("correct the chapter's number in decisions.yaml, or remove the decision on %s of chapter %d", d.Check, d.Chapter))
				continue
			}
			if o.Chapters[i].Hole != "" {
				continue // what it was on can't be looked for
			}
			found, number, of = o.Chapters[i].Findings, d.Chapter, fmt.Sprintf("%s of chapter %d at %s", d.Check, d.Chapter, pipeline.Clock(d.AtS))
		}
		if slices.ContainsFunc(found, func(f pipeline.Finding) bool { return d.Holds(f, number) }) {
			continue
		}
		do := "correct check and place as findings.csv has them, or remove the decision"
		var specs []string
		for _, f := range found {
			other := d
			if other.Spec = f.Spec; other.Holds(f, number) && !slices.Contains(specs, f.Spec) {
				specs = append(specs, f.Spec)
			}
		}
		switch {
		case slices.Equal(specs, []string{""}):
			do = "leave the spec out: this check judges none"
		case len(specs) > 0:
			do = "correct the spec, or leave it out for all: it was found in " + strings.Join(specs, " and ")
		}
		say(of+" lifts nothing that this run found", "in decisions.yaml, "+of+": "+do)
	}
	return out
}

// chapter gathers what is known of one chapter.
func (p *pass) chapter(plan pipeline.Plan, i int, profiles chapterOf[pipeline.ProfileRecord], fits pipeline.Fits, m made) pipeline.ChapterOutcome {
	planned := plan.Chapters[i]
	ch := pipeline.ChapterOutcome{Number: planned.Number, Name: planned.Name, Role: planned.Role, Text: planned.Text, Hole: m.hole}
	for j, part := range planned.Parts {
		out := pipeline.PartOutcome{Part: part}
		if is, ok := plan.Sources[part.Source]; ok {
			is.Cues = nil // the plan has them once; in each of the chapters they make they would be their square
			out.Is = &is
		}
		if profiles.there() {
			out.Profile = profiles.parts[j]
			cut := out.Profile.Cut
			out.SourceS = cut.Span.Len().Seconds(cut.SourceRateHz)
			if planned.Role != pipeline.RoleAsset {
				session, fit := p.fitOf(plan, fits, i, j, out.Profile)
				out.Session, out.FitDB = session, fit.GainDB
			}
		}
		if j < len(m.check.Likeness) {
			out.Likeness = m.check.Likeness[j]
		}
		if j < len(m.check.Pauses) && profiles.there() {
			out.Likeness.Pauses, out.Longest = pipeline.HabitOf(m.check.Pauses[j], out.Spoken(), out.Profile.Cut.SourceRateHz)
		}
		ch.Parts = append(ch.Parts, out)
	}
	if ch.Text != nil && ch.Text.Syllables > 0 {
		for j := range ch.Parts {
			ch.Parts[j].Likeness.SyllableS = math.Round(1e4*ch.SpokenS()/float64(ch.Text.Syllables)) / 1e4
		}
	}
	for _, f := range m.files {
		out := pipeline.FileOutcome{
			Spec: f.spec.Spec, Format: f.recipe.Format, Key: f.commit.Key, TrimDB: f.recipe.TrimDB + f.record.CorrectDB,
			Record: f.record, FloorGain: floorGain(f, profiles.parts),
		}
		for _, part := range f.recipe.Parts {
			out.GainDB = append(out.GainDB, part.GainDB)
		}
		for _, blob := range f.commit.Files {
			switch blob.Role {
			case "audio":
				out.Blob, out.Bytes = blob.Blob, blob.Bytes
			case series.FileRole:
				out.Series = blob.Blob
			case series.SourceRole:
				out.Source = blob.Blob
			}
		}
		ch.Files = append(ch.Files, out)
	}
	return ch
}

func (p *pass) sessions(fits pipeline.Fits) []pipeline.SessionOutcome {
	var out []pipeline.SessionOutcome
	for id, fit := range fits.Sessions {
		narrator, setup, session := pipeline.SplitSessionID(id)
		s := pipeline.SessionOutcome{Narrator: narrator, Setup: setup, Session: session, Fit: fit, Notes: fit.Notes}
		if c := p.sub.Chain(narrator, setup); c != nil {
			s.Chain, s.Revision = c.Chain, c.Digest()
			s.Notes = append(slices.Clone(s.Notes), chain.Idle(c.Stages, fit.Facts)...)
		}
		out = append(out, s)
	}
	sort.Slice(out, func(a, b int) bool {
		x, y := out[a], out[b]
		return pipeline.SessionID(x.Narrator, x.Setup, x.Session) < pipeline.SessionID(y.Narrator, y.Setup, y.Session)
	})
	return out
}

// withheld says for each spec why its delivery can't leave, if so.
func withheld(o pipeline.Outcome) map[string]string {
	out := map[string]string{}
	for _, s := range o.Specs {
		for _, ch := range o.Chapters {
			if ch.Hole != "" {
				out[s.Spec] = fmt.Sprintf("chapter %d, %s, is missing: %s", ch.Number, ch.Name, ch.Hole)
				break
			}
			for _, f := range ch.Files {
				if f.Spec == s.Spec && f.Verdict == pipeline.Return {
					out[s.Spec] = fmt.Sprintf("chapter %d, %s, is to be returned", ch.Number, ch.Name)
				}
			}
			if out[s.Spec] != "" {
				break
			}
		}
	}
	return out
}

// inOrder puts findings in the order of time, source by source.
func inOrder(found []pipeline.Finding) {
	first := map[string]int{}
	for i, f := range found {
		if _, known := first[f.Path]; !known {
			first[f.Path] = i
		}
	}
	sort.SliceStable(found, func(a, b int) bool {
		if x, y := first[found[a].Path], first[found[b].Path]; x != y {
			return x < y
		}
		return found[a].StartS < found[b].StartS
	})
}

// ofSpec is the findings that count for one spec: its own and the recording's.
func ofSpec(found []pipeline.Finding, spec string) []pipeline.Finding {
	var out []pipeline.Finding
	for _, f := range found {
		if f.Spec == "" || f.Spec == spec {
			out = append(out, f)
		}
	}
	return out
}

// named puts this title's file names to findings that know the blob alone.
func named(found []pipeline.Finding, parts []pipeline.PartOutcome) {
	for i := range found {
		for _, part := range parts {
			if part.Source == found[i].Source {
				found[i].Path = part.Path
			}
		}
	}
}

func addCost(a, b pipeline.Cost) pipeline.Cost {
	return pipeline.Cost{CPUS: math.Round((a.CPUS+b.CPUS)*1e3) / 1e3, AudioS: math.Round((a.AudioS+b.AudioS)*1e2) / 1e2}
}
