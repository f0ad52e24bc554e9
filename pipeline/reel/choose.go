// Package reel cuts three minutes out of a title's finished files that tell an
// ear most of it: how it starts, where it is loudest, quietest and sharpest, and
// the joins that step most.
package reel

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
)

// A Part is one stretch of a reel.
type Part struct {
	What    What            `json:"what"`
	Chapter int             `json:"chapter"`
	Name    string          `json:"name"`
	FromS   float64         `json:"from_s"` // in the chapter's file
	ToS     float64         `json:"to_s"`
	AtS     float64         `json:"at_s"` // in the reel
	Blob    pipeline.Digest `json:"-"`
	Format  pipeline.Format `json:"-"`
	joined  bool            // it follows the part before it without a pause
}

// What a part is there for.
type What string

const (
	Start    What = "start"
	Loudest  What = "loudest"
	Quietest What = "quietest"
	Sharpest What = "sharpest"
	Join     What = "join" // the end of a file, and right behind it the start of the next
)

const (
	lengthS       = 180.0
	startS        = 20.0
	spotS         = 10.0
	spotIntoS     = 3.5 // what is heard before a spot
	endS, beginS  = 5.0, 15.0
	pauseS, fadeS = 0.5, 0.02
)

// Spec is the spec whose files a reel is cut from: the first whose files lose
// nothing, else the first.
func Spec(specs []pipeline.Spec) (s pipeline.Spec, ok bool) {
	i := slices.IndexFunc(specs, func(s pipeline.Spec) bool { return s.Sound.Files[0].Format != pipeline.MP3 })
	if i < 0 && len(specs) > 0 {
		i = 0
	}
	if i < 0 {
		return s, false
	}
	return specs[i], true
}

// file is one finished file of the title.
type file struct {
	chapter pipeline.ChapterOutcome
	f       pipeline.FileOutcome
}

// Choose picks a reel's parts from a spec's files, in the order they are heard;
// none where there are no files.
func Choose(o pipeline.Outcome, spec string) []Part {
	var files []file
	for _, ch := range o.Chapters {
		if ch.Role == pipeline.RoleAsset || ch.Role == pipeline.RoleExcerpt {
			continue
		}
		for _, f := range ch.Files {
			if f.Spec == spec && f.Verdict != pipeline.Return {
				files = append(files, file{ch, f})
				break
			}
		}
	}
	if len(files) == 0 {
		return nil
	}
	c := &choice{left: lengthS}
	c.add(files[0], Start, 0, startS, false)
	for _, spot := range []struct {
		what What
		of   func(pipeline.FileRecord) pipeline.Spot
		sign float64
	}{
		{Loudest, func(r pipeline.FileRecord) pipeline.Spot { return r.Loudest }, 1},
		{Quietest, func(r pipeline.FileRecord) pipeline.Spot { return r.Quietest }, -1},
		{Sharpest, func(r pipeline.FileRecord) pipeline.Spot { return r.Sharpest }, 1},
	} {
		best := -1
		for i, f := range files {
			if s := spot.of(f.f.Record); s != (pipeline.Spot{}) && (best < 0 || spot.sign*float64(s.DB-spot.of(files[best].f.Record).DB) > 0) {
				best = i
			}
		}
		if best >= 0 {
			from := spot.of(files[best].f.Record).AtS - spotIntoS
			c.add(files[best], spot.what, from, from+spotS, false)
		}
	}
	for _, i := range c.joins(files) {
		before, after := files[i], files[i+1]
		c.add(before, Join, before.f.Record.LengthS-endS, before.f.Record.LengthS, false)
		c.add(after, Join, 0, beginS, true)
	}
	return c.parts
}

// choice fills a reel.
type choice struct {
	parts []Part
	at    float64
	left  float64
}

func (c *choice) add(f file, what What, fromS, toS float64, joined bool) {
	length := f.f.Record.LengthS
	from := max(0, min(fromS, length-(toS-fromS)))
	to := min(length, from+toS-fromS)
	if len(c.parts) > 0 && !joined {
		c.at += pauseS
	}
	c.parts = append(c.parts, Part{
		What: what, Chapter: f.chapter.Number, Name: f.chapter.Name, FromS: dsp.Round2(from), ToS: dsp.Round2(to), AtS: dsp.Round2(c.at),
		Blob: f.f.Blob, Format: f.f.Format.Format, joined: joined,
	})
	c.at += to - from
	c.left = lengthS - c.at
}

// joins are those that step most, as many as there is room for, in the title's order.
func (c *choice) joins(files []file) []int {
	type one struct {
		i    int
		step float64
	}
	var all []one
	for i := range len(files) - 1 {
		j := check.JoinOf(files[i].f.Record, files[i+1].f.Record)
		all = append(all, one{i, math.Abs(j.LevelDB)/check.JoinLevelDB + j.SpectrumDB/check.JoinSpectrumDB})
	}
	slices.SortStableFunc(all, func(a, b one) int {
		switch {
		case a.step > b.step:
			return -1
		case a.step < b.step:
			return 1
		}
		return 0
	})
	room := int(c.left / (pauseS + endS + beginS))
	var out []int
	for _, o := range all[:min(len(all), max(0, room))] {
		out = append(out, o.i)
	}
	slices.Sort(out)
	return out
}
