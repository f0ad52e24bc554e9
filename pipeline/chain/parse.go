package chain

import (
	"fmt"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

// file is the shape of a chain file.
type file struct {
	Chain     strict.Slug    `json:"chain" doc:"its name in the house"`
	Narrator  strict.Slug    `json:"narrator"`
	Setup     strict.Slug    `json:"setup"`
	Reference reference      `json:"reference" default:""`
	Stages    []*strict.Node `json:"stages" len:"1..32" doc:"in order; each a dash, a name and its parameters"`
}

type reference struct {
	SpeechDBFS float64 `json:"speech_dbfs" default:"-23" range:"-40..-10" doc:"plain RMS while speaking, that sessions are brought to and thresholds count on"`
}

// longestSettleS bounds what a stage may remember: anything slower is to be a
// number from the profile, and previews must not wait for it.
const longestSettleS = 8

// lowestRateHz is the lowest rate a title is worked at: what can be made at it
// can be made at all.
const lowestRateHz = 44100

// Parse reads a chain file; path is its name in faults. Stages are resolved and
// tried: what New would refuse is a fault of the file.
func Parse(yaml []byte, path string) (pipeline.Chain, []Fault) {
	n, faults := strict.Parse(yaml, path)
	if n == nil {
		return pipeline.Chain{}, faults
	}
	var f file
	faults = append(faults, strict.Decode(n, "the chain", &f)...)
	c := pipeline.Chain{Chain: string(f.Chain), Narrator: string(f.Narrator), Setup: string(f.Setup), SpeechDBFS: dsp.DBFS(f.Reference.SpeechDBFS)}
	for i, item := range f.Stages {
		r, reasons, wrong := parseStage(item, c.SpeechDBFS)
		faults = append(faults, wrong...)
		c.Stages = append(c.Stages, r)
		for _, why := range reasons {
			c.Reasons = append(c.Reasons, fmt.Sprintf("stage %d (%s%s", i+1, r.Stage, why))
		}
	}
	if len(faults) > 0 {
		return pipeline.Chain{}, faults
	}
	return c, nil
}

// parseStage reads an item of stages: a mapping of one name to parameters.
func parseStage(n *strict.Node, speech dsp.DBFS) (r pipeline.Resolved, reasons []string, faults []Fault) {
	names := StageNames(Builtin())
	switch {
	case n.Kind == strict.Text && n.Value != "":
		return r, nil, []Fault{n.Fault("", "%s has no parameters; write %s: and its parameters in braces", n.Value, n.Value)}
	case n.Kind != strict.Map || len(n.Keys) == 0:
		return r, nil, []Fault{n.Fault("", "a stage is a name and its parameters; write one of %s, a colon, and its parameters", strings.Join(names, ", "))}
	case len(n.Keys) > 1:
		return r, nil, []Fault{n.Fault("", "two stages stand under one dash (%s); give each its own dash", strings.Join(n.Keys, ", "))}
	}
	name, params := n.Keys[0], n.Values[0]
	for _, s := range Builtin() {
		if s.Name != name {
			continue
		}
		params, reasons, faults = takeReasons(params)
		resolved, wrong := s.Resolve(params.JSON())
		for _, f := range wrong {
			at := params.At(f.Path)
			faults = append(faults, at.Fault(f.Path, "%s", f.Text))
		}
		if len(faults) > 0 {
			return r, nil, faults
		}
		if text := try(s, resolved, speech); text != "" {
			return r, nil, []Fault{params.Fault("", "%s can't be made: %s", name, text)}
		}
		return pipeline.Resolved{Stage: name, Rev: s.Rev, Params: resolved}, reasons, nil
	}
	return r, nil, []Fault{params.Fault(name, "%s", strict.Unknown(name, "stage", names))}
}

// try makes a stage at the lowest work rate for a session of plain facts, and
// says what is wrong with it, "" if nothing is.
func try(s Stage, p Params, speech dsp.DBFS) string {
	if _, err := s.New(p, lowestRateHz, PlainFacts(speech)); err != nil {
		return fmt.Sprintf("at %d Hz, %v", lowestRateHz, err)
	}
	if settleS := float64(s.Settle(p, lowestRateHz)) / lowestRateHz; settleS > longestSettleS {
		return fmt.Sprintf("it would remember %.0f s; lower its q, widen it or move it up, until it is %d s", settleS, longestSettleS)
	}
	return ""
}

// takeReasons takes why: off a stage and off the items of its list, for people
// and outside the digest. Each says where it stood: "): because",
// ", band 2): because".
func takeReasons(n *strict.Node) (rest *strict.Node, reasons []string, faults []Fault) {
	take := func(n *strict.Node, place string) *strict.Node {
		why := n.Key("why")
		if why == nil {
			return n
		}
		var text strict.Prose
		faults = append(faults, strict.Decode(why, "why", &text)...)
		if text != "" {
			reasons = append(reasons, place+"): "+string(text))
		}
		return n.Without("why")
	}
	list := n
	if n.Kind == strict.Map {
		n = take(n, "")
		list = n.Key("bands")
	}
	if list == nil || list.Kind != strict.List {
		return n, reasons, faults
	}
	items := *list
	items.Items = nil
	for i, item := range list.Items {
		items.Items = append(items.Items, take(item, fmt.Sprintf(", band %d", i+1)))
	}
	if n.Kind == strict.List {
		return &items, reasons, faults
	}
	return n.With("bands", &items), reasons, faults
}

// ReasonsOf are why the i-th stage of a chain is as it is, and its bands.
func ReasonsOf(c pipeline.Chain, i int) (out []string) {
	if i >= len(c.Stages) {
		return nil
	}
	for _, reason := range c.Reasons {
		rest, ok := strings.CutPrefix(reason, fmt.Sprintf("stage %d (%s", i+1, c.Stages[i].Stage))
		if !ok {
			continue
		}
		place, why, _ := strings.Cut(rest, "): ")
		if place = strings.TrimPrefix(place, ", "); place != "" {
			why = place + ": " + why
		}
		out = append(out, why)
	}
	return out
}
