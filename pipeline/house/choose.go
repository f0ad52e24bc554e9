package house

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/house/strict"
)

// A Choice is a chain that is to be in force for its narrator and setup.
type Choice struct {
	YAML    []byte // the chain file
	Name    string // of the narrator, as people write it, where the house has none of that slug yet
	Setup   pipeline.Setup
	Replace bool // a chain of that name with other contents
}

// Choose writes a chain into the house at root and names it in its narrator's
// file, which keeps everything else; narrator and setup are added where they are
// new. It gives the files that it wrote, from the root. Where the house would not
// read afterwards nothing is changed; errors are of kind House.
func Choose(root string, c Choice) (wrote []string, err error) {
	if _, err := Load(root); err != nil {
		return nil, err
	}
	ch, faults := chain.Parse(c.YAML, "the chain")
	if err := strict.AsError(faults); err != nil {
		return nil, err
	}
	folder := filepath.Join("narrators", ch.Narrator)
	chainFile, file := filepath.Join(folder, "chains", ch.Chain+".yaml"), filepath.Join(folder, "narrator.yaml")
	before := map[string][]byte{}
	for _, name := range []string{chainFile, file} {
		text, err := os.ReadFile(filepath.Join(root, name))
		switch {
		case err == nil:
			before[name] = text
		case !errors.Is(err, fs.ErrNotExist):
			return nil, pipeline.Errorf(pipeline.House, name, "%w", err)
		}
	}
	if old := before[chainFile]; old != nil && !bytes.Equal(old, c.YAML) && !c.Replace {
		return nil, pipeline.Errorf(pipeline.House, chainFile, "the house has another chain of that name; choose another name with --as, or --replace it")
	}
	text, err := inForce(before[file], filepath.ToSlash(file), ch, c)
	if err != nil {
		return nil, err
	}
	put := func(name string, text []byte) error {
		path := filepath.Join(root, name)
		if text == nil {
			return os.Remove(path)
		}
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return err
		}
		return os.WriteFile(path, text, 0o644)
	}
	for _, one := range []struct {
		name string
		text []byte
	}{{chainFile, c.YAML}, {file, text}} {
		if bytes.Equal(before[one.name], one.text) {
			continue
		}
		if err := put(one.name, one.text); err != nil {
			return wrote, pipeline.Errorf(pipeline.House, one.name, "%w", err)
		}
		wrote = append(wrote, filepath.ToSlash(one.name))
	}
	if _, err := Load(root); err != nil {
		for _, name := range wrote {
			err = errors.Join(err, put(filepath.FromSlash(name), before[filepath.FromSlash(name)]))
		}
		return nil, err
	}
	return wrote, nil
}

// inForce is a narrator's file with the chain named in its setup; nil is none yet.
func inForce(text []byte, file string, ch pipeline.Chain, c Choice) ([]byte, error) {
	if text == nil {
		return []byte(fmt.Sprintf("narrator: %s\nname: %s\nsetups:\n%s", ch.Narrator, quoted(c.Name), setupLines("  ", "  ", ch, c.Setup))), nil
	}
	n, faults := strict.Parse(text, file)
	if err := strict.AsError(faults); err != nil {
		return nil, err
	}
	lines := strings.SplitAfter(string(text), "\n")
	byHand := func(at *strict.Node) error {
		return strict.AsError([]strict.Fault{at.Fault("", "this is written on one line; write chain: %s into setup %s by hand", ch.Chain, ch.Setup)})
	}
	setups := n.Key("setups")
	if setups == nil || setups.Kind != strict.Map || len(setups.Keys) == 0 || setups.Values[0].Line == setups.Line {
		return nil, byHand(n)
	}
	indent := func(at *strict.Node) string { return strings.Repeat(" ", at.Column-1) }
	setup := setups.Key(ch.Setup)
	insert := func(after int, added string) []byte {
		if !strings.HasSuffix(lines[after-1], "\n") {
			lines[after-1] += "\n"
		}
		lines[after-1] += added
		return []byte(strings.Join(lines, ""))
	}
	switch {
	case setup == nil:
		outer := indent(setups.Values[0])
		return insert(setups.Line, setupLines(outer, "  ", ch, c.Setup)), nil
	case setup.Kind != strict.Map || len(setup.Keys) == 0 || setup.Values[0].Line == setup.Line:
		return nil, byHand(setup)
	}
	at := setup.Key("chain")
	if at == nil {
		return insert(setup.Line, indent(setup.Values[0])+"chain: "+ch.Chain+"\n"), nil
	}
	line := lines[at.Line-1]
	if !strings.HasPrefix(strings.TrimSpace(line), "chain:") {
		return nil, byHand(at)
	}
	note := ""
	if i := strings.Index(line, " #"); i >= 0 {
		note = strings.TrimRight(line[i:], "\r\n")
	}
	lines[at.Line-1] = indent(at) + "chain: " + ch.Chain + note + "\n"
	return []byte(strings.Join(lines, "")), nil
}

// setupLines are a new setup, its key indented by outer.
func setupLines(outer, step string, ch pipeline.Chain, s pipeline.Setup) string {
	var b strings.Builder
	b.WriteString(outer + ch.Setup + ":\n")
	for _, one := range []struct{ key, value string }{{"microphone", s.Microphone}, {"preamp", s.Preamp}, {"interface", s.Interface}, {"printed", s.Printed}} {
		if one.value != "" {
			b.WriteString(outer + step + one.key + ": " + quoted(one.value) + "\n")
		}
	}
	var sides []string
	for _, one := range []struct {
		key   string
		value float64
	}{{"width_m", s.Booth.WidthM}, {"depth_m", s.Booth.DepthM}, {"height_m", s.Booth.HeightM}, {"panel_mm", s.Booth.PanelMM}, {"gap_mm", s.Booth.GapMM}} {
		if one.value != 0 {
			sides = append(sides, one.key+": "+strconv.FormatFloat(one.value, 'f', -1, 64))
		}
	}
	if sides != nil {
		b.WriteString(outer + step + "booth: {" + strings.Join(sides, ", ") + "}\n")
	}
	b.WriteString(outer + step + "chain: " + ch.Chain + "\n")
	return b.String()
}

// quoted is a text in double quotes.
func quoted(s string) string {
	text, _ := json.Marshal(s)
	return string(text)
}
