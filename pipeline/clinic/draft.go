package clinic

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/house/strict"
)

// A Draft is a chain that is proposed, as it stands in a chain file.
type Draft struct {
	Name  string         `json:"name"` // spare, round, or like
	Does  string         `json:"does"` // what it is after, one sentence
	YAML  string         `json:"yaml"`
	Chain pipeline.Chain `json:"chain"`
	// Corrective tells of each stage whether it corrects what booth, microphone or
	// noise did; the others shape a voice that needs no mending.
	Corrective []bool `json:"corrective"`
	// Notes say how wishes that pull against each other were settled, and what is
	// left undone and why, one sentence each.
	Notes []string `json:"notes,omitempty"`
}

// A step is a stage of a draft before it is written.
type step struct {
	stage      string
	params     fields
	items      []fields // of an eq: its bands; each may have a why of its own
	why        string
	corrective bool
}

// fields are keys and values in the order that a person wants to read: numbers,
// words, true and false, lists of numbers, and []fields.
type fields []field

type field struct {
	key   string
	value any
}

// draft writes steps as a chain file and reads it back as a house would. An error
// is of kind Bug: a draft is always a chain.
func draft(name, does string, f Form, reference dsp.DBFS, steps []step) (Draft, error) {
	d := Draft{Name: name, Does: does, YAML: chainFile(name, f, reference, steps)}
	c, faults := chain.Parse([]byte(d.YAML), name+".yaml")
	if err := strict.AsError(faults); err != nil {
		return d, pipeline.Errorf(pipeline.Bug, "draft "+name, "%w", err)
	}
	d.Chain = c
	for _, s := range steps {
		d.Corrective = append(d.Corrective, s.corrective)
	}
	return d, nil
}

// chainFile is the text of a chain file.
func chainFile(name string, f Form, reference dsp.DBFS, steps []step) string {
	var b strings.Builder
	fmt.Fprintf(&b, "chain: %s\nnarrator: %s\nsetup: %s\nreference: {speech_dbfs: %s}\nstages:\n", name, f.Narrator, f.Setup, number(float64(reference)))
	for _, s := range steps {
		if s.items == nil {
			fmt.Fprintf(&b, "  - %s: %s\n", s.stage, append(s.params, because(s.why)...))
			continue
		}
		fmt.Fprintf(&b, "  - %s:\n", s.stage)
		for _, item := range s.items {
			fmt.Fprintf(&b, "      - %s\n", item)
		}
	}
	return b.String()
}

// because is the reason of a stage as a field; none where there is none.
func because(why string) fields {
	if why == "" {
		return nil
	}
	return fields{{"why", why}}
}

// String is the fields as a mapping on one line.
func (fs fields) String() string {
	parts := make([]string, len(fs))
	for i, f := range fs {
		parts[i] = f.key + ": " + written(f.key, f.value)
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

// written is a value in YAML's flow style.
func written(key string, v any) string {
	switch v := v.(type) {
	case float64:
		return number(v)
	case int:
		return strconv.Itoa(v)
	case bool:
		return strconv.FormatBool(v)
	case string:
		if key != "why" {
			return v // a word of a chain file
		}
		text, _ := json.Marshal(v)
		return string(text)
	case []float64:
		parts := make([]string, len(v))
		for i, x := range v {
			parts[i] = number(x)
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case fields:
		return v.String()
	case []fields:
		parts := make([]string, len(v))
		for i, x := range v {
			parts[i] = x.String()
		}
		return "[" + strings.Join(parts, ", ") + "]"
	}
	panic(fmt.Sprintf("%s: a draft can't write %T", key, v))
}

// number is a figure as a person types it: a hundredth at most.
func number(v float64) string { return strconv.FormatFloat(dsp.Round2(v), 'f', -1, 64) }
