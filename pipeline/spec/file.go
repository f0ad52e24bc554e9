package spec

import (
	"fmt"
	"slices"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

// The shape of a spec file. Ranges are what speech can be delivered at, wide
// enough for any receiver known to us (common practice).
type file struct {
	Spec      strict.Slug  `json:"spec" doc:"its name in the house"`
	Source    strict.Prose `json:"source" doc:"the published source of the numbers, or: common practice"`
	Sound     sound        `json:"sound" doc:"what determines samples"`
	Limits    limits       `json:"limits" default:"" doc:"judged; a key that is left out is no limit"`
	Packaging packaging    `json:"packaging" default:"" doc:"how files are named"`
}

type sound struct {
	Level level        `json:"level"`
	Peak  peak         `json:"peak"`
	Edges edges        `json:"edges"`
	Files []fileFormat `json:"files" len:"1..8"`
}

// level is read in the unit of its measure. A loudness says with counted_as what
// it means for a file of one channel: see pipeline.Counted.
type level struct {
	Measure    string      `json:"measure" oneof:"rms-plain,loudness"`
	CountedAs  string      `json:"counted_as,omitempty" default:"" oneof:"one-channel,two-channel" doc:"for loudness: whether one channel counts as its twin of two, 3.01 LU more"`
	WindowDBFS *[2]float64 `json:"window_dbfs,omitempty" default:"" range:"-60..0" doc:"for rms-plain"`
	AimDBFS    *float64    `json:"aim_dbfs,omitempty" default:"" range:"-60..0" doc:"for rms-plain"`
	WindowLUFS *[2]float64 `json:"window_lufs,omitempty" default:"" range:"-60..0" doc:"for loudness"`
	AimLUFS    *float64    `json:"aim_lufs,omitempty" default:"" range:"-60..0" doc:"for loudness"`
}

type peak struct {
	MaxDBTP float64 `json:"max_dbtp" range:"-20..0" doc:"true peak of the decoded file"`
}

type edges struct {
	HeadS    [2]float64 `json:"head_s" range:"0..10" doc:"room tone before the first sound"`
	HeadAimS float64    `json:"head_aim_s" range:"0..10"`
	TailS    [2]float64 `json:"tail_s" range:"0..10" doc:"room tone after the last sound"`
	TailAimS float64    `json:"tail_aim_s" range:"0..10"`
}

type fileFormat struct {
	Format   string `json:"format" oneof:"flac,wav,mp3"`
	RateHz   int    `json:"rate_hz" oneof:"32000,44100,48000,88200,96000"`
	Channels int    `json:"channels" default:"1" range:"1..2"`
	Bits     int    `json:"bits,omitempty" default:"" oneof:"16,24" doc:"for flac and wav; 16 is dithered"`
	Mode     string `json:"mode,omitempty" default:"" oneof:"cbr" doc:"for mp3"`
	Kbps     int    `json:"kbps,omitempty" default:"" oneof:"64,80,96,112,128,160,192,224,256,320" doc:"for mp3: MPEG-1 Layer III, ISO/IEC 11172-3"`
}

type limits struct {
	NoiseFloorDBFS    *float64 `json:"noise_floor_dbfs,omitempty" default:"" range:"-120..-20"`
	TitleSpreadLU     *float64 `json:"title_spread_lu,omitempty" default:"" range:"0.1..20"`
	NeighbourSpreadLU *float64 `json:"neighbour_spread_lu,omitempty" default:"" range:"0.1..20"`
	MaxMinutes        *float64 `json:"max_minutes,omitempty" default:"" range:"1..1440"`
}

type packaging struct {
	Name  strict.Name `json:"name" default:"{number} {chapter}" doc:"{number}, {chapter}, {title} and {narrator} are filled in"`
	ASCII bool        `json:"ascii,omitempty" default:"" doc:"letters beyond ASCII are written with those in it"`
	Tags  string      `json:"tags,omitempty" default:"" oneof:"full,none" doc:"what files say of themselves; full where it is left out"`
}

// Check wants the window and aim of the measure, and only those.
func (l level) Check() []strict.Fault {
	window, aim, unit := l.WindowDBFS, l.AimDBFS, "dbfs"
	otherWindow, otherAim, other := l.WindowLUFS, l.AimLUFS, "lufs"
	if l.Measure == string(pipeline.MeasureLoudness) {
		window, aim, unit, otherWindow, otherAim, other = otherWindow, otherAim, other, window, aim, unit
	}
	var faults []strict.Fault
	say := func(path, format string, args ...any) {
		faults = append(faults, strict.Fault{Path: path, Text: fmt.Sprintf(format, args...)})
	}
	if otherWindow != nil {
		say("window_"+other, "window_%s doesn't belong to measure %s; give window_%s", other, l.Measure, unit)
	}
	if otherAim != nil {
		say("aim_"+other, "aim_%s doesn't belong to measure %s; give aim_%s", other, l.Measure, unit)
	}
	switch loud := l.Measure == string(pipeline.MeasureLoudness); {
	case loud && l.CountedAs == "":
		say("counted_as", "counted_as is missing; give two-channel where the receiver counts a mono file as played by two loudspeakers, 3.01 LU more, else one-channel")
	case !loud && l.CountedAs != "":
		say("counted_as", "counted_as doesn't belong to measure %s; remove it", l.Measure)
	}
	if window == nil {
		say("window_"+unit, "window_%s is missing; give the lowest and highest level, as [-23, -18]", unit)
	}
	if aim == nil {
		say("aim_"+unit, "aim_%s is missing; give a level inside the window", unit)
	}
	if window != nil && aim != nil {
		faults = append(faults, aims(*window, *aim, "window_"+unit, "aim_"+unit)...)
	}
	return faults
}

// Check wants each aim inside its window.
func (e edges) Check() []strict.Fault {
	return append(aims(e.HeadS, e.HeadAimS, "head_s", "head_aim_s"), aims(e.TailS, e.TailAimS, "tail_s", "tail_aim_s")...)
}

func aims(window [2]float64, aim float64, windowKey, aimKey string) []strict.Fault {
	switch {
	case window[0] > window[1]:
		return []strict.Fault{{Path: windowKey, Text: fmt.Sprintf("%s goes from %g to %g; give the lower one first", windowKey, window[0], window[1])}}
	case aim < window[0] || aim > window[1]:
		return []strict.Fault{{Path: aimKey, Text: fmt.Sprintf("%s is %g, outside %s; give %g to %g", aimKey, aim, windowKey, window[0], window[1])}}
	}
	return nil
}

// Check wants the keys of the format, and only those.
func (f fileFormat) Check() []strict.Fault {
	var faults []strict.Fault
	say := func(path, text string) { faults = append(faults, strict.Fault{Path: path, Text: text}) }
	if f.Format == string(pipeline.MP3) {
		if f.Bits != 0 {
			say("bits", "bits doesn't belong to mp3; give kbps")
		}
		if f.Kbps == 0 {
			say("kbps", "kbps is missing; mp3 needs it, for example 192")
		}
		if f.RateHz > 48000 {
			say("rate_hz", fmt.Sprintf("rate_hz is %d, which mp3 doesn't have; give 32000, 44100 or 48000", f.RateHz))
		}
		return faults
	}
	if f.Bits == 0 {
		say("bits", fmt.Sprintf("bits is missing; %s needs it: 16 or 24", f.Format))
	}
	if f.Kbps != 0 {
		say("kbps", fmt.Sprintf("kbps doesn't belong to %s; give bits", f.Format))
	}
	if f.Mode != "" {
		say("mode", fmt.Sprintf("mode doesn't belong to %s; remove it", f.Format))
	}
	return faults
}

// Check wants every file once, and what a loudness means to hold for each.
func (s sound) Check() []strict.Fault {
	var faults []strict.Fault
	for i, f := range s.Files {
		if f.Channels == 2 && s.Level.CountedAs == string(pipeline.CountedOnce) {
			faults = append(faults, strict.Fault{Path: fmt.Sprintf("files[%d].channels", i), Text: "a file of two channels is read as two, so its loudness can't count as one-channel; give channels: 1, or counted_as: two-channel"})
		}
	}
	for i, f := range s.Files {
		if slices.Contains(s.Files[:i], f) {
			faults = append(faults, strict.Fault{Path: fmt.Sprintf("files[%d]", i), Text: "this file stands here twice; keep one"})
		}
	}
	return faults
}

// Check wants a pattern that tells files apart and stays one file name.
func (p packaging) Check() []strict.Fault {
	name := string(p.Name)
	rest := strings.NewReplacer("{number}", "", "{chapter}", "", "{title}", "", "{narrator}", "").Replace(name)
	switch {
	case strings.ContainsAny(rest, `/\`):
		return []strict.Fault{{Path: "name", Text: "name holds a slash; files of a title lie in one folder, remove it"}}
	case strings.ContainsAny(rest, "{}"):
		return []strict.Fault{{Path: "name", Text: "name holds braces that nothing fills; use {number}, {chapter}, {title} and {narrator}"}}
	case !strings.Contains(name, "{number}"):
		return []strict.Fault{{Path: "name", Text: "name is without {number}, so two chapters could get one file; put {number} in it"}}
	}
	return nil
}

func (f file) spec() pipeline.Spec {
	s := pipeline.Spec{
		Spec: string(f.Spec), Source: string(f.Source),
		Sound: pipeline.Sound{
			Level: pipeline.Level{Measure: pipeline.Measure(f.Sound.Level.Measure), CountedAs: pipeline.Counted(f.Sound.Level.CountedAs)},
			Peak:  pipeline.Peak{MaxDBTP: dsp.DBTP(f.Sound.Peak.MaxDBTP)},
			Edges: pipeline.Edges(f.Sound.Edges),
		},
		Limits: pipeline.Limits{
			NoiseFloorDBFS: dsp.DBFS(value(f.Limits.NoiseFloorDBFS)), TitleSpreadLU: value(f.Limits.TitleSpreadLU),
			NeighbourSpreadLU: value(f.Limits.NeighbourSpreadLU), MaxMinutes: value(f.Limits.MaxMinutes),
		},
		Packaging: pipeline.Packaging{Name: string(f.Packaging.Name), ASCII: f.Packaging.ASCII, Untagged: f.Packaging.Tags == "none"},
	}
	if l := f.Sound.Level; s.Sound.Level.Measure == pipeline.MeasureLoudness {
		s.Sound.Level.Window, s.Sound.Level.Aim = *l.WindowLUFS, *l.AimLUFS
	} else {
		s.Sound.Level.Window, s.Sound.Level.Aim = *l.WindowDBFS, *l.AimDBFS
	}
	for _, file := range f.Sound.Files {
		if file.Format == string(pipeline.MP3) {
			file.Mode = "cbr"
		}
		s.Sound.Files = append(s.Sound.Files, pipeline.FileFormat{Format: pipeline.Format(file.Format), RateHz: file.RateHz,
			Channels: file.Channels, Bits: file.Bits, Mode: file.Mode, Kbps: file.Kbps})
	}
	return s
}

// fromSpec is the file that spec would read s from.
func fromSpec(s pipeline.Spec) file {
	f := file{
		Spec: strict.Slug(s.Spec), Source: strict.Prose(s.Source),
		Sound: sound{
			Level: level{Measure: string(s.Sound.Level.Measure), CountedAs: string(s.Sound.Level.CountedAs)},
			Peak:  peak{MaxDBTP: float64(s.Sound.Peak.MaxDBTP)},
			Edges: edges(s.Sound.Edges),
		},
		Limits: limits{
			NoiseFloorDBFS: pointer(float64(s.Limits.NoiseFloorDBFS)), TitleSpreadLU: pointer(s.Limits.TitleSpreadLU),
			NeighbourSpreadLU: pointer(s.Limits.NeighbourSpreadLU), MaxMinutes: pointer(s.Limits.MaxMinutes),
		},
		Packaging: packaging{Name: strict.Name(s.Packaging.Name), ASCII: s.Packaging.ASCII},
	}
	if s.Packaging.Untagged {
		f.Packaging.Tags = "none"
	}
	if l := s.Sound.Level; l.Measure == pipeline.MeasureLoudness {
		f.Sound.Level.WindowLUFS, f.Sound.Level.AimLUFS = &l.Window, &l.Aim
	} else {
		f.Sound.Level.WindowDBFS, f.Sound.Level.AimDBFS = &l.Window, &l.Aim
	}
	for _, file := range s.Sound.Files {
		f.Sound.Files = append(f.Sound.Files, fileFormat{Format: string(file.Format), RateHz: file.RateHz,
			Channels: file.Channels, Bits: file.Bits, Mode: file.Mode, Kbps: file.Kbps})
	}
	return f
}

// value is what p points to, 0 (no limit) where it is nil.
func value(p *float64) float64 {
	if p == nil {
		return 0
	}
	return *p
}

// pointer is nil for 0, no limit.
func pointer(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}
