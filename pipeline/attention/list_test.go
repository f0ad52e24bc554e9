package attention

import (
	"math"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

const rate = 8000

func spec() pipeline.Spec {
	return pipeline.Spec{Spec: "lossless", Sound: pipeline.Sound{Edges: pipeline.Edges{HeadAimS: 0.5}, Files: []pipeline.FileFormat{{Format: pipeline.WAV}}}}
}

// chapter is one of a single recording, 60 s from its tenth second on.
func chapter(number int, v pipeline.Verdict, found ...pipeline.Finding) pipeline.ChapterOutcome {
	source := pipeline.DigestOf([]byte{byte(number)})
	for i := range found {
		if found[i].EndS > 0 {
			found[i].Source, found[i].Path = source, "a.wav"
		}
	}
	return pipeline.ChapterOutcome{
		Number: number, Name: "Chapter", Role: pipeline.RoleChapter, Verdict: v, Findings: found,
		Parts: []pipeline.PartOutcome{{
			Part: pipeline.Part{Source: source, Voice: pipeline.Voice{Narrator: "ines-marlow"}},
			Profile: pipeline.ProfileRecord{
				Levels: meter.Levels{Integrated: -29, TruePeak: -9, Frames: 1},
				Cut:    pipeline.Cut{Source: source, SourceRateHz: rate, RateHz: rate, Span: pipeline.Span{From: 10 * rate, To: 70 * rate}, Speech: pipeline.Span{From: rate, To: 59 * rate}},
			},
		}},
		Files: []pipeline.FileOutcome{{
			Spec: "lossless", Format: pipeline.FileFormat{Format: pipeline.WAV}, Blob: pipeline.DigestOf([]byte{byte(number), 'f'}),
			Record: pipeline.FileRecord{Levels: meter.Levels{Integrated: -19, TruePeak: -3}, LengthS: 60},
		}},
	}
}

func finding(check string, w pipeline.Verdict, at float64) pipeline.Finding {
	return pipeline.Finding{Check: check, Weight: w, StartS: at, EndS: at}
}

// TestOf: what returns comes first, then what has most to hear; within a chapter
// time rules, and what asks for nobody stays below.
func TestOf(t *testing.T) {
	lifted := finding("clicks", pipeline.Listen, 20)
	lifted.Accepted = "a door"
	twice := finding("limiter", pipeline.Listen, 30)
	twice.Spec = "lossless"
	again := twice
	again.Spec = "retail"
	o := pipeline.Outcome{Run: "000001", Slug: "tide", Title: "Tide", Specs: []pipeline.Spec{spec()}, Chapters: []pipeline.ChapterOutcome{
		chapter(1, pipeline.Listen, finding("clicks", pipeline.Listen, 40), finding("hum", pipeline.Ready, 20)),
		chapter(2, pipeline.Ready, finding("hum", pipeline.Ready, 20), lifted),
		chapter(3, pipeline.Listen, finding("clicks", pipeline.Listen, 50), twice, again, finding("esses", pipeline.Listen, 12), finding("pauses", pipeline.Listen, 10.2), pipeline.Finding{Check: "spread", Weight: pipeline.Listen}),
		chapter(4, pipeline.Return, finding("clicks", pipeline.Listen, 20), finding("dropout", pipeline.Return, 40)),
		chapter(5, pipeline.Listen, finding("clicks", pipeline.Listen, 40), finding("hum", pipeline.Ready, 20), finding("hum", pipeline.Ready, 30)),
	}, Findings: []pipeline.Finding{{Check: "numbering", Weight: pipeline.Listen}, {Check: "session", Weight: pipeline.Ready}}}
	l := Of(o)
	var got []string
	for _, c := range l.Chapters {
		line := string(rune('0' + c.Number))
		for _, p := range c.Places {
			line += " " + p.Check + "@" + p.InFile
			if p.Spec != "" {
				line += "(" + p.Spec + ")"
			}
		}
		got = append(got, line)
	}
	want := `4 dropout@0:00:29.5 clicks@0:00:09.5
3 spread@ esses@0:00:01.5 limiter@0:00:19.5(lossless, retail) clicks@0:00:39.5 pauses@
5 clicks@0:00:29.5
1 clicks@0:00:29.5`
	if strings.Join(got, "\n") != want {
		t.Errorf("%s\nnot\n%s", strings.Join(got, "\n"), want)
	}
	if l.Quiet != 1 || l.Notices != 5 || len(l.Whole) != 1 || l.Spec != "lossless" {
		t.Errorf("%d quiet, %d notices, %d of all", l.Quiet, l.Notices, len(l.Whole))
	}
	if below := Below(o); len(below) != 6 || below[0].Chapter != nil || below[1].Chapter.Number != 1 || below[3].Accepted == "" {
		t.Errorf("%+v", below)
	}
	if l := Of(pipeline.Outcome{}); len(l.Chapters) != 0 || l.Spec != "" {
		t.Errorf("of nothing: %+v", l)
	}
}

func TestClock(t *testing.T) {
	for s, want := range map[float64]string{0: "0:00:00.0", 59.96: "0:01:00.0", 754.5: "0:12:34.5", 3723.04: "1:02:03.0", 36000: "10:00:00.0", -1: "0:00:00.0"} {
		if got := Clock(s); got != want {
			t.Errorf("%g s is %s", s, got)
		}
	}
}

// TestMatched: every clip is at one level, as far as its peaks let it.
func TestMatched(t *testing.T) {
	for _, c := range []struct{ lufs, dbtp, want float64 }{
		{-19, -3, -4}, {-29, -9, 6}, {-40, -3, 2}, {dsp.Silence, dsp.Silence, 0}, {math.NaN(), -3, 0}, {-29, math.NaN(), 6},
	} {
		if got := matched(c.lufs, c.dbtp); got != c.want {
			t.Errorf("%g LUFS, %g dBTP: %g dB", c.lufs, c.dbtp, got)
		}
	}
}
