package report

import (
	"math"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/compare"
	"chapterhouse/pipeline/series"
)

// maxRows is how many findings of a chapter are listed; the table of findings has all.
const maxRows = 100

// chapterView is one chapter of the page.
type chapterView struct {
	ID, Title, Verdict, Glyph string
	Open                      bool
	Facts                     string // voices, length
	Hole, Todo                string
	Missing                   string // why there are no pictures
	FileOf                    string // the file that times in the file are of
	Findings                  []findingRow
	More                      int
	Time                      picture // raw, marks, delivered, gains
	Others                    []picture
	Unmarked                  int
	Spectra                   []captioned
	Floors                    picture
	Files                     []fileView
	Stages                    []stageRow
	Join                      *joinView
	Parts                     []partRow
}

// captioned is a picture and what it is of, where there are several.
type captioned struct {
	Caption string
	Picture picture
}

type findingRow struct {
	N                         int
	Glyph, Weight             string
	InFile, InSource          string
	Kind, Measured, Limit, Do string
}

type fileView struct {
	Name, Format, Verdict, Glyph, Gains string
	Asked                               []askedRow
	Notes                               []string
}

type askedRow struct {
	What, Measured, Window, Left string
	Met                          bool
}

type stageRow struct{ Stage, Idle, Active, Median, P95, Deepest string }

type partRow struct {
	Path, Span, Voice, Fit, Is, Levels, Floor, Notes string
}

type joinView struct {
	Before, Ends, Opens, Step, Bands string
	Picture                          picture
}

// file reads a file's series.
func (b builder) file(f pipeline.FileOutcome) (series.File, error) {
	if b.pictures.File == nil || f.Series == "" {
		return series.File{}, pipeline.Errorf(pipeline.Missing, "", "the run kept none for this file")
	}
	return b.pictures.File(f.Series)
}

func (b builder) source(f pipeline.FileOutcome) (series.Source, error) {
	if b.pictures.Source == nil || f.Source == "" {
		return series.Source{}, pipeline.Errorf(pipeline.Missing, "", "the run kept none for this chapter")
	}
	return b.pictures.Source(f.Source)
}

func (b builder) chapter(i int) (chapterView, error) {
	ch := b.r.Chapters[i]
	v := chapterView{
		ID: b.ids[i], Title: titleOf(ch), Verdict: string(ch.Verdict), Glyph: glyph(string(ch.Verdict)), Open: ch.Verdict != pipeline.Ready,
		Hole: ch.Hole, Todo: todo(ch), Facts: facts(ch),
	}
	if ch.Hole != "" {
		v.Glyph = glyph("missing")
	}
	if v.Todo == "–" || ch.Hole != "" {
		v.Todo = ""
	}
	var drawn files
	if len(ch.Files) > 0 {
		v.FileOf = b.fileName(ch.Files[0])
		var err error
		if drawn, err = b.read(ch); err != nil {
			if pipeline.KindOf(err) == pipeline.Infra {
				return v, err
			}
			v.Missing = err.Error()
		}
	}
	v.findings(ch, drawn.bodies())
	v.pictures(b, ch, drawn)
	for _, f := range ch.Files {
		v.Files = append(v.Files, b.fileView(ch, f))
	}
	v.stages(b, ch)
	if ch.Role != pipeline.RoleAsset {
		v.Floors = floors(b, ch)
	}
	v.Join = b.join(i)
	for _, p := range ch.Parts {
		v.Parts = append(v.Parts, part(p))
	}
	return v, nil
}

// facts are a chapter's voices and length.
func facts(ch pipeline.ChapterOutcome) string {
	role := ""
	if ch.Role != pipeline.RoleChapter {
		role = string(ch.Role)
	}
	length := ""
	if len(ch.Files) > 0 {
		length = clock(ch.Files[0].Record.LengthS)
	}
	return strings.Join(nonEmpty(role, narrators(ch), length), " · ")
}

// fileName is a file's spec, with its format where the spec asks for several.
func (b builder) fileName(f pipeline.FileOutcome) string {
	for _, s := range b.r.Specs {
		if s.Spec == f.Spec && len(s.Sound.Files) > 1 {
			return sprintf("%s, %s", f.Spec, f.Format.Format)
		}
	}
	return f.Spec
}

// row is a finding as the page shows it, with its place in the file where bodies tell it.
func row(n int, f pipeline.Finding, bodies []series.Body) findingRow {
	r := findingRow{N: n, Weight: weight(f), Kind: kind(f), Measured: f.Measured, Do: f.Do, InSource: f.Path}
	r.Glyph = glyph(r.Weight)
	if f.Accepted != "" {
		r.Do = f.Accepted
	}
	if f.Limit != "none" {
		r.Limit = f.Limit
	}
	if placed(f) {
		r.InSource = place(f)
		if s, ok := fileTime(bodies, f.Source, f.StartS); ok {
			r.InFile = clock(s)
		}
	}
	return r
}

// findings lists a chapter's: those of all of it first, then in the order of time.
func (v *chapterView) findings(ch pipeline.ChapterOutcome, bodies []series.Body) {
	for n, f := range inTime(ch, bodies) {
		if n == maxRows {
			v.More = len(attention.Together(ch.Findings)) - n
			break
		}
		v.Findings = append(v.Findings, row(n+1, f, bodies))
	}
}

func (b builder) fileView(ch pipeline.ChapterOutcome, f pipeline.FileOutcome) fileView {
	v := fileView{Name: b.fileName(f), Verdict: string(f.Verdict), Glyph: glyph(string(f.Verdict)), Format: formatOf(f.Format), Notes: f.Record.Notes}
	var gains []string
	for _, g := range f.GainDB {
		gains = append(gains, minus(sprintf("%+.1f dB", float64(g))))
	}
	v.Gains = minus(sprintf("trim %+.1f dB", float64(f.TrimDB)))
	if len(gains) > 0 {
		v.Gains = "gain " + strings.Join(gains, ", ") + ", " + v.Gains
	}
	if f.Record.Encodes > 1 {
		v.Gains += sprintf(", encoded %d times", f.Record.Encodes)
	}
	for _, s := range b.r.Specs {
		if s.Spec != f.Spec {
			continue
		}
		for _, a := range check.Beside(s, ch.Role, check.FactsOf(f.Record)) {
			r := askedRow{What: a.What, Measured: minus(sprintf("%.2f %s", a.Measured, a.Unit)), Window: minus(a.Window()), Left: minus(sprintf("%.2f", a.Left)), Met: a.Met}
			switch {
			case math.IsNaN(a.Measured):
				r.Measured, r.Left = "not measurable", "–"
			case math.IsInf(a.Measured, 0):
				r.Measured, r.Left = "silence", "–"
			}
			v.Asked = append(v.Asked, r)
		}
	}
	return v
}

func formatOf(f pipeline.FileFormat) string {
	channels := "mono"
	if f.Channels > 1 {
		channels = sprintf("%d channels", f.Channels)
	}
	s := sprintf("%s %g kHz %s", f.Format, float64(f.RateHz)/1000, channels)
	if f.Bits > 0 {
		s += sprintf(" %d bit", f.Bits)
	}
	if f.Kbps > 0 {
		s += sprintf(" %d kbps", f.Kbps)
	}
	return s
}

// stages lists what moved gain: the chain's once, then each file's limiter.
func (v *chapterView) stages(b builder, ch pipeline.ChapterOutcome) {
	add := func(name string, u pipeline.StageUse) {
		if idle(u) {
			v.Stages = append(v.Stages, stageRow{Stage: name, Idle: "nothing to do"})
			return
		}
		v.Stages = append(v.Stages, stageRow{
			name, "", sprintf("%.0f %%", 100*u.Share), minus(sprintf("%.1f", float64(u.MedianDB))), minus(sprintf("%.1f", float64(u.P95DB))), minus(most(u)),
		})
	}
	for i, f := range ch.Files {
		if i == 0 {
			for _, u := range f.Record.Stages {
				add(u.Stage, u)
			}
		}
	}
	for _, f := range ch.Files {
		add("limiter, "+b.fileName(f), f.Record.Limiter)
	}
}

// idle tells whether a stage that moves gain left all of a file as it was.
func idle(u pipeline.StageUse) bool { return u == (pipeline.StageUse{Stage: u.Stage}) }

// most is how far a stage went, down and, where it did, up.
func most(u pipeline.StageUse) string {
	switch {
	case u.UpDB > 0 && u.MaxDB < 0:
		return sprintf("%.1f, %+.1f", float64(u.MaxDB), float64(u.UpDB))
	case u.UpDB > 0:
		return sprintf("%+.1f", float64(u.UpDB))
	}
	return sprintf("%.1f", float64(u.MaxDB))
}

func part(p pipeline.PartOutcome) partRow {
	r := partRow{Path: p.Path, Voice: strings.Join(nonEmpty(p.Voice.Narrator, p.Voice.Setup, p.Session), ", ")}
	if p.Session != "" {
		r.Fit = minus(sprintf("%+.1f dB", float64(p.FitDB)))
	}
	cut := p.Profile.Cut
	if cut.SourceRateHz > 0 {
		r.Span = clock(cut.Span.From.Seconds(cut.SourceRateHz)) + " to " + clock(cut.Span.To.Seconds(cut.SourceRateHz))
	}
	notes := nonEmpty(p.Profile.FoldNote)
	if is := p.Is; is != nil {
		r.Is = formatOf(pipeline.FileFormat{Format: is.Format, RateHz: is.RateHz, Channels: is.Channels, Bits: is.Bits})
		notes = append(notes, is.Notes...)
		if is.Bext != nil && is.Bext.Description != "" {
			notes = append(notes, "described as: "+is.Bext.Description)
		}
	}
	r.Notes = strings.Join(notes, "; ")
	if l := p.Profile.Levels; l.Frames > 0 {
		r.Levels = minus(sprintf("%s dBFS RMS, %s LUFS, %s dBTP", num(float64(l.RMS)), num(float64(l.Integrated)), num(float64(l.TruePeak))))
	}
	if p.Profile.Floor.Windows > 0 {
		r.Floor = minus(num(float64(p.Profile.Floor.Median))) + " dBFS"
	}
	return r
}

// join is how a file begins beside how the one before it ends.
func (b builder) join(i int) *joinView {
	if i == 0 || len(b.r.Chapters[i].Files) == 0 || len(b.r.Chapters[i-1].Files) == 0 {
		return nil
	}
	before, now := b.r.Chapters[i-1], b.r.Chapters[i]
	if before.Number+1 != now.Number {
		return nil // of one narrator's chapters, or with one between that is not there
	}
	ends, opens := before.Files[0].Record.Ends, now.Files[0].Record.Opens
	if ends.SpeechS == 0 || opens.SpeechS == 0 {
		return nil
	}
	v := &joinView{
		Before: titleOf(before), Ends: minus(sprintf("%.1f dBFS", float64(ends.RMS))), Opens: minus(sprintf("%.1f dBFS", float64(opens.RMS))),
		Step: minus(sprintf("%+.1f dB", float64(opens.RMS-ends.RMS))),
		Picture: spectra(sprintf("spectrum of the last 5 s of %s and the first 15 s of %s, while speaking", titleOf(before), titleOf(now)),
			curve{class: "cb", name: "last 5 s before", bands: ends.Spectrum}, curve{class: "ca", name: "first 15 s here", bands: opens.Spectrum}),
	}
	bands := compare.Spectra(ends.Spectrum, opens.Spectrum)
	v.Bands = minus(strings.Join(nonEmpty(bandOf(compare.Most(bands, 1)), bandOf(compare.Most(bands, -1))), ", "))
	return v
}
