package report

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"html/template"
	"io"
	"math"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/clinic"
)

type trialView struct {
	Style, Own      template.CSS
	Script          template.JS
	Title, Narrator string
	Ways            int
	LUFS            string
	Passages        []passageView
	Versions        []versionView
	Sounds          []soundView
	Spectra         picture
	Data            template.JS
}

type passageView struct {
	Name        string
	FromS, ToS  float64
	Left, Width float64 // per cent of the whole
}

type versionView struct {
	Name, Does            string
	Key                   int
	Loudness, Peak, Moved string
	Stages                []trialStageView
}

type trialStageView struct {
	Stage, Settings string
	Why             []string
	Idle            bool
	Picture         picture
}

// soundView is a FLAC file as text.
type soundView struct {
	ID     string
	Base64 template.HTML // letters, digits, + / and = alone
}

// TrialHTML writes a trial as one page that plays: its sounds lie in it, and it
// asks nothing of anywhere.
func TrialHTML(w io.Writer, t clinic.Trial) error {
	set, err := template.New("trial").Funcs(template.FuncMap{"minus": minus}).ParseFS(pageFiles, "page/trial.html", "page/chapter.html")
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
	}
	var files [3][]byte
	for i, name := range []string{"page/style.css", "page/trial.css", "page/trial.js"} {
		if files[i], err = pageFiles.ReadFile(name); err != nil {
			return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
		}
	}
	data, err := json.Marshal(t)
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
	}
	v := trialView{
		Style: template.CSS(files[0]), Own: template.CSS(files[1]), Script: template.JS(files[2]), Data: template.JS(data),
		Title: t.Read, Narrator: t.Narrator, Ways: len(t.Versions), LUFS: minus(t.LUFS.String()),
	}
	length := t.Passages[len(t.Passages)-1].ToS
	for _, p := range t.Passages {
		v.Passages = append(v.Passages, passageView{p.Name, p.FromS, p.ToS, 100 * p.FromS / length, 100 * (p.ToS - p.FromS) / length})
	}
	var curves []curve
	for i, one := range t.Versions {
		view := versionView{Name: one.Name, Does: one.Does, Key: i + 1, Loudness: minus(one.LUFS.String()), Peak: minus(one.Peak.String()), Moved: minus(sprintf("%+.1f dB", float64(one.Moved)))}
		v.Sounds = append(v.Sounds, soundView{sprintf("sound-%d", i), encoded(one.Sound)})
		for k, s := range one.Stages {
			view.Stages = append(view.Stages, trialStageView{s.Stage, s.Settings, s.Why, s.Idle, gainPicture(s, t, length)})
			if !s.Idle {
				v.Sounds = append(v.Sounds, soundView{sprintf("taken-%d-%d", i, k), encoded(s.Taken)})
			}
		}
		v.Versions = append(v.Versions, view)
		curves = append(curves, curve{class: []string{"cb", "ca", "ct", "l"}[i%4], name: one.Name, bands: one.Spectrum})
	}
	v.Spectra = spectra("Mean spectra of the versions", curves...)
	var text bytes.Buffer
	if err := set.ExecuteTemplate(&text, "trial", v); err != nil {
		return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
	}
	_, err = w.Write(text.Bytes())
	return err
}

func encoded(sound []byte) template.HTML {
	return template.HTML(base64.StdEncoding.EncodeToString(sound))
}

const (
	traceWidth, traceHeight = 500, 84
	traceLeft, traceRight   = 46.0, 496.0
	traceTop, traceBottom   = 8.0, 64.0
)

// gainPicture is the gain of a stage along the passages; empty for one that moves
// none.
func gainPicture(s clinic.TrialStage, t clinic.Trial, lengthS float64) picture {
	if len(s.GainsDB) == 0 || s.Idle {
		return picture{}
	}
	lowest, highest := 0.0, 0.0
	for _, g := range s.GainsDB {
		lowest, highest = math.Min(lowest, g), math.Max(highest, g)
	}
	lowest, highest = math.Min(-3, math.Floor(lowest)), math.Ceil(highest)
	p := picture{W: traceWidth, H: traceHeight, Label: sprintf("gain of the stage %s along the passages: from %.1f to %+.1f dB", s.Stage, lowest, highest)}
	y := func(db float64) float64 { return traceTop + (traceBottom-traceTop)*(highest-db)/(highest-lowest) }
	grid := ""
	for _, db := range ticks(lowest, highest, 4, 1, 2, 3, 6, 12, 24) {
		grid += across(traceLeft, traceRight, y(db))
		p.text("a", traceLeft-5, y(db)+4, minus(sprintf("%.0f", db)))
	}
	for _, passage := range t.Passages {
		at := traceLeft + (traceRight-traceLeft)*passage.FromS/lengthS
		grid += down(at, traceTop, traceBottom)
		p.text("k", at+3, traceBottom+15, passage.Name)
	}
	p.path("v", grid)
	d := ""
	for i, g := range s.GainsDB {
		letter := "L"
		if i == 0 {
			letter = "M"
		}
		d += letter + coordinate(traceLeft+(traceRight-traceLeft)*float64(i)/float64(len(s.GainsDB))) + " " + coordinate(y(g))
	}
	p.path("gm", d)
	return p
}
