package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// module is the module's path, and what its own import paths start with.
const module = "chapterhouse"

// layers are the folders of the module from the top down: a package may import
// what stands below its own layer. coordinator and worker are one layer and
// don't know each other.
var layers = [][]string{
	{"deploy/prove"},
	{"cmd", "deploy", ".ci"},
	{"coordinator", "worker"},
	{"pipeline/*"},
	{"pipeline"},
	{"dsp"},
}

// siblings are the imports within pipeline/*, each with a reason. Whoever adds
// one writes the reason down; whoever takes the last import away strikes it out.
var siblings = map[string]map[string]string{
	"pipeline/chain": {
		"pipeline/house/strict": "chain files are strict YAML, as all of a house is",
	},
	"pipeline/spec": {
		"pipeline/house/strict": "spec files are strict YAML too",
	},
	"pipeline/house": {
		"pipeline/chain":        "a narrator's chains are read with the house",
		"pipeline/manuscript":   "a chapter's text is counted where it is read",
		"pipeline/house/strict": "how every file of a house is read",
		"pipeline/spec":         "a house's own specs",
		"pipeline/split":        "a folder without title.yaml is split by file names",
	},
	"pipeline/house/stored": {
		"pipeline/house":        "a house is checked before it is sent, and opened as it was pushed",
		"pipeline/house/strict": "faults and the rule for names",
		"pipeline/store":        "where it stands",
	},
	"pipeline/render": {
		"pipeline/chain":  "resolved stages become processors",
		"pipeline/check":  "checks that listen are a step",
		"pipeline/codec":  "files are decoded and encoded",
		"pipeline/series": "what pictures are drawn from is gathered on the way",
	},
	"pipeline/intake": {
		"pipeline/check": "a sample is heard for clipping as the whole is",
		"pipeline/codec": "headers and samples of files",
		"pipeline/split": "what is audio by its name, and the order of people",
	},
	"pipeline/clinic": {
		"pipeline/chain":        "drafts are chains",
		"pipeline/check":        "a test read is heard by the same checks",
		"pipeline/codec":        "a test read is a file",
		"pipeline/house/strict": "the form is strict YAML",
		"pipeline/render":       "its profile is what a night's would be",
	},
	"pipeline/compare": {
		"pipeline/chain":  "what changed in a chain, in words",
		"pipeline/series": "spectra and bodies of both files",
	},
	"pipeline/reel": {
		"pipeline/check": "which joins step most",
		"pipeline/codec": "finished files are decoded, the reel is encoded",
	},
	"pipeline/attention": {
		"pipeline/codec": "clips are cut from finished files, and review copies written",
	},
	"pipeline/report": {
		"pipeline/chain":     "stages of a draft in words",
		"pipeline/clinic":    "a test read and its trial are written too",
		"pipeline/attention": "where to listen stands first",
		"pipeline/compare":   "a comparison is written too",
		"pipeline/series":    "what the page's pictures are drawn from",
		"pipeline/intake":    "what was said at the start stands in the JSON",
		"pipeline/check":     "which measure a spec's level is in",
		"pipeline/reel":      "what is heard when in the listening reel",
	},
	"pipeline/delivery": {
		"pipeline/store": "files leave out of the store",
	},
	"pipeline/queue/jetstream": {"pipeline/queue": "implements it"},
	"pipeline/queue/memory":    {"pipeline/queue": "implements it"},
	"pipeline/queue/queuetest": {"pipeline/queue": "tests it"},
	"pipeline/store/folder":    {"pipeline/store": "implements it"},
	"pipeline/store/memory":    {"pipeline/store": "implements it"},
	"pipeline/store/s3":        {"pipeline/store": "implements it"},
	"pipeline/store/storetest": {"pipeline/store": "tests it"},
}

// only are modules that parts of the tree keep to themselves; several parts
// have spaces between.
var only = map[string]string{
	"github.com/spf13/viper":         "cmd",
	"github.com/spf13/cobra":         "cmd",
	"github.com/vbauerster/mpb/v8":   "cmd",
	"github.com/prometheus":          "cmd",
	"github.com/nats-io/nats.go":     "pipeline/queue/jetstream",
	"github.com/nats-io/nats-server": "pipeline/queue/jetstream deploy/faults/natsd",
	"github.com/goccy/go-yaml":       "pipeline/house/strict",
	"github.com/minio/minio-go":      "pipeline/store/s3 deploy/faults",
}

// TestArrows: imports go one way, cmd → coordinator, worker → pipeline/… →
// pipeline → dsp, so that every package can be read, tested and replaced by
// itself.
func TestArrows(t *testing.T) {
	taken := map[string]map[string]bool{}
	for _, f := range sources(t) {
		if strings.HasSuffix(f.path, "_test.go") {
			continue
		}
		for _, spec := range f.syntax.Imports {
			to, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				t.Fatal(err)
			}
			if why := forbidden(f.pkg, to); why != "" {
				t.Errorf("%s imports %s: %s", f.path, to, why)
			}
			if taken[f.pkg] == nil {
				taken[f.pkg] = map[string]bool{}
			}
			taken[f.pkg][strings.TrimPrefix(to, module+"/")] = true
		}
	}
	for from, arrows := range siblings {
		for to := range arrows {
			if !taken[from][to] {
				t.Errorf("the list lets %s import %s, which nobody does any more: strike it out", from, to)
			}
		}
	}
}

// forbidden says why from, a folder of the module, may not import to, an
// import path; "" where it may.
func forbidden(from, to string) string {
	for mod, home := range only {
		uses := func(part string) bool { return within(from, part) }
		if strings.HasPrefix(to, mod) && !slices.ContainsFunc(strings.Fields(home), uses) {
			return "only " + home + " uses it"
		}
	}
	own, ours := strings.CutPrefix(to, module+"/")
	first, _, _ := strings.Cut(to, "/")
	outside := !ours && strings.Contains(first, ".")
	switch {
	case within(from, "testdata"):
		if outside || ours && !within(own, "testdata") {
			return "what makes test recordings must share nothing with what hears them"
		}
		return ""
	case outside:
		if within(from, "dsp") {
			return "dsp imports the standard library and dsp alone"
		}
		return ""
	case !ours:
		return ""
	case within(own, "testdata"):
		if from == "deploy/prove" {
			return "" // a proof needs what is known of a recording: its parts by themselves, and what lies where
		}
		return "the program needs no test recordings"
	case within(from, "dsp") && within(own, "dsp"):
		return ""
	}
	a, b := layer(from), layer(own)
	switch {
	case a < 0 || b < 0:
		return "it stands in no layer: give it a place in the list of layers"
	case a < b:
		return ""
	case a == b && layers[a][0] == "pipeline/*":
		if siblings[from][own] == "" {
			return "siblings under pipeline import each other only as listed: move what both need into pipeline, or list it with its reason"
		}
		return ""
	case a == b && (within(from, own) || within(own, from)):
		return ""
	case a == b:
		return "they are one layer and don't know each other"
	}
	return "arrows go cmd → coordinator, worker → pipeline/… → pipeline → dsp"
}

// layer is the layer of a folder, -1 where it has none.
func layer(dir string) int {
	for i, folders := range layers {
		for _, f := range folders {
			if parent, below := strings.CutSuffix(f, "/*"); below && strings.HasPrefix(dir, parent+"/") || !below && dir == f || f != "pipeline" && within(dir, f) {
				return i
			}
		}
	}
	return -1
}

// within tells whether dir is folder or lies below it.
func within(dir, folder string) bool { return dir == folder || strings.HasPrefix(dir, folder+"/") }

// TestForbidden holds the judge of arrows against arrows known to be right and wrong.
func TestForbidden(t *testing.T) {
	for _, c := range []struct {
		from, to string
		may      bool
	}{
		{"deploy/prove", "chapterhouse/deploy/faults", true},
		{"deploy/faults", "chapterhouse/deploy/prove", false},
		{"deploy/prove", "chapterhouse/testdata/voices/narration", true},
		{"deploy/faults", "chapterhouse/testdata/voices/narration", false},
		{"cmd/chapterhouse", "chapterhouse/worker", true},
		{"cmd/chapterhouse", "github.com/spf13/viper", true},
		{"coordinator", "chapterhouse/pipeline/store", true},
		{"coordinator", "chapterhouse/worker", false},
		{"worker", "chapterhouse/coordinator", false},
		{"worker", "chapterhouse/cmd/chapterhouse", false},
		{"pipeline/render", "chapterhouse/pipeline/codec", true},
		{"pipeline/codec", "chapterhouse/pipeline/render", false},
		{"pipeline/render", "chapterhouse/worker", false},
		{"pipeline/render", "github.com/spf13/cobra", false},
		{"pipeline", "chapterhouse/pipeline/store", false},
		{"pipeline", "chapterhouse/dsp/meter", true},
		{"pipeline/house", "chapterhouse/pipeline/house/strict", true},
		{"pipeline/house/strict", "chapterhouse/pipeline/house", false},
		{"dsp/meter", "chapterhouse/dsp/kernel", true},
		{"dsp", "chapterhouse/dsp/kernel", true},
		{"dsp/meter", "chapterhouse/pipeline", false},
		{"dsp/meter", "go.uber.org/zap", false},
		{"dsp/meter", "math", true},
		{"testdata/voices", "chapterhouse/dsp/meter", false},
		{"testdata/voices", "chapterhouse/testdata/voices/booth", true},
		{"pipeline", "chapterhouse/other", false},
	} {
		if why := forbidden(c.from, c.to); (why == "") != c.may {
			t.Errorf("%s → %s: %q", c.from, c.to, why)
		}
	}
}

// A source is one Go file of the module.
type source struct {
	path   string // from the module's root
	pkg    string // its folder
	lines  int
	syntax *ast.File
}

// sources parses every Go file of the module.
func sources(t *testing.T) []source {
	t.Helper()
	root := filepath.Join("..", "..")
	files := token.NewFileSet()
	var all []source
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && slices.Contains([]string{".git", ".chapterhouse", "out"}, d.Name()) {
			return filepath.SkipDir
		}
		if d.IsDir() || filepath.Ext(path) != ".go" {
			return nil
		}
		syntax, err := parser.ParseFile(files, path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		rel = filepath.ToSlash(rel)
		all = append(all, source{
			path: rel, pkg: filepath.ToSlash(filepath.Dir(rel)), lines: files.File(syntax.FileStart).LineCount(), syntax: syntax,
		})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 100 {
		t.Fatalf("%d Go files: this is not the whole module", len(all))
	}
	return all
}
