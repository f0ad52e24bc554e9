package pipeline

import (
	"cmp"
	"math"
	"slices"

	"chapterhouse/dsp"
)

// pastSpeechS is how much speech a part has that a session is known by; what is
// shorter, as openings are, says little of it.
const pastSpeechS = 60

// Pasts are what the sessions of a narrator were like in a run: the middle of
// its parts with a minute of speech, of all where none has, and what stages did
// in the middle of its chapters. Chapters counts those with such a part. They are
// in the order of setup and session, and as long whatever the chapters are.
func Pasts(o Outcome, narrator string) []Past {
	var out []Past
	parts, short := map[string][]Likeness{}, map[string][]Likeness{}
	stages := map[string]map[string][]StageUse{}
	for _, ch := range o.Chapters {
		if ch.Role == RoleAsset {
			continue
		}
		seen, counted := map[string]bool{}, map[string]bool{}
		for _, p := range ch.Parts {
			if p.Voice.Narrator != narrator || p.Session == "" {
				continue
			}
			id := SessionID(narrator, p.Voice.Setup, p.Session)
			i := slices.IndexFunc(out, func(past Past) bool { return past.Setup == p.Voice.Setup && past.Session == p.Session })
			if i < 0 {
				i, out = len(out), append(out, Past{Title: o.Slug, Run: o.Run, Setup: p.Voice.Setup, Session: p.Session})
				stages[id] = map[string][]StageUse{}
			}
			if long := p.Profile.SpeechS >= pastSpeechS && ch.Role == RoleChapter; !long {
				short[id] = append(short[id], likenessOf(p))
			} else {
				parts[id] = append(parts[id], likenessOf(p))
				if !counted[id] {
					counted[id] = true
					out[i].Chapters++
				}
			}
			if seen[id] {
				continue
			}
			seen[id] = true
			if len(ch.Files) > 0 && ch.Role == RoleChapter && alone(ch) {
				for _, u := range ch.Files[0].Record.Stages {
					stages[id][u.Stage] = append(stages[id][u.Stage], u)
				}
			}
		}
	}
	for i := range out {
		id := SessionID(narrator, out[i].Setup, out[i].Session)
		if len(parts[id]) == 0 {
			parts[id] = short[id]
		}
		out[i].Likeness = LikenessOf(parts[id])
		for stage, uses := range stages[id] {
			out[i].Stages = append(out[i].Stages, usual(stage, uses))
		}
		slices.SortFunc(out[i].Stages, func(a, b StageUse) int { return cmp.Compare(a.Stage, b.Stage) })
	}
	slices.SortFunc(out, func(a, b Past) int { return cmp.Or(cmp.Compare(a.Setup, b.Setup), cmp.Compare(a.Session, b.Session)) })
	return out
}

// alone tells whether all of a chapter is of one session.
func alone(ch ChapterOutcome) bool {
	for _, p := range ch.Parts {
		if first := ch.Parts[0]; p.Voice.Narrator != first.Voice.Narrator || p.Voice.Setup != first.Voice.Setup || p.Session != first.Session {
			return false
		}
	}
	return true
}

// likenessOf is a part's, or what its profile says of it where it has none.
func likenessOf(p PartOutcome) Likeness {
	l := p.Likeness
	if len(l.Spectrum) == 0 && l.Speech == 0 && l.Floor == 0 {
		l.Speech, l.Floor = p.Profile.Levels.Speech, dsp.DBFS(dsp.Unmeasured)
		if p.Profile.Floor.Windows > 0 {
			l.Floor = p.Profile.Floor.Median
		}
		l.SNR = dsp.DB(l.Speech - l.Floor)
	}
	return l
}

func usual(stage string, uses []StageUse) StageUse {
	of := func(get func(StageUse) float64) float64 {
		var v []float64
		for _, u := range uses {
			v = append(v, get(u))
		}
		return median(v)
	}
	return StageUse{
		Stage: stage, Share: of(func(u StageUse) float64 { return u.Share }),
		MedianDB: dsp.DB(of(func(u StageUse) float64 { return float64(u.MedianDB) })),
		P95DB:    dsp.DB(of(func(u StageUse) float64 { return float64(u.P95DB) })),
		MaxDB:    dsp.DB(of(func(u StageUse) float64 { return float64(u.MaxDB) })),
		UpDB:     dsp.DB(of(func(u StageUse) float64 { return float64(u.UpDB) })),
	}
}

// median is the middle of what is finite, to a hundredth; NaN where nothing is.
func median(all []float64) float64 {
	v := slices.DeleteFunc(slices.Clone(all), func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return dsp.Round2((v[len(v)/2] + v[(len(v)-1)/2]) / 2)
}
