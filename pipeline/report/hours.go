package report

import (
	"io"
	"maps"
	"slices"

	"chapterhouse/pipeline"
)

// HoursCSV writes the finished minutes of titles, a row for each narrator of
// each: of chapters, and apart of opening, closing and excerpt. A chapter in
// several voices is shared by how long each of them speaks; what no narrator
// reads, as music, stands in no row. narrator is whose rows are written, empty
// for all.
func HoursCSV(w io.Writer, narrator string, reports ...Report) error {
	t := newTable(w)
	t.row("title", "run", "narrator", "name", "files of", "chapters", "chapters min", "opening min", "closing min", "excerpt min", "all min")
	for _, r := range reports {
		hours, spec := hoursOf(r.Outcome)
		for _, who := range slices.Sorted(maps.Keys(hours)) {
			if narrator != "" && who != narrator {
				continue
			}
			h := hours[who]
			min := func(roles ...pipeline.Role) (m float64) {
				for _, role := range roles {
					m += h.seconds[role] / 60
				}
				return m
			}
			t.row(r.Title, r.Run, who, r.Narrators[who], spec, h.chapters, min(pipeline.RoleChapter), min(pipeline.RoleOpening), min(pipeline.RoleClosing), min(pipeline.RoleExcerpt),
				min(pipeline.RoleChapter, pipeline.RoleOpening, pipeline.RoleClosing, pipeline.RoleExcerpt))
		}
	}
	return t.close()
}

// hours is what one narrator has of a title.
type hours struct {
	chapters int // with a part of theirs
	seconds  map[pipeline.Role]float64
}

// hoursOf adds a title's finished files up by narrator, and tells whose spec's
// files they are: a chapter is as long in all of them, but for heads and tails.
func hoursOf(o pipeline.Outcome) (all map[string]*hours, spec string) {
	all = map[string]*hours{}
	if len(o.Specs) == 0 {
		return all, ""
	}
	spec = o.Specs[0].Spec
	for _, ch := range o.Chapters {
		f, ok := fileOf(ch, spec)
		if !ok || ch.Role == pipeline.RoleAsset {
			continue
		}
		for who, share := range shares(ch) {
			h := all[who]
			if h == nil {
				h = &hours{seconds: map[pipeline.Role]float64{}}
				all[who] = h
			}
			h.seconds[ch.Role] += f.Record.LengthS * share
			if ch.Role == pipeline.RoleChapter {
				h.chapters++
			}
		}
	}
	return all, spec
}

// shares are how much of a chapter each narrator has, by the time from their
// first to their last word; in all 1.
func shares(ch pipeline.ChapterOutcome) map[string]float64 {
	of, sum := map[string]float64{}, 0.0
	for _, p := range ch.Parts {
		cut := p.Profile.Cut
		s := 0.0
		if cut.RateHz > 0 {
			s = cut.Speech.Len().Seconds(cut.RateHz)
		}
		of[p.Voice.Narrator] += s
		sum += s
	}
	for who := range of {
		if sum > 0 {
			of[who] /= sum
		} else {
			of[who] = 1 / float64(len(of))
		}
	}
	return of
}
