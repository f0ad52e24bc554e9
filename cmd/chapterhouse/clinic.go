package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/clinic"
	"chapterhouse/pipeline/house/strict"
	"chapterhouse/pipeline/report"

	"github.com/spf13/cobra"
)

// clinicOptions is what one call of clinic asks for.
type clinicOptions struct {
	form, habits, earlier, like, master, out string
	wishes                                   []string
	json                                     bool
}

func clinicCommand() *cobra.Command {
	var o clinicOptions
	c := &cobra.Command{
		Use:   "clinic TEST-READ",
		Short: "From a narrator's test read to chains to try: what is good, what processing mends, what only the booth can",
		Long: "Clinic hears a test read, one to five minutes with a quiet line, a normal page, a loud line and twelve seconds of\n" +
			"room tone, beside a form about microphone and booth. It leaves a folder with the report, two drafts of a chain\n" +
			"(spare changes as little as it can, round is denser), a sheet for the narrator, and a page that plays raw and\n" +
			"drafts at one loudness. With --like, TEST-READ is a recording as it came and FILE what somebody made of it, or an\n" +
			"approved title of the narrator: the draft is the chain that comes nearest. choose puts a draft in force.\n\n" +
			"Wishes: " + wishes() + ".",
		Example: "  chapterhouse clinic read.wav --setup setup.yaml --wish softer-esses\n" +
			"  chapterhouse clinic raw.wav --setup setup.yaml --like finished.flac\n" +
			"  chapterhouse clinic choose read-clinic/spare.yaml",
		Args: exactlyOne("the test read, a WAV, FLAC or MP3 file"),
		RunE: func(c *cobra.Command, args []string) error { return clinicRead(c, args[0], o) },
	}
	c.Flags().StringVar(&o.form, "setup", "", "the form about microphone and booth, a YAML file")
	c.Flags().StringArrayVar(&o.wishes, "wish", nil, "what the narrator asks for: "+wishes()+"; several times for several")
	c.Flags().StringVar(&o.habits, "habits", "", "the house's preferred stages and amounts, a YAML file")
	c.Flags().StringVar(&o.earlier, "earlier", "", "an approved recording of this narrator, whose tone drafts go by")
	c.Flags().StringVar(&o.like, "like", "", "what was made of the read, or an approved recording of the narrator: a draft that comes near")
	c.Flags().StringVar(&o.master, "master", "", "the present master of the same reading, to be heard beside")
	c.Flags().StringVar(&o.out, "out", "", "folder for what is made; without it, the read's name with -clinic, here")
	c.Flags().BoolVar(&o.json, "json", false, "print the report as JSON")
	c.AddCommand(clinicChooseCommand())
	return c
}

// wishes are all that can be wished.
func wishes() string {
	var names []string
	for _, w := range clinic.Wishes() {
		names = append(names, string(w))
	}
	return strings.Join(names, ", ")
}

// exactlyOne is an argument count that is a usage error otherwise.
func exactlyOne(what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) != 1 {
			return usageError{c.CommandPath(), fmt.Errorf("name %s", what)}
		}
		return nil
	}
}

func clinicRead(c *cobra.Command, path string, o clinicOptions) error {
	if o.form == "" {
		return usageError{c.CommandPath(), errors.New("give the form about microphone and booth with --setup; its keys:\n" + clinic.FormDoc())}
	}
	asked, err := clinic.ParseWishes(o.wishes)
	if err != nil {
		return usageError{c.CommandPath(), err}
	}
	form, text, err := readForm(o.form)
	if err != nil {
		return err
	}
	order := clinic.Order{Wishes: asked}
	if o.habits != "" {
		text, err := os.ReadFile(o.habits)
		if err != nil {
			return pipeline.Errorf(pipeline.House, "", "%w", err)
		}
		habits, faults := clinic.ParseHabits(text, o.habits)
		if err := strict.AsError(faults); err != nil {
			return err
		}
		order.Habits = habits
	}
	read, err := clinic.Open(path, form)
	if err != nil {
		return err
	}
	if o.earlier != "" {
		if order.Earlier, err = clinic.Open(o.earlier, form); err != nil {
			return err
		}
	}
	rep, err := clinic.Say(read, order)
	if err != nil {
		return err
	}
	var like *clinic.Match
	if o.like != "" {
		if like, err = clinicLike(read, o.like, form); err != nil {
			return err
		}
		rep.Drafts = append(rep.Drafts, like.Draft)
	}
	out := o.out
	if out == "" {
		base := filepath.Base(path)
		out = strings.TrimSuffix(base, filepath.Ext(base)) + "-clinic"
	}
	left, err := leaveClinic(rep, like, o, text, out)
	if err != nil {
		return err
	}
	if o.json {
		return report.JSON(c.OutOrStdout(), left)
	}
	return report.ClinicText(c.OutOrStdout(), left)
}

// readForm reads the form, and its text.
func readForm(path string) (clinic.Form, []byte, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			err = fmt.Errorf("there is no file %s; write one with these keys:\n%s", path, clinic.FormDoc())
		}
		return clinic.Form{}, nil, pipeline.Errorf(pipeline.House, "", "%w", err)
	}
	f, faults := clinic.ParseForm(text, path)
	return f, text, strict.AsError(faults)
}

// clinicLike holds a read against what was made of it, or against how the narrator
// was approved.
func clinicLike(read *clinic.Read, path string, form clinic.Form) (*clinic.Match, error) {
	finished, err := clinic.Open(path, form)
	if err != nil {
		return nil, err
	}
	m, err := clinic.Like(read, finished)
	return &m, err
}

// leaveClinic writes the report's folder, and says what lies in it.
func leaveClinic(rep clinic.Report, like *clinic.Match, o clinicOptions, form []byte, out string) (report.Clinic, error) {
	left := report.Clinic{Report: rep, Like: like, Folder: out}
	if err := os.MkdirAll(out, 0o755); err != nil {
		return left, pipeline.Errorf(pipeline.Infra, "", "%w", err)
	}
	var master []float64
	if o.master != "" {
		finished, err := clinic.Open(o.master, rep.Read.Form)
		if err != nil {
			return left, err
		}
		if master, err = clinic.InStep(rep.Read, finished); err != nil {
			return left, err
		}
	}
	trial, err := clinic.Compare(rep.Read, rep.Drafts, master)
	if err != nil {
		return left, err
	}
	files := []struct {
		name  string
		write func(f *os.File) error
	}{
		{"setup.yaml", func(f *os.File) error { _, err := f.Write(form); return err }},
		{"report.json", func(f *os.File) error { return report.JSON(f, left) }},
		{"report.txt", func(f *os.File) error { return report.ClinicText(f, left) }},
		{"report.html", func(f *os.File) error { return report.ClinicHTML(f, left) }},
		{"sheet.html", func(f *os.File) error { return report.SheetHTML(f, rep) }},
		{"trial.html", func(f *os.File) error { return report.TrialHTML(f, trial) }},
	}
	for _, d := range rep.Drafts {
		files = append(files, struct {
			name  string
			write func(f *os.File) error
		}{d.Name + ".yaml", func(f *os.File) error { _, err := f.WriteString(d.YAML); return err }})
	}
	for _, one := range files {
		f, err := os.Create(filepath.Join(out, one.name))
		if err == nil {
			err = errors.Join(one.write(f), f.Close())
		}
		if err != nil {
			return left, pipeline.Errorf(pipeline.Infra, one.name, "%w", err)
		}
	}
	return left, nil
}
