// Package house reads a house: a folder of YAML that says who narrates, how
// each voice is to sound, what receivers ask and what titles are made of.
//
//	house.yaml                              the house's own numbers
//	narrators/<slug>/narrator.yaml          a voice and its setups
//	narrators/<slug>/chains/<chain>.yaml    how a setup is to sound
//	specs/<spec>.yaml                       receivers of the house's own
//	<any folder>/title.yaml                 a title; its audio lies beside it
//	<any folder>/decisions.yaml             what a person decided on its findings
//
// It changes nothing, and what is wrong is said all at once. Files are read
// below the house's root only; links that leave it are refused.
package house

import (
	"errors"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
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
	f.House = strict.Name(filepath.Base(folder))
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

// A reader reads files below a folder and gathers what is wrong with them.
type reader struct {
	root   *os.Root
	prefix string // of file names in faults: from the house's root
	faults []Fault
}

// open opens a folder of the house whose root is given, both absolute.
func open(house, folder string) (*reader, error) {
	op := "open " + filepath.Base(folder)
	rel, err := filepath.Rel(house, folder)
	if err != nil || !filepath.IsLocal(rel) {
		return nil, pipeline.Errorf(pipeline.House, op, "the folder lies outside the house at %s; give one inside it", house)
	}
	root, err := os.OpenRoot(house)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.House, op, "%w", err)
	}
	if rel == "." {
		return &reader{root: root}, nil
	}
	defer root.Close()
	inner, err := root.OpenRoot(rel)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.House, op, "%w", err)
	}
	return &reader{root: inner, prefix: filepath.ToSlash(rel)}, nil
}

func (r *reader) close()               { _ = r.root.Close() }
func (r *reader) say(faults ...Fault)  { r.faults = append(r.faults, faults...) }
func (r *reader) err() error           { return strict.AsError(r.faults) }
func (r *reader) name(f string) string { return path.Join(r.prefix, f) }

// read reads a document into a struct; nil, and a fault said, where there is
// none to read.
func (r *reader) read(file string, into any) *strict.Node {
	text, ok := r.text(file)
	if !ok {
		return nil
	}
	n, faults := strict.Parse(text, r.name(file))
	r.say(faults...)
	if n == nil {
		return nil
	}
	r.say(strict.Decode(n, "the file", into)...)
	return n
}

// text is a file's content. A file that is missing, no regular file, or longer
// than a document may be is a fault.
func (r *reader) text(file string) ([]byte, bool) {
	info, err := r.root.Lstat(file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		r.say(Fault{File: r.name(file), Text: "the file is missing; write it"})
		return nil, false
	case err != nil:
		r.say(Fault{File: r.name(file), Text: "the file can't be read (" + reason(err) + "); check its folder and permissions"})
		return nil, false
	case !info.Mode().IsRegular():
		r.say(Fault{File: r.name(file), Text: "this is no regular file; put the file itself here, not a link or folder"})
		return nil, false
	case info.Size() > strict.MaxBytes:
		return make([]byte, strict.MaxBytes+1), true // refused by its length
	}
	text, err := r.root.ReadFile(file)
	if err != nil {
		r.say(Fault{File: r.name(file), Text: "the file can't be read (" + reason(err) + "); check its permissions"})
		return nil, false
	}
	return text, true
}

// reason is what lies below an error of the file system, without its path.
func reason(err error) string {
	var e *fs.PathError
	if errors.As(err, &e) {
		return e.Err.Error()
	}
	return err.Error()
}

// list is the names in a folder, sorted, hidden ones left out; none where
// there is no such folder.
func (r *reader) list(folder string) []string {
	entries, err := fs.ReadDir(r.root.FS(), folder)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		r.say(Fault{File: r.name(folder), Text: "the folder can't be read (" + reason(err) + "); check its permissions"})
	}
	var names []string
	for _, e := range entries {
		if e.Name()[0] != '.' {
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	return names
}

func (r *reader) isFolder(name string) bool {
	info, err := r.root.Lstat(name)
	return err == nil && info.IsDir()
}
