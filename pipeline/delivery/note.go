package delivery

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// NoteFile goes with a delivery, for people.
const NoteFile = "delivery.txt"

// note says what a delivery is and how it was made: the spec and its source,
// files, voices, chains with their revisions, gains, encoders. All of it comes
// from the run, so that the same run has the same note; there is no clock in it.
func note(o pipeline.Outcome, spec pipeline.Spec, m Manifest) []byte {
	n := &noted{}
	n.line("%s", o.Title)
	if o.Author != "" {
		n.line("by %s", o.Author)
	}
	n.line("delivery of run %s for %s, from %s", o.Run, spec.Spec, o.House)
	if m.Forced != "" {
		n.line("")
		n.line("It leaves although %s. The reason: %s", m.Withheld, m.Forced)
	}
	n.line("")
	n.line("The spec")
	n.line("  %s", spec.Source)
	l := spec.Sound.Level
	level := fmt.Sprintf("%g to %g %s", l.Window[0], l.Window[1], l.Unit())
	if meaning := l.Meaning(); meaning != "" {
		level += ", " + meaning
	}
	n.line("  level %s, measured as %s; true peak at most %g dBTP, ITU-R BS.1770-5", level, l.Measure, float64(spec.Sound.Peak.MaxDBTP))
	for _, f := range spec.Sound.Files {
		n.line("  %s", format(f, o.Engine))
	}
	n.line("")
	n.line("The files")
	n.files(o, spec, m)
	n.line("  sha256sum -c %s checks them; %s has each one's digest of the audio behind its tag.", ChecksumsFile, ManifestFile)
	n.line("")
	n.line("The voices")
	for _, s := range o.Sessions {
		n.line("  %s", session(o, s))
	}
	for _, who := range sorted(o.Gains.Specs[spec.Spec].GainDB) {
		n.line("  %s: %+.1f dB to the spec's level", name(o, who), float64(o.Gains.Specs[spec.Spec].GainDB[who]))
	}
	if taken := accepted(o, spec.Spec); len(taken) > 0 {
		n.line("")
		n.line("Accepted by a person")
		for _, line := range taken {
			n.line("  %s", line)
		}
	}
	n.line("")
	n.line("Made by engine %s on %s.", o.Engine.ID(), o.Engine.Arch)
	return n.text.Bytes()
}

// noted is a note's text.
type noted struct{ text bytes.Buffer }

func (n *noted) line(format string, args ...any) {
	n.text.WriteString(strings.TrimRight(pipeline.Visible(fmt.Sprintf(format, args...)), " ") + "\n")
}

// files is a row for each file: what it is, how long, at which level and peak.
func (n *noted) files(o pipeline.Outcome, spec pipeline.Spec, m Manifest) {
	var b bytes.Buffer
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	total := 0.0
	for _, f := range m.Files {
		rec := record(o, f)
		total += f.LengthS
		fmt.Fprintf(t, "%s\t%s\t%.2f %s\t%.2f dBTP\t%s\n", pipeline.Visible(f.Name), length(f.LengthS), spec.Sound.Level.Of(rec.Levels), spec.Sound.Level.Unit(), float64(rec.Levels.TruePeak), f.Verdict)
	}
	fmt.Fprintf(t, "in all\t%s\n", length(total))
	t.Flush() // into memory
	for row := range strings.Lines(b.String()) {
		n.line("  %s", strings.TrimRight(row, "\n"))
	}
}

func record(o pipeline.Outcome, f File) (r pipeline.FileRecord) {
	for _, ch := range o.Chapters {
		for _, made := range ch.Files {
			if ch.Number == f.Number && made.Blob == f.Verified {
				return made.Record
			}
		}
	}
	return r
}

// length is h:mm:ss.
func length(seconds float64) string {
	s := int(dsp.Round2(seconds) + 0.5)
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}

func format(f pipeline.FileFormat, e pipeline.Engine) string {
	text := fmt.Sprintf("%s, %d Hz, %d channel", f.Format, f.RateHz, f.Channels)
	if f.Channels > 1 {
		text += "s"
	}
	if f.Bits > 0 {
		text += fmt.Sprintf(", %d bits", f.Bits)
	}
	if f.Kbps > 0 {
		text += fmt.Sprintf(", %d kbps %s", f.Kbps, f.Mode)
	}
	if by := e.Encoders[f.Format]; by != "" {
		text += ", encoded by " + by
	}
	return text
}

func session(o pipeline.Outcome, s pipeline.SessionOutcome) string {
	who := name(o, s.Narrator)
	if s.Setup != "" {
		who += ", " + s.Setup
	}
	who += ", session " + s.Session
	if s.Chain == "" {
		return who + ": no chain"
	}
	return fmt.Sprintf("%s: chain %s, revision %s, at %+.1f dB", who, s.Chain, s.Revision.Short(), float64(s.Fit.GainDB))
}

func name(o pipeline.Outcome, narrator string) string {
	switch {
	case o.Narrators[narrator] != "":
		return o.Narrators[narrator]
	case narrator != "":
		return narrator
	}
	return "the narrator"
}

// accepted are the findings that a person's decision lifted.
func accepted(o pipeline.Outcome, spec string) (lines []string) {
	for _, ch := range o.Chapters {
		for _, f := range ch.Findings {
			if f.Accepted != "" && (f.Spec == "" || f.Spec == spec) {
				lines = append(lines, fmt.Sprintf("%d, %s: %s, %s; %s", ch.Number, ch.Name, f.Check, f.Measured, f.Accepted))
			}
		}
	}
	return lines
}

func sorted(m map[string]dsp.DB) (keys []string) {
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
