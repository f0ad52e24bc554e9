package report

import (
	"bytes"
	"embed"
	"html/template"
	"io"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/series"
)

//go:embed page
var pageFiles embed.FS

// Pictures reads what pictures are drawn from. A zero Pictures has none. An
// error of kind Infra ends the page; every other leaves out a chapter's
// pictures and is said there.
type Pictures struct {
	Source func(pipeline.Digest) (series.Source, error)
	File   func(pipeline.Digest) (series.File, error)
}

// HTML writes r as one page that needs nothing beside it: no script, no font,
// no address is asked for anything. It holds one chapter in memory at a time.
func HTML(w io.Writer, r Report, p Pictures) error {
	set, err := template.New("page").Funcs(template.FuncMap{"minus": minus}).ParseFS(pageFiles, "page/*.html")
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
	}
	style, err := pageFiles.ReadFile("page/style.css")
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
	}
	write := func(name string, data any) error {
		var text bytes.Buffer
		if err := set.ExecuteTemplate(&text, name, data); err != nil {
			return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
		}
		_, err := w.Write(seen(text.Bytes()))
		return err
	}
	b := builder{r: r, pictures: p, ids: identities(r.Chapters)}
	if err := write("front", b.front(template.CSS(style))); err != nil {
		return err
	}
	for _, v := range order {
		for i, ch := range r.Chapters {
			if ch.Verdict != v {
				continue
			}
			view, err := b.chapter(i)
			if err != nil {
				return err
			}
			if err := write("chapter", view); err != nil {
				return err
			}
		}
	}
	return write("back", b.back())
}

// seen is a page's text without characters that act and can't be seen.
func seen(text []byte) []byte {
	return bytes.Map(func(c rune) rune {
		if c != '\n' && pipeline.Unseen(c) {
			return '\ufffd'
		}
		return c
	}, text)
}

// builder makes what the templates show.
type builder struct {
	r        Report
	pictures Pictures
	ids      []string // of the chapters
}

// identities are what links to chapters name: by number, as far as one is there once.
func identities(chapters []pipeline.ChapterOutcome) []string {
	taken := map[string]int{}
	ids := make([]string, len(chapters))
	for i, ch := range chapters {
		id := sprintf("chapter-%d", ch.Number)
		if taken[id]++; taken[id] > 1 {
			id = sprintf("%s-%d", id, taken[id])
		}
		ids[i] = id
	}
	return ids
}

// glyph stands beside a verdict or weight, so that no colour has to be told
// from another.
func glyph(word string) string {
	switch word {
	case "return":
		return "■"
	case "listen":
		return "◆"
	case "notice", "ready":
		return "○"
	case "missing":
		return "□"
	}
	return "–"
}

// minus is a text with its figures' hyphens as minus signs.
func minus(s string) string {
	var out strings.Builder
	for i, c := range s {
		if c == '-' && (i == 0 || strings.ContainsRune(" (", rune(s[i-1]))) && i+1 < len(s) && s[i+1] >= '0' && s[i+1] <= '9' {
			c = '−'
		}
		out.WriteRune(c)
	}
	return out.String()
}
