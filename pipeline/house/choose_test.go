package house

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

const chosenChain = "chain: round\nnarrator: ada-reed\nsetup: cellar\nreference: {speech_dbfs: -23}\nstages:\n  - highpass: {cutoff_hz: 70, why: rumble}\n"

// TestChoose: what a narrator's file becomes when a chain is chosen, and that
// what can't be done leaves the house as it was.
func TestChoose(t *testing.T) {
	setup := pipeline.Setup{Microphone: "ribbon, 15 cm", Booth: pipeline.Booth{WidthM: 1.2, DepthM: 1.5, HeightM: 2.1, PanelMM: 50}}
	for _, c := range []struct {
		name, before, after, fault string
		replace                    bool
		there                      string // a chain of that name
	}{
		{"a new narrator", "", "narrator: ada-reed\nname: \"Ada Reed\"\nsetups:\n  cellar:\n    microphone: \"ribbon, 15 cm\"\n    booth: {width_m: 1.2, depth_m: 1.5, height_m: 2.1, panel_mm: 50}\n    chain: round\n", "", false, ""},
		{"a new setup", "narrator: ada-reed\nname: Ada\nsetups:\n    attic:\n        microphone: dynamic # old\n", "narrator: ada-reed\nname: Ada\nsetups:\n    cellar:\n      microphone: \"ribbon, 15 cm\"\n      booth: {width_m: 1.2, depth_m: 1.5, height_m: 2.1, panel_mm: 50}\n      chain: round\n    attic:\n        microphone: dynamic # old\n", "", false, ""},
		{"a setup without chain", "narrator: ada-reed\nname: Ada\nsetups:\n  cellar:\n    microphone: ribbon\n", "narrator: ada-reed\nname: Ada\nsetups:\n  cellar:\n    chain: round\n    microphone: ribbon\n", "", false, ""},
		{"another chain before", "narrator: ada-reed\nname: Ada\nsetups:\n  cellar:\n    chain: round # hers\n    microphone: ribbon", "narrator: ada-reed\nname: Ada\nsetups:\n  cellar:\n    chain: round # hers\n    microphone: ribbon", "", true, strings.Replace(chosenChain, "70", "60", 1)},
		{"one of that name", "narrator: ada-reed\nname: Ada\nsetups:\n  cellar:\n    chain: round\n", "", "the house has another chain of that name; choose another name with --as, or --replace it", false, strings.Replace(chosenChain, "70", "60", 1)},
		{"on one line", "narrator: ada-reed\nname: Ada\nsetups:\n  cellar: {microphone: ribbon}\n", "", "write chain: round into setup cellar by hand", false, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			root := t.TempDir()
			write := func(name, text string) {
				path := filepath.Join(root, name)
				if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			write("house.yaml", "house: test\n")
			if c.before != "" {
				write("narrators/ada-reed/narrator.yaml", c.before)
			}
			if c.there != "" {
				write("narrators/ada-reed/chains/round.yaml", c.there)
			}
			_, err := Choose(root, Choice{YAML: []byte(chosenChain), Name: "Ada Reed", Setup: setup, Replace: c.replace})
			got, _ := os.ReadFile(filepath.Join(root, "narrators/ada-reed/narrator.yaml"))
			if c.fault != "" {
				if err == nil || !strings.Contains(err.Error(), c.fault) || string(got) != c.before {
					t.Fatalf("error %v, file %q", err, got)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if string(got) != c.after {
				t.Errorf("the file is\n%s\nwant\n%s", got, c.after)
			}
			h, err := Load(root)
			if err != nil {
				t.Fatal(err)
			}
			if s, ok := h.Voice("ada-reed", "cellar"); !ok || s.Chain == nil || s.Chain.Chain != "round" {
				t.Errorf("in force is %+v", s.Chain)
			}
		})
	}
}
