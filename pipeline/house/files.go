package house

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

// The shapes of the house's own files.

type settings struct {
	House strict.Name   `json:"house"`
	Name  strict.Name   `json:"name" default:"" doc:"what letters are signed with"`
	Specs []strict.Slug `json:"specs" default:"" len:"1..8"`
	Level levelSettings `json:"level" default:""`
	Fit   fitSettings   `json:"fit" default:""`
	Job   jobSettings   `json:"job" default:""`
}

type levelSettings struct {
	PoolMinS float64 `json:"pool_min_s" default:"60" range:"1..3600"`
}

type fitSettings struct {
	MinSpeechS float64 `json:"min_speech_s" default:"60" range:"1..3600"`
}

type jobSettings struct {
	MemoryMiB int `json:"memory_mib" default:"512" range:"128..65536"`
}

func (f settings) settings() pipeline.Settings {
	s := pipeline.Settings{
		House: string(f.House), Name: string(f.Name), Level: pipeline.LevelSettings(f.Level), Fit: pipeline.FitSettings(f.Fit), Job: pipeline.JobSettings(f.Job),
		Specs: words(f.Specs),
	}
	if len(s.Specs) == 0 {
		s.Specs = []string{"lossless", "retail"}
	}
	return s
}

type narrator struct {
	Narrator strict.Slug      `json:"narrator"`
	Name     strict.Name      `json:"name"`
	Setups   map[string]setup `json:"setups"`
}

type setup struct {
	Microphone strict.Prose `json:"microphone" default:""`
	Preamp     strict.Prose `json:"preamp" default:""`
	Interface  strict.Prose `json:"interface" default:""`
	Printed    strict.Prose `json:"printed" default:""`
	Booth      booth        `json:"booth" default:""`
	Chain      strict.Slug  `json:"chain" default:""`
}

type booth struct {
	WidthM  float64 `json:"width_m" default:"" range:"0.3..30"`
	DepthM  float64 `json:"depth_m" default:"" range:"0.3..30"`
	HeightM float64 `json:"height_m" default:"" range:"0.3..30"`
	PanelMM float64 `json:"panel_mm" default:"" range:"0..1000"`
	GapMM   float64 `json:"gap_mm" default:"" range:"0..1000"`
}

func (f narrator) narrator() pipeline.Narrator {
	n := pipeline.Narrator{Narrator: string(f.Narrator), Name: string(f.Name), Setups: map[string]pipeline.Setup{}}
	for name, s := range f.Setups {
		n.Setups[name] = pipeline.Setup{Microphone: string(s.Microphone), Preamp: string(s.Preamp), Interface: string(s.Interface),
			Printed: string(s.Printed), Booth: pipeline.Booth(s.Booth)}
	}
	return n
}

type title struct {
	Title    strict.Name    `json:"title"`
	Author   strict.Name    `json:"author" default:""`
	Language string         `json:"language" default:""`
	Year     int            `json:"year" default:"" range:"1..9999"`
	Narrator strict.Slug    `json:"narrator" default:""`
	Setup    strict.Slug    `json:"setup" default:""`
	Specs    []strict.Slug  `json:"specs" default:"" len:"1..8"`
	RateHz   int            `json:"rate_hz" default:"" oneof:"44100,48000,88200,96000"`
	Chapters []titleChapter `json:"chapters" default:"" len:"1..2000"`
}

// Check wants a language by its three letters.
func (t title) Check() []Fault {
	if t.Language != "" && (len(t.Language) != 3 || strings.Trim(t.Language, "abcdefghijklmnopqrstuvwxyz") != "") {
		return []Fault{{Path: "language", Text: fmt.Sprintf("%q is no language; give the three small letters of ISO 639-2, as eng", t.Language)}}
	}
	return nil
}

// A titleChapter is one part written flat, or a list of parts. What it says of
// the voice goes for every part that says nothing itself.
type titleChapter struct {
	Chapter  strict.Name   `json:"chapter"`
	Number   *int          `json:"number" default:"" range:"0..9999"`
	Role     pipeline.Role `json:"role" default:"chapter" oneof:"chapter,opening,closing,excerpt,asset"`
	File     *fileName     `json:"file" default:""`
	Text     *fileName     `json:"text" default:""`
	Narrator strict.Slug   `json:"narrator" default:""`
	Setup    strict.Slug   `json:"setup" default:""`
	Session  strict.Slug   `json:"session" default:""`
	FromS    float64       `json:"from_s" default:"" range:"0..360000"`
	ToS      float64       `json:"to_s" default:"" range:"0..360000"`
	Parts    []titlePart   `json:"parts" default:"" len:"1..2000"`
}

type titlePart struct {
	File     fileName    `json:"file"`
	Narrator strict.Slug `json:"narrator" default:""`
	Setup    strict.Slug `json:"setup" default:""`
	Session  strict.Slug `json:"session" default:""`
	FromS    float64     `json:"from_s" default:"" range:"0..360000"`
	ToS      float64     `json:"to_s" default:"" range:"0..360000"`
	PauseS   float64     `json:"pause_s" default:"" range:"0..60"`
}

// Check wants a file or parts, and a span that runs forwards.
func (c titleChapter) Check() []Fault {
	switch {
	case c.File == nil && len(c.Parts) == 0:
		return []Fault{{Path: "chapter", Text: "the chapter has no file; give file, or parts"}}
	case c.File != nil && len(c.Parts) > 0:
		return []Fault{{Path: "parts", Text: "the chapter has file and parts; put the file among the parts"}}
	case len(c.Parts) > 0 && (c.FromS != 0 || c.ToS != 0):
		return []Fault{{Path: "parts", Text: "from_s and to_s belong to a file; give them to each part"}}
	case c.Role == pipeline.RoleAsset && len(c.Parts) > 0:
		return []Fault{{Path: "parts", Text: "an asset is one file as it is; give file, or list each file as an asset of its own"}}
	case c.Role == pipeline.RoleAsset && c.Narrator != "":
		return []Fault{{Path: "narrator", Text: "an asset goes through no narrator's chain; take the narrator out, or give it another role"}}
	}
	return forwards(c.FromS, c.ToS)
}

// Check wants a span that runs forwards.
func (p titlePart) Check() []Fault { return forwards(p.FromS, p.ToS) }

func forwards(fromS, toS float64) []Fault {
	if toS != 0 && toS <= fromS {
		return []Fault{{Path: "to_s", Text: "to_s is not after from_s; give the later time, or leave it out to go to the end"}}
	}
	return nil
}

// parts is the chapter as a list of parts, the chapter's voice filled in.
func (c titleChapter) parts() []titlePart {
	if c.File != nil {
		return []titlePart{{File: *c.File, Narrator: c.Narrator, Setup: c.Setup, Session: c.Session, FromS: c.FromS, ToS: c.ToS}}
	}
	parts := slices.Clone(c.Parts)
	for i, p := range parts {
		if p.Narrator == "" { // a part in another voice has its own setup and session too
			parts[i].Narrator = c.Narrator
			parts[i].Setup = cmp.Or(p.Setup, c.Setup)
			parts[i].Session = cmp.Or(p.Session, c.Session)
		}
	}
	return parts
}

// A fileName is the path of a file within a title's folder, with slashes.
type fileName string

var (
	errOutside = errors.New("leaves the title's folder; give the name of a file in it")
	errNoFile  = errors.New("is empty; give the name of a file in the title's folder")
	errUnseen  = errors.New("holds characters that can't be seen; rename the file")
	errLong    = errors.New("is longer than file systems take; rename the file")
)

// maxFile is the longest path of a recording within its title's folder, in bytes.
const maxFile = 1000

// UnmarshalText refuses what would lie outside the folder, and what could not
// be told from another name where it is shown. It is kept as it is written, in
// whatever normalization form: it has to be found in the folder.
func (f *fileName) UnmarshalText(b []byte) error {
	s := string(b)
	switch {
	case s == "":
		return errNoFile
	case pipeline.Visible(s) != s: // NUL among others
		return errUnseen
	case s == "." || !isLocal(s):
		return errOutside
	case len(s) > maxFile:
		return errLong
	}
	*f = fileName(s)
	return nil
}

// A clock is a time as people write it: seconds, m:ss or h:mm:ss.
type clock string

// UnmarshalText refuses what is no time.
func (c *clock) UnmarshalText(b []byte) error {
	if _, ok := pipeline.ParseClock(string(b)); !ok {
		return fmt.Errorf("is %.40q; give it as seconds, m:ss or h:mm:ss, up to 100 hours", b)
	}
	*c = clock(b)
	return nil
}

func (c clock) seconds() float64 {
	s, _ := pipeline.ParseClock(string(c))
	return s
}

type decision struct {
	Name    strict.Slug  `json:"check"`
	Spec    strict.Slug  `json:"spec" default:""`
	Chapter int          `json:"chapter" default:"-1" range:"-1..9999" doc:"left out: on the title as a whole"`
	AtS     clock        `json:"at_s" default:"0"`
	Why     strict.Prose `json:"why"`
}

// Check wants a reason: a decision without one can't be understood later.
func (d decision) Check() []Fault {
	if d.Why == "" {
		return []Fault{{Path: "why", Text: "why is empty; say why the finding is no obstacle"}}
	}
	return nil
}

func words(slugs []strict.Slug) []string {
	var out []string
	for _, s := range slugs {
		out = append(out, string(s))
	}
	return out
}

func sorted[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// isLocal tells whether a path with slashes stays below its folder.
func isLocal(name string) bool {
	return fs.ValidPath(name) && filepath.IsLocal(filepath.FromSlash(name))
}
