package pipeline

import "testing"

func TestCell(t *testing.T) {
	for in, want := range map[string]string{
		"":                      "",
		"Low Water":             "Low Water",
		"12 of a dozen":         "12 of a dozen",
		`=cmd|'/C calc'!A0`:     `'=cmd|'/C calc'!A0`,
		"+1+1":                  "'+1+1",
		"-1":                    "'-1",
		"@SUM(A1)":              "'@SUM(A1)",
		"  =1":                  "'  =1",
		"\u00a0=1":              "'\u00a0=1",
		"＝1":                    "'＝1",
		"\t=1":                  "\ufffd=1",
		"\r\n=1":                "\ufffd\ufffd=1",
		"a=1":                   "a=1",
		"– a dash of this kind": "– a dash of this kind",
	} {
		if got := Cell(in); got != want {
			t.Errorf("%q becomes %q, not %q", in, got, want)
		}
	}
}
