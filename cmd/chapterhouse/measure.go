package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/codec"
	"chapterhouse/pipeline/house"

	"github.com/spf13/cobra"
)

func measureCommand() *cobra.Command {
	var spec string
	var asJSON bool
	c := &cobra.Command{
		Use:   "measure FILE…",
		Short: "Every meter over WAV, FLAC or MP3 files",
		Long: "Measure reads files as they are, with no house and no set-up, and prints every meter. With --spec it\n" +
			"prints what the spec asks for beside what was measured: measured, window, room left.",
		Example: "  chapterhouse measure chapter-01.flac\n  chapterhouse measure *.mp3 --spec retail",
		Args:    atLeast(1, "one or more WAV, FLAC or MP3 files"),
		RunE: func(c *cobra.Command, args []string) error {
			return measure(c, args, spec, asJSON)
		},
	}
	c.Flags().StringVar(&spec, "spec", "", "a spec of the house or a built-in one: retail, lossless, broadcast, streaming-speech")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// Measured is one file's meters.
type Measured struct {
	File     string       `json:"file"`
	Error    string       `json:"error,omitempty"`
	Is       codec.Info   `json:"is,omitzero"`
	Levels   meter.Levels `json:"levels,omitzero"`
	Room     meter.Room   `json:"room,omitzero"`
	Speaking *Speaking    `json:"speaking,omitempty"`
	Pacing   *PaceAndRoom `json:"pace_and_room,omitempty"`
	Rows     []specRow    `json:"spec,omitempty"`
}

// specRow is one thing a spec asks for.
type specRow struct {
	What     string `json:"what"`
	Measured string `json:"measured"`
	Window   string `json:"window"`
	RoomLeft string `json:"room_left"`
	Met      bool   `json:"met"`
}

func measure(c *cobra.Command, files []string, specName string, asJSON bool) error {
	var want *pipeline.Spec
	if specName != "" {
		s, err := findSpec(specName)
		if err != nil {
			return err
		}
		want = &s
	}
	var all []Measured
	failed := 0
	for _, file := range files {
		m, err := measureFile(file)
		if err != nil {
			m.Error = err.Error()
			failed++
		} else if want != nil {
			m.Rows = besideSpec(m, *want)
		}
		all = append(all, m)
	}
	if asJSON {
		enc := json.NewEncoder(c.OutOrStdout())
		enc.SetIndent("", "  ")
		if err := enc.Encode(all); err != nil {
			return err
		}
	} else {
		for i, m := range all {
			if i > 0 {
				fmt.Fprintln(c.OutOrStdout())
			}
			m.print(c.OutOrStdout())
		}
	}
	if failed > 0 {
		return fmt.Errorf("%d of %d files could not be measured", failed, len(files))
	}
	return nil
}

// findSpec looks in the house around the working folder, then among the built-in specs.
func findSpec(name string) (pipeline.Spec, error) {
	here, err := os.Getwd()
	if err != nil {
		return pipeline.Spec{}, err
	}
	h := house.Bare(here)
	if root, ok := house.Find(here); ok {
		if h, err = house.Load(root); err != nil {
			return pipeline.Spec{}, err
		}
	}
	s, ok := h.Specs[name]
	if !ok {
		return s, pipeline.Errorf(pipeline.House, "", "no spec is called %q here; there are %s", name, listed(h.Specs))
	}
	return s, nil
}

func measureFile(path string) (Measured, error) {
	m := Measured{File: path}
	var levels *meter.Meter
	var room *meter.RoomMeter
	is, err := eachBlock(path, func(is codec.Info, ch [][]float64) {
		if levels == nil {
			levels, room = meter.New(is.RateHz, is.Channels), meter.NewRoom(is.RateHz)
		}
		levels.Write(ch...)
		room.Write(ch[0])
	})
	m.Is = is
	if err != nil {
		return m, err
	}
	if levels == nil { // no frame
		levels, room = meter.New(is.RateHz, is.Channels), meter.NewRoom(is.RateHz)
	}
	m.Levels, m.Room = levels.Levels(), room.Result()
	return m, m.again(path)
}

// again reads the file once more, now that it is known when somebody speaks.
func (m *Measured) again(path string) error {
	speaking, err := newSpeakingMeter(*m)
	if err != nil {
		return err
	}
	ears := earsFor(*m)
	_, err = eachBlock(path, func(_ codec.Info, ch [][]float64) {
		speaking.write(ch[0])
		ears.Hear(ch[0], nil)
	})
	if err != nil {
		return err
	}
	s, p := speaking.result(), paceAndRoom(ears)
	m.Speaking, m.Pacing = &s, &p
	return nil
}

// eachBlock reads a file and hands on its samples, block by block.
func eachBlock(path string, each func(is codec.Info, ch [][]float64)) (codec.Info, error) {
	src, err := codec.Open(path)
	if err != nil {
		return codec.Info{}, err
	}
	defer src.Close()
	is := src.Info()
	bufs, views := make([][]float64, is.Channels), make([][]float64, is.Channels)
	for i := range bufs {
		bufs[i] = make([]float64, 8192)
	}
	for {
		n, err := src.Read(bufs)
		for i := range bufs {
			views[i] = bufs[i][:n]
		}
		if n > 0 {
			each(is, views)
		}
		if errors.Is(err, io.EOF) {
			return is, nil
		}
		if err != nil {
			return is, err
		}
	}
}

func (m Measured) print(w io.Writer) {
	fmt.Fprintln(w, filepath.Base(m.File))
	if m.Error != "" {
		fmt.Fprintln(w, "  "+m.Error)
		return
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	row := func(what, value, note string) { fmt.Fprintf(t, "  %s\t%s\t%s\n", what, value, note) }
	l, f := m.Levels, m.Room.Floor
	kind := "integer"
	if m.Is.Float {
		kind = "float"
	}
	bits := ""
	if m.Is.Bits > 0 {
		bits = fmt.Sprintf(", %d bits %s", m.Is.Bits, kind)
	}
	channels, which := "mono", ""
	if m.Is.Channels > 1 {
		channels, which = fmt.Sprintf("%d channels", m.Is.Channels), "; first channel"
	}
	row("format", fmt.Sprintf("%s, %d Hz, %s%s", m.Is.Format, m.Is.RateHz, channels, bits), "")
	for _, n := range m.Is.Notes {
		row("note", n, "")
	}
	if b := m.Is.Bext; b != nil {
		row("recorded", recorded(*b, m.Is.RateHz), "bext chunk, EBU Tech 3285")
	}
	row("length", fmt.Sprintf("%.2f s", l.Frames.Seconds(m.Is.RateHz)), "")
	row("RMS, plain", l.RMS.String(), "full-scale sine = -3.01; all of the file")
	row("RMS, AES17", l.AES17.String(), "full-scale sine = 0")
	row("sample peak", l.SamplePeak.String(), "")
	row("true peak", l.TruePeak.String(), "ITU-R BS.1770-5 Annex 2, 8 times the rate")
	row("loudness", l.Integrated.String(), "ITU-R BS.1770-5, as the file is: a mono file reads 3.01 LU under its two-channel twin")
	row("loudness range", lu(l.RangeLU), "EBU Tech 3342")
	row("momentary, highest", l.MaxMomentary.String(), "EBU Tech 3341")
	row("short-term, highest", l.MaxShortTerm.String(), "EBU Tech 3341")
	row("speech level", l.Speech.String(), fmt.Sprintf("ITU-T P.56, while speaking (%.0f %% of the time)", 100*l.Activity))
	row("noise floor", f.Median.String(), fmt.Sprintf("median of %d windows of room tone%s", f.Windows, which))
	row("  worst tenth", f.WorstTenth.String(), "")
	row("  A-weighted", f.MedianA.String(), "")
	m.Speaking.rows(which, row)
	m.Pacing.rows(which, row)
	row("head, tail", fmt.Sprintf("%.2f s, %.2f s", head(m), tail(m)), "room tone before the first and after the last sound")
	row("crest", l.CrestDB.String(), "")
	row("DC", l.DC.String(), "")
	if len(m.Rows) > 0 {
		fmt.Fprintf(t, "\t\t\n  spec asks\tmeasured\twindow\troom left\n")
		for _, r := range m.Rows {
			met := ""
			if !r.Met {
				met = "  ← not met"
			}
			fmt.Fprintf(t, "  %s\t%s\t%s\t%s%s\n", r.What, r.Measured, r.Window, r.RoomLeft, met)
		}
	}
	t.Flush()
}

// recorded is what a recorder wrote into a file, in words.
func recorded(b pipeline.Bext, rateHz int) string {
	words := []string{strings.TrimSpace(b.Date + " " + b.Time), b.Originator, b.OriginatorReference, b.Description}
	if b.TimeReference > 0 {
		at := time.Duration(dsp.Frames(b.TimeReference).Seconds(rateHz) * float64(time.Second)).Truncate(time.Millisecond)
		words = append(words, fmt.Sprintf("starts %v after midnight (%d samples)", at, b.TimeReference))
	}
	return strings.Join(slices.DeleteFunc(words, func(w string) bool { return w == "" }), "; ")
}

func head(m Measured) float64 { return m.Room.Bounds.From.Seconds(m.Is.RateHz) }
func tail(m Measured) float64 { return (m.Levels.Frames - m.Room.Bounds.To).Seconds(m.Is.RateHz) }

func lu(v dsp.DB) string {
	if math.IsNaN(float64(v)) {
		return v.String()
	}
	return fmt.Sprintf("%.2f LU", float64(v))
}

// besideSpec puts what a spec asks for beside what was measured.
func besideSpec(m Measured, s pipeline.Spec) []specRow {
	facts := check.Facts{Levels: m.Levels, Floor: m.Room.Floor, HeadS: head(m), TailS: tail(m), LengthS: m.Levels.Frames.Seconds(m.Is.RateHz)}
	var rows []specRow
	for _, a := range check.Beside(s, pipeline.RoleChapter, facts) {
		r := specRow{a.What, fmt.Sprintf("%.2f %s", a.Measured, a.Unit), a.Window(), fmt.Sprintf("%.2f", a.Left), a.Met}
		if math.IsNaN(a.Measured) {
			r.Measured, r.RoomLeft = "not measurable", "–"
		}
		rows = append(rows, r)
	}
	return append(rows, formatRow(m.Is, s))
}

// formatRow tells whether the file is one of the spec's formats.
func formatRow(is codec.Info, s pipeline.Spec) specRow {
	named := func(format pipeline.Format, rateHz, channels, bits int) string {
		s := fmt.Sprintf("%s %d Hz %d channel", format, rateHz, channels)
		if bits > 0 {
			s += fmt.Sprintf(" %d bits", bits)
		}
		return s
	}
	r := specRow{What: "format", Measured: named(is.Format, is.RateHz, is.Channels, is.Bits), RoomLeft: "–"}
	for i, f := range s.Sound.Files {
		if i > 0 {
			r.Window += " or "
		}
		r.Window += named(f.Format, f.RateHz, f.Channels, f.Bits)
		r.Met = r.Met || f.Format == is.Format && f.RateHz == is.RateHz && f.Channels == is.Channels && f.Bits == is.Bits
	}
	return r
}
