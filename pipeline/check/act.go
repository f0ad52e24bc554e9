package check

import (
	"slices"
	"strings"

	"chapterhouse/pipeline"
)

// A deed is what a check's findings ask for, and the stage that is meant where
// one is to be changed.
type deed struct {
	act   pipeline.Act
	stage string
}

// deeds are those of checks, and of what else finds something, by name. What is
// not here asks for nothing: it tells how a result came about.
func deeds() map[string]deed {
	return map[string]deed{
		"clipped":         {act: pipeline.Pickup},
		"digital-silence": {act: pipeline.Recut},
		"dropout":         {act: pipeline.Pickup},
		"clicks":          {pipeline.Change, "clicks"},
		"mouth-noise":     {pipeline.Change, "clicks"},
		"plosives":        {pipeline.Change, "plosives"},
		"esses":           {pipeline.Change, "de-esser"},
		"hum":             {pipeline.Change, "hum"},
		"floor-change":    {act: pipeline.Treat},
		"room-tone-jump":  {act: pipeline.Recut},
		"drift":           {pipeline.Change, "ride"},
		"pauses":          {act: pipeline.Recut},
		"repeated-take":   {act: pipeline.Recut},
		"false-start":     {act: pipeline.Recut},
		"sides":           {act: pipeline.Recut},
		"channels":        {act: pipeline.Recut},
		"stage-use":       {act: pipeline.Change},
		"limiter":         {pipeline.Change, "ride or compressor"},
		"family":          {act: pipeline.Treat},
		"history":         {act: pipeline.Treat},
		"manuscript":      {act: pipeline.Pickup},
		"note":            {act: pipeline.Pickup},

		"too-short":   {act: pipeline.Recut},
		"low-rate":    {act: pipeline.Recut},
		"once-lossy":  {act: pipeline.Recut},
		"gated":       {act: pipeline.Recut},
		"limited":     {act: pipeline.Recut},
		"level":       {pipeline.Change, "compressor"},
		"peak":        {pipeline.Change, "compressor"},
		"trim":        {pipeline.Change, "compressor"},
		"spread":      {pipeline.Change, "ride"},
		"join":        {act: pipeline.Change},
		"noise-floor": {act: pipeline.Treat},
		"floor-taken": {pipeline.Change, "expander"},
		"fit-gain":    {act: pipeline.Treat},
		"head":        {act: pipeline.Recut},
		"tail":        {act: pipeline.Recut},
		"length":      {act: pipeline.Recut},
		"excerpt":     {act: pipeline.Recut},
		"hole":        {act: pipeline.Recut},
		"source":      {act: pipeline.Recut},
		"span":        {act: pipeline.Recut},
		"split":       {act: pipeline.Recut},
		"numbering":   {act: pipeline.Recut},
		"session":     {},
		"stray-note":  {},
		"text":        {},
	}
}

// Deed fills in the kind of what a finding asks for, where it does not say so itself.
func Deed(f pipeline.Finding) pipeline.Finding {
	if f.Act == "" && !strings.HasPrefix(f.Do, "nothing") {
		does := deeds()[f.Check]
		f.Act = does.act
		if f.Stage == "" {
			f.Stage = does.stage
		}
	}
	return f
}

// Deed fills in the kind of what a finding of a chapter asks for, and whether the
// stage that is meant is to be added: where no chain that it went through has it.
func (t Title) Deed(f pipeline.Finding, chapter int) pipeline.Finding {
	if f = Deed(f); f.Act != pipeline.Change || f.Stage == "" {
		return f
	}
	f.Add = true
	for _, p := range t.Chapters[chapter].Parts {
		c := t.Narrators[p.Voice.Narrator].Setups[p.Voice.Setup].Chain
		if c == nil || f.Source != "" && p.Source != f.Source {
			continue
		}
		for _, s := range c.Stages {
			if slices.Contains(strings.Split(f.Stage, " or "), s.Stage) {
				f.Add = false
			}
		}
	}
	return f
}
