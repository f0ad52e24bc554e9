package pipeline_test

import (
	"testing"

	"chapterhouse/pipeline"
)

func TestVisible(t *testing.T) {
	for in, want := range map[string]string{
		"Zwölf Türen — 第一章":     "Zwölf Türen — 第一章",
		"e\u0301 \u200d \u200f": "e\u0301 \u200d \u200f", // composition, joiners and marks are how some scripts are written
		"\x1b[2J\x07":           "\ufffd[2J\ufffd",
		"one\r\ntwo\tthree":     "one\ufffd\ufffdtwo\ufffdthree",
		"\u009b31m\x7f\x00":     "\ufffd31m\ufffd\ufffd",
		"a\u202eb\u2066c\u2028": "a\ufffdb\ufffdc\ufffd",
		"\xff\xc3":              "\ufffd\ufffd",
	} {
		if got := pipeline.Visible(in); got != want {
			t.Errorf("%q is shown as %q, want %q", in, got, want)
		}
	}
}
