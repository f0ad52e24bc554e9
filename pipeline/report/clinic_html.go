package report

import (
	"bytes"
	"html/template"
	"io"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/clinic"
)

type clinicView struct {
	Style, Own     template.CSS
	File, Narrator string
	Verdict, Why   string
	Notes          []string
	Advice         []clinic.Advice
	Groups         []signGroup
	Overview       picture
	Drafts         []draftView
	Like           *likeView
	Cautions       []string
}

type signGroup struct {
	Title string
	Signs []signView
}

type signView struct {
	clinic.Sign
	Picture picture
}

type draftView struct {
	Name, Does string
	Notes      []string
	Stages     []draftStage
}

type draftStage struct {
	Stage         string
	Settings, Why []string
	Corrective    bool
}

// ClinicHTML writes it as a page that needs nothing beside it but trial.html,
// which it points to.
func ClinicHTML(w io.Writer, c Clinic) error {
	pictures := c.Read.Pictures()
	v := clinicView{File: c.Read.File, Narrator: narratorOf(c.Read.Form), Verdict: string(c.Verdict), Why: c.Why, Notes: c.Read.Notes,
		Advice: c.Advice, Overview: overview(pictures), Cautions: c.Cautions}
	for _, g := range remedies() {
		group := signGroup{Title: g.title}
		for _, s := range signsOf(c.Report, g.remedy) {
			group.Signs = append(group.Signs, signView{s, signPicture(s, c.Read, pictures)})
		}
		if len(group.Signs) > 0 {
			v.Groups = append(v.Groups, group)
		}
	}
	for _, d := range c.Drafts {
		view := draftView{Name: d.Name, Does: d.Does, Notes: d.Notes}
		for i, s := range d.Chain.Stages {
			view.Stages = append(view.Stages, draftStage{s.Stage, chain.Settings(s), chain.ReasonsOf(d.Chain, i), i < len(d.Corrective) && d.Corrective[i]})
		}
		v.Drafts = append(v.Drafts, view)
	}
	if c.Like != nil {
		v.Like = likeViewOf(*c.Like)
	}
	return clinicPage(w, "clinic", &v.Style, &v.Own, func() any { return v })
}

type sheetView struct {
	Style, Own    template.CSS
	Narrator      string
	File, Verdict string
	Advice        []clinic.Advice
	DistanceCM    float64
	AngleDegrees  float64
	Cautions      []string
}

// SheetHTML writes one page for the narrator: what to record, and how.
func SheetHTML(w io.Writer, r clinic.Report) error {
	f := r.Read.Form
	v := sheetView{Narrator: f.Name, File: r.Read.File, Verdict: string(r.Verdict), Advice: r.Advice[:min(len(r.Advice), 5)],
		DistanceCM: f.DistanceCM, AngleDegrees: f.AngleDegrees, Cautions: r.Cautions}
	return clinicPage(w, "sheet", &v.Style, &v.Own, func() any { return v })
}

// clinicPage fills one of the clinic's pages; view is asked once its styles are
// set.
func clinicPage(w io.Writer, name string, style, own *template.CSS, view func() any) error {
	set, err := template.New(name).Funcs(template.FuncMap{"minus": minus}).ParseFS(pageFiles, "page/clinic.html", "page/sheet.html", "page/chapter.html")
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
	}
	for file, into := range map[string]*template.CSS{"page/style.css": style, "page/clinic.css": own} {
		text, err := pageFiles.ReadFile(file)
		if err != nil {
			return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
		}
		*into = template.CSS(text)
	}
	var text bytes.Buffer
	if err := set.ExecuteTemplate(&text, name, view()); err != nil {
		return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
	}
	_, err = w.Write(seen(text.Bytes()))
	return err
}
