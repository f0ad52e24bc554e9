package report

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
	"chapterhouse/pipeline/series"
)

func render(t *testing.T, r Report, p Pictures) []byte {
	t.Helper()
	var page bytes.Buffer
	if err := HTML(&page, r, p); err != nil {
		t.Fatal(err)
	}
	return page.Bytes()
}

// TestPageGolden: pages with and without pictures, byte for byte.
func TestPageGolden(t *testing.T) {
	r, p := long(2, 45, 3, 7, 2)
	l := attention.Of(r.Outcome)
	for i := range l.Chapters[0].Places {
		to := &l.Chapters[0].Places[i]
		to.Clip, to.Page, to.Line = sprintf("001-%d.flac", i), "12", "4"
		for k := range 200 {
			to.Wave = append(to.Wave, attention.Extent{Low: -float32(k%(20+i)) / 100, High: float32(k%(30+i)) / 100})
		}
	}
	r.Attention = &l
	golden(t, "page.html", render(t, r, p))
	golden(t, "morning.html", render(t, morning(), Pictures{}))
}

// TestPageSize: a chapter with the most there is to show takes 100 kB at most,
// and its elements stay few enough for 400 of them.
func TestPageSize(t *testing.T) {
	const limit, most = 100_000, 1300
	for _, c := range []struct {
		name    string
		lengthS float64
	}{{"three hours", 3 * 3600}, {"ten minutes", 600}, {"half a minute", 30}} {
		r, p := long(1, c.lengthS, 8, 40, 4)
		with := render(t, r, p)
		r.Chapters = nil
		without := render(t, r, p)
		size, elements := len(with)-len(without), len(read(t, with).tags)-len(read(t, without).tags)
		t.Logf("%s: %d bytes, %d elements; %d bytes beside it", c.name, size, elements, len(without))
		if size > limit || elements > most {
			t.Errorf("%s: a chapter takes %d bytes and %d elements", c.name, size, elements)
		}
	}
}

// reading is a page as a strict reader takes it.
type reading struct {
	tags  []string // every element with its attributes' names, in order
	ids   map[string]int
	links []string
	text  string
}

// read parses a page strictly: every element is closed in its order (rows and
// cells by the next one), nothing of it runs, and nothing is asked for from
// elsewhere.
func read(t *testing.T, page []byte) reading {
	t.Helper()
	r := reading{ids: map[string]int{}}
	void := []string{"meta", "br"}
	implied := []string{"td", "th", "tr", "thead", "tbody"} // end tags that HTML leaves out
	known := map[string][]string{
		"svg": {"viewbox", "role", "aria-label", "class", "width", "height", "aria-hidden"}, "path": {"class", "d", "transform"}, "text": {"class", "x", "y"},
		"pattern": {"id", "width", "height", "patternunits", "patterntransform"}, "a": {"href"}, "details": {"class", "open"}, "meta": {"charset", "name", "content", "http-equiv"}, "html": {"lang"},
	}
	var open []string
	z := html.NewTokenizer(bytes.NewReader(page))
	for {
		switch z.Next() {
		case html.ErrorToken:
			if len(open) > 0 {
				t.Errorf("never closed: %q", open)
			}
			return r
		case html.TextToken:
			r.text += string(z.Text())
		case html.StartTagToken, html.SelfClosingTagToken:
			token := z.Token()
			tag := token.Data
			for _, a := range token.Attr {
				tag += " " + a.Key
				if !slices.Contains(append([]string{"class", "id", "colspan"}, known[token.Data]...), a.Key) {
					t.Errorf("<%s> has the attribute %s=%.80q", token.Data, a.Key, a.Val)
				}
				switch a.Key {
				case "id":
					r.ids[a.Val]++
				case "href":
					r.links = append(r.links, a.Val)
				}
			}
			r.tags = append(r.tags, tag)
			if slices.Contains([]string{"script", "iframe", "img", "link", "object", "embed", "form", "base", "use", "image", "foreignobject", "animate", "set"}, token.Data) {
				t.Errorf("there is a <%s>", token.Data)
			}
			if token.Type == html.StartTagToken && !slices.Contains(void, token.Data) {
				open = append(open, token.Data)
			}
		case html.EndTagToken:
			name, _ := z.TagName()
			for len(open) > 0 && open[len(open)-1] != string(name) && slices.Contains(implied, open[len(open)-1]) {
				open = open[:len(open)-1]
			}
			if len(open) == 0 || open[len(open)-1] != string(name) {
				t.Fatalf("</%s> closes nothing: open are %q", name, open)
			}
			open = open[:len(open)-1]
		}
	}
}

// TestPageWhole: the page is whole, needs nothing beside it, and every link
// leads somewhere.
func TestPageWhole(t *testing.T) {
	r, p := long(3, 20, 2, 5, 2)
	for name, page := range map[string][]byte{"with pictures": render(t, r, p), "without": render(t, morning(), Pictures{}), "empty": render(t, Report{}, Pictures{})} {
		got := read(t, page)
		for id, n := range got.ids {
			if n != 1 {
				t.Errorf("%s: %d elements are %q", name, n, id)
			}
		}
		for _, l := range got.links {
			if got.ids[strings.TrimPrefix(l, "#")] != 1 || l[0] != '#' {
				t.Errorf("%s: a link leads to %q", name, l)
			}
		}
		for _, outside := range []string{"http:", "https:", "//", "@import", "@font-face", "url("} {
			rest := strings.ReplaceAll(string(page), "url(#hatch)", "")
			if strings.Contains(rest, outside) {
				t.Errorf("%s: the page holds %q", name, outside)
			}
		}
	}
}

// TestPageOrder: chapters to return come before those to listen to, and these
// before the ready ones, which are folded; the front names the places.
func TestPageOrder(t *testing.T) {
	text := render(t, morning(), Pictures{})
	page := string(text)
	last := -1
	for _, want := range []string{`id="places"`, "02a.flac 1:02:34.3", `class="chapter return" open`, `id="chapter-3"`, `id="chapter-5"`, `class="chapter listen" open`, `id="chapter-2"`, `class="chapter ready">`, `id="chapter-1"`, `id="gains"`} {
		at := strings.Index(page, want)
		if at <= last {
			t.Errorf("%s stands at %d, not behind %d", want, at, last)
		}
		last = at
	}
	for _, want := range []string{"chapter 5, Gone, is missing", "11.3 dB are missing in the room", "Pictures are missing for this chapter: the run kept none", "a dream, meant to be soft", "+2.3 dB", "other asks for wav files"} {
		if !strings.Contains(read(t, text).text, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
}

// TestPageMissing: series that are gone or damaged cost a chapter its pictures;
// storage that doesn't answer ends the page.
func TestPageMissing(t *testing.T) {
	r, p := long(2, 20, 2, 5, 2)
	gone := p
	gone.Source = func(pipeline.Digest) (series.Source, error) {
		return series.Source{}, pipeline.Errorf(pipeline.Missing, "series", "a trace ends after 3 of 9 values")
	}
	page := string(render(t, r, gone))
	if n := strings.Count(page, "Pictures are missing for this chapter: series: a trace ends after 3 of 9 values."); n != 2 {
		t.Errorf("it is said %d times", n)
	}
	if !strings.Contains(page, `<b class="at">0:00:`) || strings.Contains(page, `class="dp"`) {
		t.Error("times in the file are gone with the pictures, or there is a picture")
	}
	for _, p := range []Pictures{
		{Source: p.Source, File: func(pipeline.Digest) (series.File, error) { return series.File{}, errors.New("no answer") }},
		{File: p.File, Source: func(pipeline.Digest) (series.Source, error) { return series.Source{}, errors.New("no answer") }},
	} {
		if err := HTML(&bytes.Buffer{}, r, p); err == nil || !strings.Contains(err.Error(), "no answer") {
			t.Errorf("silent storage: %v", err)
		}
	}
	if err := HTML(failing{}, r, p); err == nil {
		t.Error("a full disk is not told")
	}
}

// TestPageInjection: whatever stands in names and texts, the page has the
// elements and attributes it would have.
func TestPageInjection(t *testing.T) {
	page := func(name string) (reading, string) {
		r, p := long(2, 20, 2, 5, 2)
		r.Title, r.House, r.Run = name, name, name
		for i := range r.Sessions {
			r.Sessions[i].Session, r.Sessions[i].Chain, r.Sessions[i].Notes = name, name, []string{name}
		}
		for i := range r.Specs {
			r.Specs[i].Spec = name + string(rune('a'+i))
		}
		for i := range r.Deliveries {
			r.Deliveries[i] = Delivery{Spec: name, Folder: name, Withheld: name, Complete: i == 0}
		}
		r.Skipped = []pipeline.SkippedSpec{{Spec: name, Why: name}}
		r.Findings = []pipeline.Finding{{Check: name, Measured: name, Limit: name, Do: name}}
		for i := range r.Chapters {
			ch := &r.Chapters[i]
			ch.Name, ch.Role = name, pipeline.Role(name)
			ch.Parts[0].Path, ch.Parts[0].Voice.Narrator, ch.Parts[0].Session = name, name, name
			ch.Parts[0].Is.Bext = &pipeline.Bext{Description: name}
			ch.Parts[0].Profile.FoldNote = name
			for j := range ch.Files {
				ch.Files[j].Spec, ch.Files[j].Record.Notes = name+string(rune('a'+j)), []string{name}
				for k := range ch.Files[j].Record.Stages {
					ch.Files[j].Record.Stages[k].Stage = name
				}
			}
			for j := range ch.Findings {
				f := &ch.Findings[j]
				f.Check, f.Path, f.Measured, f.Limit, f.Do = name, name, name, name, name
				f.Spec, f.Accepted = "", ""
			}
		}
		text := render(t, r, p)
		return read(t, text), string(text)
	}
	plain, _ := page("x")
	for _, name := range []string{
		"<script>alert(1)</script>", `" onload="alert(1)`, `' onload='alert(1)`, `"><img src=x onerror=alert(1)>`, "</title><script>", "</style><script>", "<!--", "-->", "]]>", "<![CDATA[",
		"</text></svg><script>alert(1)</script>", "url(javascript:alert(1))", "javascript:alert(1)", "expression(alert(1))", "{{.}}", "{{end}}", "&lt;script&gt;", "&#0;", "a\x00b", "</details>", "</table><p>",
		"\u202eFLAW", "a\r\nb", "\xff\xfe", "a\u2028b", "<svg onload=alert(1)>", "`", "<<", "#places", strings.Repeat("x", 4096),
	} {
		got, text := page(name)
		if !slices.Equal(got.tags, plain.tags) {
			t.Errorf("%.40q: the page has other elements", name)
		}
		for line := range strings.SplitSeq(text, "\n") {
			if pipeline.Visible(line) != line {
				t.Errorf("%.40q: the page says %.200q", name, line)
			}
		}
		for _, l := range got.links {
			if got.ids[strings.TrimPrefix(l, "#")] != 1 {
				t.Errorf("%.40q: a link leads to %q", name, l)
			}
		}
	}
}
