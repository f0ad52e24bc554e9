// Package house reads a house: a folder of YAML that says who narrates, how
// each voice is to sound, what receivers ask and what titles are made of.
//
//	house.yaml                              the house's own numbers
//	narrators/<slug>/narrator.yaml          a voice and its setups
//	narrators/<slug>/chains/<chain>.yaml    how a setup is to sound
//	specs/<spec>.yaml                       receivers of the house's own
//	<any folder>/title.yaml                 a title; its audio lies beside it
//	<any folder>/decisions.yaml             what a person decided on its findings
//	<any folder>/notes.csv                  what a proof-listener wrote down of it
//
// It changes nothing, and what is wrong is said all at once. Files are read
// below the house's root only; links that leave it are refused.
package house

import (
	"os"
	"path"
	"path/filepath"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/house/strict"
	"chapterhouse/pipeline/spec"
)

// Fault is one thing wrong in a file of the house; Faults is the error of all
// of them, of kind pipeline.House.
type (
	Fault  = strict.Fault
	Faults = strict.Faults
)

// A House is what its files say.
type House struct {
	Root      string // the folder, absolute
	Settings  pipeline.Settings
	Narrators map[string]pipeline.Narrator // by slug
	Specs     map[string]pipeline.Spec     // built-in ones and the house's own, by name
}

const settingsFile = "house.yaml"

// Find is the nearest folder upwards from folder, itself included, that has a
// house.yaml.
func Find(folder string) (root string, ok bool) {
	root, err := filepath.Abs(folder)
	if err != nil {
		return "", false
	}
	for {
		if info, err := os.Stat(filepath.Join(root, settingsFile)); err == nil && info.Mode().IsRegular() {
			return root, true
		}
		parent := filepath.Dir(root)
		if parent == root {
			return "", false
		}
		root = parent
	}
}

// Bare is a folder without a house: its own house, with the defaults and the
// built-in specs, and nobody in it.
func Bare(folder string) *House {
	if root, err := filepath.Abs(folder); err == nil {
		folder = root
	}
	var f settings
	n, _ := strict.FromJSON([]byte(`{"house": "named below"}`))
	strict.Decode(n, "the house", &f) // the defaults
	f.House = strict.Name(pipeline.Visible(filepath.Base(folder)))
	return &House{Root: folder, Settings: f.settings(), Narrators: map[string]pipeline.Narrator{}, Specs: builtinSpecs()}
}

func builtinSpecs() map[string]pipeline.Spec {
	specs := map[string]pipeline.Spec{}
	for _, name := range spec.Names() {
		specs[name], _ = spec.Builtin(name)
	}
	return specs
}

// Load reads the house at root: everything but its titles. The error is
// Faults where the files are at fault.
func Load(root string) (*House, error) {
	root, err := filepath.Abs(root)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.House, "open house", "%w", err)
	}
	r, err := open(root, root)
	if err != nil {
		return nil, err
	}
	defer r.close()
	h := &House{Root: root, Narrators: map[string]pipeline.Narrator{}, Specs: builtinSpecs()}
	var f settings
	n := r.read(settingsFile, &f)
	h.Settings = f.settings()
	r.specs(h)
	for i, name := range f.Specs {
		if _, ok := h.Specs[string(name)]; !ok && n != nil {
			r.say(n.At("specs").Item(i).Fault("", "%s", strict.Unknown(string(name), "spec", sorted(h.Specs))))
		}
	}
	r.narrators(h)
	return h, r.err()
}

// specs reads the house's own specs. One may bear the name of a built-in spec,
// and then stands in its place.
func (r *reader) specs(h *House) {
	for _, name := range r.list("specs") {
		if path.Ext(name) != ".yaml" {
			continue
		}
		file := path.Join("specs", name)
		text, ok := r.text(file)
		if !ok {
			continue
		}
		s, faults := spec.Parse(text, r.name(file))
		r.say(faults...)
		if len(faults) == 0 {
			if s.Spec+".yaml" != name {
				r.say(Fault{File: r.name(file), Line: 1, Column: 1, Text: "the spec is called " + s.Spec + " and its file " + name + "; give both one name"})
			}
			h.Specs[s.Spec] = s
		}
	}
}

// narrators reads everyone with a folder below narrators.
func (r *reader) narrators(h *House) {
	for _, slug := range r.list("narrators") {
		folder := path.Join("narrators", slug)
		if !r.isFolder(folder) {
			continue
		}
		chains := r.chains(folder, slug)
		var f narrator
		file := path.Join(folder, "narrator.yaml")
		n := r.read(file, &f)
		if n == nil {
			continue
		}
		if string(f.Narrator) != slug && f.Narrator != "" {
			r.say(n.At("narrator").Fault("", "narrator is %s and the folder %s; give both one name", f.Narrator, slug))
		}
		h.Narrators[slug] = f.narrator()
		for _, name := range sorted(f.Setups) {
			s := f.Setups[name]
			at := n.At("setups").At(name).At("chain")
			c, ok := chains[string(s.Chain)]
			switch {
			case s.Chain == "":
			case !ok:
				r.say(at.Fault("", "%s", strict.Unknown(string(s.Chain), "chain of "+slug, sorted(chains))))
			case c == nil: // its own faults are said
			case c.Setup != name:
				r.say(at.Fault("", "chain %s was made for setup %s, not %s; give it its own, another setup sounds different", s.Chain, c.Setup, name))
			default:
				setup := h.Narrators[slug].Setups[name]
				setup.Chain = c
				h.Narrators[slug].Setups[name] = setup
			}
		}
	}
}

// chains reads a narrator's chains, by name; nil for one with faults.
func (r *reader) chains(folder, slug string) map[string]*pipeline.Chain {
	chains := map[string]*pipeline.Chain{}
	for _, name := range r.list(path.Join(folder, "chains")) {
		base, isYAML := strings.CutSuffix(name, ".yaml")
		if !isYAML {
			continue
		}
		file := path.Join(folder, "chains", name)
		chains[base] = nil
		text, ok := r.text(file)
		if !ok {
			continue
		}
		c, faults := chain.Parse(text, r.name(file))
		r.say(faults...)
		if len(faults) > 0 {
			continue
		}
		top := Fault{File: r.name(file), Line: 1, Column: 1}
		if c.Chain != base {
			top.Text = "the chain is called " + c.Chain + " and its file " + name + "; give both one name"
			r.say(top)
			continue
		}
		if c.Narrator != slug {
			top.Text = "the chain is for " + c.Narrator + " and lies with " + slug + "; move it, or name its narrator"
			r.say(top)
			continue
		}
		chains[base] = &c
	}
	return chains
}

// Voice is the setup of a narrator, and whether the house has it.
func (h *House) Voice(narrator, setup string) (pipeline.Setup, bool) {
	s, ok := h.Narrators[narrator].Setups[setup]
	return s, ok
}
