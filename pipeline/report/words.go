package report

import (
	"math"
	"sort"
	"strings"

	"chapterhouse/pipeline"
)

// num is a level to a tenth.
func num(v float64) string {
	switch {
	case math.IsNaN(v):
		return "?"
	case math.IsInf(v, -1):
		return "silence"
	}
	return sprintf("%.1f", v)
}

func pair(source, delivered float64) string { return num(source) + " → " + num(delivered) }

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return sprintf("%d %ss", n, what)
}

func some(n int, what string) string {
	if n == 0 {
		return ""
	}
	return sprintf("%d %s", n, what)
}

func nonEmpty(all ...string) []string {
	var out []string
	for _, s := range all {
		if s != "" {
			out = append(out, s)
		}
	}
	return out
}

func keys[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

func name(narrator string) string {
	if narrator == "" {
		return "the narrator"
	}
	return narrator
}

// narrators are a chapter's voices, each once.
func narrators(ch pipeline.ChapterOutcome) string {
	var out []string
	seen := map[string]bool{}
	for _, p := range ch.Parts {
		if n := p.Voice.Narrator; n != "" && !seen[n] {
			seen[n] = true
			out = append(out, n)
		}
	}
	return strings.Join(out, ", ")
}

func formats(s pipeline.Spec) string {
	var out []string
	for _, f := range s.Sound.Files {
		out = append(out, sprintf("%s %.1f kHz", f.Format, float64(f.RateHz)/1000))
	}
	return strings.Join(out, ", ")
}

func fileOf(ch pipeline.ChapterOutcome, spec string) (pipeline.FileOutcome, bool) {
	for _, f := range ch.Files {
		if f.Spec == spec {
			return f, true
		}
	}
	return pipeline.FileOutcome{}, false
}

// todo is what the most urgent finding asks for.
func todo(ch pipeline.ChapterOutcome) string {
	best := pipeline.Finding{Do: "–"}
	at := len(order)
	for _, f := range ch.Findings {
		if u := urgency(f); u < at && f.Weight != pipeline.Ready && f.Accepted == "" {
			best, at = f, u
		}
	}
	if best.Check == "hole" {
		return best.Measured
	}
	return best.Do
}

var order = []pipeline.Verdict{pipeline.Return, pipeline.Listen, pipeline.Ready}

// urgency is 0 for the most urgent; what was accepted comes last.
func urgency(f pipeline.Finding) int {
	if f.Accepted != "" {
		return len(order)
	}
	for i, v := range order {
		if f.Weight == v {
			return i
		}
	}
	return len(order)
}

// placed tells whether a finding has a time in its source.
func placed(f pipeline.Finding) bool { return f.StartS > 0 || f.EndS > 0 }

// place is where a finding is: its source, and when in it.
func place(f pipeline.Finding) string {
	if placed(f) {
		return f.Path + " " + clock(f.StartS)
	}
	return f.Path
}

// weight is what a finding counts for, in a word.
func weight(f pipeline.Finding) string {
	switch {
	case f.Accepted != "":
		return "accepted"
	case f.Weight == pipeline.Ready:
		return "notice"
	}
	return string(f.Weight)
}

func kind(f pipeline.Finding) string {
	if f.Spec == "" {
		return f.Check
	}
	return f.Check + " (" + f.Spec + ")"
}
