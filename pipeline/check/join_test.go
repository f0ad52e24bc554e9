package check

import (
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// tilted is a spectrum that falls by so many dB an octave from a level at 1 kHz.
func tilted(level, dbPerOctave float64) pipeline.Spectrum {
	s := make(pipeline.Spectrum, len(spectrum.SixthOctaves()))
	for i := range s {
		s[i] = dsp.DBFS(level - dbPerOctave*float64(i-34)/6)
	}
	return s
}

// TestJoin: a step of level or tone between two files of one narrator asks for
// an ear; another narrator, an asset or too little speech asks for none.
func TestJoin(t *testing.T) {
	edge := func(rms, seconds, tilt float64) pipeline.EdgeSound {
		return pipeline.EdgeSound{RMS: dsp.DBFS(rms), SpeechS: seconds, Spectrum: tilted(rms-20, tilt)}
	}
	for _, c := range []struct {
		what        string
		ends, opens pipeline.EdgeSound
		narrator    string
		role        pipeline.Role
		want        string // in what is measured; "" for no finding
	}{
		{"alike", edge(-20, 3, 6), edge(-21, 9, 6), "ines", pipeline.RoleChapter, ""},
		{"at the limit", edge(-20, 3, 6), edge(-23, 9, 6), "ines", pipeline.RoleChapter, ""},
		{"softer", edge(-20, 3, 6), edge(-23.1, 9, 6), "ines", pipeline.RoleChapter, "-3.1 dB in level and 0.0 dB in tone from the end of chapter 1"},
		{"louder", edge(-24, 3, 6), edge(-20, 9, 6), "ines", pipeline.RoleChapter, "+4.0 dB in level"},
		{"duller", edge(-20, 3, 6), edge(-20, 9, 10), "ines", pipeline.RoleChapter, "6.9 dB in tone"},
		{"another narrator", edge(-20, 3, 6), edge(-26, 9, 10), "tobias", pipeline.RoleChapter, ""},
		{"music", edge(-20, 3, 6), edge(-26, 9, 10), "ines", pipeline.RoleAsset, ""},
		{"too little speech", edge(-20, 0.9, 6), edge(-26, 9, 10), "ines", pipeline.RoleChapter, ""},
		{"nothing measured", pipeline.EdgeSound{}, edge(-26, 9, 10), "ines", pipeline.RoleChapter, ""},
	} {
		chapter := func(n int, who string, role pipeline.Role, r pipeline.FileRecord) pipeline.ChapterOutcome {
			return pipeline.ChapterOutcome{Number: n, Role: role, Parts: []pipeline.PartOutcome{{Part: pipeline.Part{Voice: pipeline.Voice{Narrator: who}}}},
				Files: []pipeline.FileOutcome{{Spec: "lossless", Record: r}}}
		}
		title := Title{Chapters: []pipeline.ChapterOutcome{
			chapter(1, "ines", pipeline.RoleChapter, pipeline.FileRecord{Ends: c.ends}), chapter(2, c.narrator, c.role, pipeline.FileRecord{Opens: c.opens}),
		}}
		found := join().Read(title, 1)
		if first := join().Read(title, 0); len(first) > 0 {
			t.Errorf("%s: the first chapter has a join: %+v", c.what, first)
		}
		switch {
		case c.want == "" && len(found) > 0:
			t.Errorf("%s: %+v", c.what, found)
		case c.want != "" && (len(found) != 1 || !strings.Contains(found[0].Measured, c.want) || found[0].Weight != pipeline.Listen):
			t.Errorf("%s: %+v, want %q", c.what, found, c.want)
		}
	}
}
