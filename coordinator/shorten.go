package coordinator

import (
	"context"
	"fmt"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/split"
)

// shorten cuts the chapters that are longer than the tightest of the run's
// specs takes, at pauses that a survey finds. ok is false while one is still to
// be made.
func (p *pass) shorten(ctx context.Context, plan *pipeline.Plan, files map[string]source) (ok bool, err error) {
	limit, any := split.LimitOf(plan.Specs)
	long := func(i int) bool {
		ch := plan.Chapters[i]
		return any && ch.Hole == "" && ch.Role == pipeline.RoleChapter && split.Length(ch.Chapter, ratesOf(ch.Chapter, files)) > limit.BodyS
	}
	surveys := 0
	recipes := func(i int) (all []pipeline.Recipe) {
		if !long(i) {
			return nil
		}
		for _, part := range plan.Chapters[i].Parts {
			r := pipeline.NewRecipe(pipeline.StepSurvey)
			r.Survey = &pipeline.SurveyRecipe{Source: part.Source, Span: part.Span}
			all = append(all, r)
		}
		return all
	}
	for i := range plan.Chapters {
		for _, r := range recipes(i) {
			plan.Surveyed = append(plan.Surveyed, *r.Survey)
			surveys++
		}
	}
	if surveys == 0 {
		return true, nil
	}
	results, err := p.phase(ctx, pipeline.StepSurvey, len(plan.Chapters), recipes)
	if err != nil {
		return false, err
	}
	p.chapters(*plan)
	if !ended(results) {
		return false, nil
	}
	pieces := make([][]pipeline.PlannedChapter, len(plan.Chapters))
	more := map[int]int{} // by number: how many files a chapter became, less one
	for i, ch := range plan.Chapters {
		if pieces[i] = []pipeline.PlannedChapter{ch}; !long(i) {
			continue
		}
		if pieces[i], err = p.cut(ch, results[i], ratesOf(ch.Chapter, files), limit); err != nil {
			return false, err
		}
		if n := len(pieces[i]) - 1; n > 0 {
			more[ch.Number] = n
			plan.Findings = append(slices.Clone(plan.Findings), pipeline.Finding{
				Check: "numbering", Weight: pipeline.Ready, Measured: fmt.Sprintf("%s became %d files", ch.Name, n+1),
				Do: fmt.Sprintf("nothing: what follows chapter %d is numbered %d higher", ch.Number, n),
			})
		}
	}
	plan.Chapters = numbered(pieces, more)
	return true, nil
}

// numbered puts the chapters' files in a row: one chapter's count on from its
// number, and what follows makes room.
func numbered(pieces [][]pipeline.PlannedChapter, more map[int]int) (out []pipeline.PlannedChapter) {
	for _, of := range pieces {
		room, own := 0, of[0].Number
		for number, n := range more {
			if number < own {
				room += n
			}
		}
		for i := range of {
			of[i].Number = own + room + i
			out = append(out, of[i])
		}
	}
	return out
}

// ratesOf are the rates of a chapter's sources, part by part.
func ratesOf(ch pipeline.Chapter, files map[string]source) (rates []int) {
	for _, part := range ch.Parts {
		rates = append(rates, files[part.Path].is.RateHz)
	}
	return rates
}

// cut makes a chapter's files of its surveys, or a hole where there is none or
// no pause was found.
func (p *pass) cut(ch pipeline.PlannedChapter, surveys []result, rates []int, limit split.Limit) ([]pipeline.PlannedChapter, error) {
	var pauses [][]pipeline.Span
	for j, r := range surveys {
		if r.state == hole {
			ch.Hole = ch.Parts[j].Path + ": " + r.why
			return []pipeline.PlannedChapter{ch}, nil
		}
		var rec pipeline.SurveyRecord
		if err := decode(r.commit, &rec); err != nil {
			return nil, err
		}
		pauses = append(pauses, rec.Pauses)
	}
	pieces, found, why := split.Over(ch.Chapter, rates, pauses, limit)
	if why != "" {
		ch.Hole = why
		return []pipeline.PlannedChapter{ch}, nil
	}
	var out []pipeline.PlannedChapter
	for i, piece := range pieces {
		one := pipeline.PlannedChapter{Chapter: piece, Findings: found[i]}
		if i == 0 {
			one.Findings = append(slices.Clone(ch.Findings), one.Findings...)
		}
		out = append(out, one)
	}
	return out, nil
}
