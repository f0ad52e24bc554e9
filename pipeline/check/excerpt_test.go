package check

import (
	"testing"

	"chapterhouse/pipeline"
)

// An excerpt is one to five minutes long, as a file; no other role is asked.
func TestExcerptLength(t *testing.T) {
	for _, c := range []struct {
		role    pipeline.Role
		lengthS float64
		want    string
	}{
		{pipeline.RoleExcerpt, 60, ""},
		{pipeline.RoleExcerpt, 300, ""},
		{pipeline.RoleExcerpt, 59, "0.98 min"},
		{pipeline.RoleExcerpt, 301, "5.02 min"},
		{pipeline.RoleChapter, 20, ""},
		{pipeline.RoleOpening, 20, ""},
	} {
		s, f := retail(), sound()
		f.Record.LengthS = c.lengthS
		title := titleOf(s, f)
		title.Chapters[0].Role = c.role
		all := found(title, 0)
		switch {
		case c.want == "" && len(all) != 0, c.want != "" && len(all) != 1:
			t.Errorf("%s of %g s: %+v", c.role, c.lengthS, all)
		case c.want != "" && (all[0].Check != "excerpt" || all[0].Measured != c.want || all[0].Limit != "1 to 5 min" || all[0].Weight != pipeline.Listen || all[0].Spec != f.Spec):
			t.Errorf("%s of %g s: %+v", c.role, c.lengthS, all[0])
		}
	}
}
