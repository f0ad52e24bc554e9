// Package spec reads what receivers ask: spec files of the house, and the
// built-in ones. It judges no audio.
package spec

import (
	"embed"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

//go:embed broadcast.yaml lossless.yaml retail.yaml streaming-speech.yaml
var files embed.FS

// Names are the built-in specs.
func Names() []string { return []string{"broadcast", "lossless", "retail", "streaming-speech"} }

// Builtin is a built-in spec; ok is false where there is none of that name.
func Builtin(name string) (s pipeline.Spec, ok bool) {
	text, err := files.ReadFile(name + ".yaml")
	if err != nil {
		return pipeline.Spec{}, false
	}
	s, faults := Parse(text, name+".yaml")
	if err := strict.AsError(faults); err != nil {
		panic(err) // the project's own file
	}
	return s, true
}

// Parse reads a spec file; path is its name in faults.
func Parse(yaml []byte, path string) (pipeline.Spec, []strict.Fault) {
	var f file
	n, faults := strict.Parse(yaml, path)
	if n == nil {
		return pipeline.Spec{}, faults
	}
	if faults = append(faults, strict.Decode(n, "the spec", &f)...); len(faults) > 0 {
		return pipeline.Spec{}, faults
	}
	return f.spec(), nil
}

// Validate holds a spec that came from elsewhere (a plan, a test) to the
// rules of spec files. All faults at once, as strict.Faults.
func Validate(s pipeline.Spec) error {
	text, err := pipeline.Canonical(fromSpec(s))
	if err != nil {
		return err
	}
	n, err := strict.FromJSON(text)
	if err != nil {
		return err
	}
	var f file
	return strict.AsError(strict.Decode(n, "the spec", &f))
}
