package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/house/strict"
	"chapterhouse/pipeline/report"

	"github.com/spf13/cobra"
)

// explained is one stage, in words and in figures.
type explained struct {
	Stage    string         `json:"stage"`
	Settings string         `json:"settings,omitempty"`
	About    string         `json:"about"`
	Keys     string         `json:"keys"`
	Response chain.Response `json:"response,omitzero"`
	Shown    chain.Shown    `json:"shown,omitempty"`
}

func chainExplainCommand() *cobra.Command {
	var json, brief bool
	rateHz := 44100
	c := &cobra.Command{
		Use:   "explain FILE|STAGE...",
		Short: "Say what every stage of a chain does, with plots of what was measured of it",
		Long: "Explain prints for each stage of a chain file what a listener hears of it, its formula, its parameters with\n" +
			"ranges and defaults, how late it is and its source; and a plot of what its processor does to plain signals:\n" +
			"to an impulse, where it is the same at every level, else to steady tones of rising level. A name of a stage\n" +
			"instead of a file explains that stage alone, without a plot, for it has no settings; --brief: its keys only.",
		Example: "  chapterhouse chain explain narrators/ines-marlow/chains/cupboard.yaml --brief\n  chapterhouse chain explain ride expander",
		Args:    atLeast(1, "a chain file, or stages: "+strings.Join(chain.StageNames(chain.Builtin()), ", ")),
		RunE: func(c *cobra.Command, args []string) error {
			var all []explained
			for _, arg := range args {
				some, err := explain(arg, rateHz)
				if err != nil {
					return err
				}
				all = append(all, some...)
			}
			if json {
				return report.JSON(c.OutOrStdout(), all)
			}
			for i, e := range all {
				if i > 0 {
					fmt.Fprintln(c.OutOrStdout())
				}
				printExplained(c.OutOrStdout(), e, brief)
			}
			return nil
		},
	}
	c.Flags().BoolVar(&json, "json", false, "print words and figures as JSON")
	c.Flags().BoolVar(&brief, "brief", false, "settings and plots only")
	c.Flags().IntVar(&rateHz, "rate", rateHz, rateFlag)
	return c
}

// explain explains the stage of a name, or every stage of a chain file.
func explain(arg string, rateHz int) (all []explained, err error) {
	for _, s := range chain.Builtin() {
		if s.Name == arg {
			e, err := inWords(s)
			return []explained{e}, err
		}
	}
	ch, err := readChain(arg)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, pipeline.Errorf(pipeline.House, "", "there is no file %s, and %s", arg, strict.Unknown(arg, "stage", chain.StageNames(chain.Builtin())))
	case err != nil:
		return nil, err
	}
	for i, r := range ch.Stages {
		for _, s := range chain.Builtin() {
			if s.Name != r.Stage {
				continue
			}
			e, err := inWords(s)
			if err != nil {
				return nil, err
			}
			e.Stage = fmt.Sprintf("stage %d: %s", i+1, s.Name)
			e.Settings = chain.Describe(r)
			e.Shown = s.Shown
			if e.Response, err = chain.Respond(r, float64(rateHz), chain.PlainFacts(ch.SpeechDBFS)); err != nil {
				return nil, pipeline.Errorf(pipeline.House, arg, "%w", err)
			}
			all = append(all, e)
		}
	}
	return all, nil
}

// inWords is a stage without settings.
func inWords(s chain.Stage) (explained, error) {
	about, err := s.About()
	_, keys, _ := strings.Cut(s.Doc, "\n\n")
	return explained{Stage: s.Name, About: about, Keys: keys}, err
}

func printExplained(w io.Writer, e explained, brief bool) {
	fmt.Fprintln(w, e.Stage)
	fmt.Fprintln(w, strings.Repeat("=", len(e.Stage)))
	if e.Settings != "" {
		fmt.Fprintln(w, e.Settings)
	}
	if !brief {
		fmt.Fprintf(w, "\n%s", e.About)
	}
	if !brief || e.Settings == "" {
		fmt.Fprintf(w, "\nIn a chain file:\n\n%s\n", strings.TrimRight(e.Keys, "\n"))
	}
	if len(e.Response.Spectrum) > 0 {
		fmt.Fprintf(w, "\ngain in dB by frequency, of an impulse\n%s", spectrumPlot(e.Response.Spectrum))
	}
	for curves := e.Response.Levels; len(curves) > 0; {
		c, n := curves[0], 1
		for n < len(curves) && alike(c, curves[n]) {
			n++
		}
		tones := make([]string, n)
		for i, other := range curves[:n] {
			tones[i] = fmt.Sprintf("%g", other.Hz)
		}
		curves = curves[n:]
		tone := "a steady tone of " + strings.Join(tones, ", ") + " Hz"
		if still(c) {
			fmt.Fprintf(w, "\n%s is left as it is at every level\n", tone)
			continue
		}
		fmt.Fprintf(w, "\ngain in dB of %s by its level in dBFS, speech at the chain's reference and room tone of -62 dBFS\n%s", tone, levelPlot(c))
	}
	for _, h := range e.Response.Harmonics {
		var heard []string
		for i, db := range h.DB {
			if db > plotFaintest {
				heard = append(heard, fmt.Sprintf("harmonic %d at %.1f dB", i+2, db))
			}
		}
		fmt.Fprintf(w, "\na tone of %g Hz at the chain's speech level gets %s\n", h.Hz, cmp.Or(strings.Join(heard, ", "), "no harmonics"))
	}
	if e.Shown == chain.ShownNot {
		fmt.Fprintln(w, "\nwhat it does hangs on what is found in each recording: no plain signal shows it")
	}
}

// alike tells whether two tones are treated alike, to 0.1 dB.
func alike(a, b chain.Curve) bool {
	for i := range a.Steps {
		if math.Abs(a.Steps[i].DB-b.Steps[i].DB) >= 0.1 {
			return false
		}
	}
	return true
}

// still tells whether a tone is the same at every level.
func still(c chain.Curve) bool {
	for _, s := range c.Steps {
		if math.Abs(s.DB) >= 0.1 {
			return false
		}
	}
	return true
}

func spectrumPlot(gains []chain.Gain) string {
	values := make([]float64, len(gains))
	marks := map[int]string{}
	for i, g := range gains {
		values[i] = g.DB
	}
	for hz, text := range map[float64]string{20: "20 Hz", 50: "50", 100: "100", 200: "200", 500: "500", 1000: "1k", 2000: "2k", 5000: "5k", 10000: "10k"} {
		nearest := 0
		for i, g := range gains {
			if math.Abs(math.Log(g.Hz/hz)) < math.Abs(math.Log(gains[nearest].Hz/hz)) {
				nearest = i
			}
		}
		marks[nearest] = text
	}
	return plot(values, marks)
}

func levelPlot(c chain.Curve) string {
	const columns = 3 // for each step
	var values []float64
	marks := map[int]string{}
	for i, s := range c.Steps {
		if i%2 == 0 {
			marks[len(values)] = fmt.Sprintf("%g", s.InDBFS)
		}
		values = append(values, s.DB)
		if i+1 < len(c.Steps) {
			for k := 1; k < columns; k++ {
				values = append(values, s.DB+(c.Steps[i+1].DB-s.DB)*float64(k)/columns)
			}
		}
	}
	return plot(values, marks)
}

// plotFaintest is the level under which a harmonic is none, dB.
const plotFaintest = -100

// plotLowest is the lowest gain that is drawn, dB.
const plotLowest = -30

// plot draws values from left to right, one a column, with marks beneath.
func plot(values []float64, marks map[int]string) string {
	low, high := 0.0, 0.0
	for _, v := range values {
		low, high = min(low, max(v, plotLowest)), max(high, v)
	}
	step := 0.5
	for _, s := range []float64{0.5, 1, 2, 3} {
		if step = s; (high-low)/s <= 11 {
			break
		}
	}
	top, bottom := int(math.Ceil(high/step-1e-9)), int(math.Floor(low/step+1e-9))
	if top == bottom {
		top++
		bottom--
	}
	var b strings.Builder
	for row := top; row >= bottom; row-- {
		fmt.Fprintf(&b, "%7.1f |", float64(row)*step)
		line := make([]byte, len(values))
		for i, v := range values {
			line[i] = ' '
			if row == 0 {
				line[i] = '.'
			}
			if at := int(math.Round(max(v, plotLowest) / step)); at == row {
				line[i] = '*'
			}
		}
		b.WriteString(strings.TrimRight(string(line), " "))
		b.WriteByte('\n')
	}
	scale := []byte(strings.Repeat(" ", len(values)+12))
	for i := range values {
		if text, ok := marks[i]; ok {
			copy(scale[9+i:], text)
		}
	}
	b.WriteString(strings.TrimRight(string(scale), " "))
	b.WriteByte('\n')
	return b.String()
}
