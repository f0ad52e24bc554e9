package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestReadme: the settings that the README shows are ones that are read, it
// names every setting and no other, and every command is among its calls.
func TestReadme(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, block, _ := strings.Cut(string(text), "```yaml\nname:")
	block, _, found := strings.Cut("name:"+block, "```")
	if lines := strings.Count(block, "\n"); !found || lines != 6 {
		t.Errorf("%d lines of settings:\n%s", lines, block)
	}
	// The files are this test's own: they lie elsewhere than on a worker.
	secret := t.TempDir() + "/key"
	if err := os.WriteFile(secret, []byte("k"), 0o600); err != nil {
		t.Fatal(err)
	}
	settingsFile(t, regexp.MustCompile(`/etc/chapterhouse/\S+\.key`).ReplaceAllString(block, secret), nil)
	s, err := loadSettings(0)
	if err != nil {
		t.Fatal(err)
	}
	if s.Store != "s3://house/night" || s.S3.SecretKey != "k" || s.Broker.Password != "k" || s.Slots != 8 {
		t.Errorf("%+v", s)
	}

	_, calls, _ := strings.Cut(string(text), "\n## Calls\n")
	calls, _, _ = strings.Cut(calls, "\n## ")
	for _, c := range rootCommand().Commands() {
		if named := strings.Contains(calls, "\nchapterhouse "+c.Name()); !c.Hidden && c.Name() != "help" && !named {
			t.Errorf("the command %s is not among the README's calls", c.Name())
		}
	}
	_, listed, _ := strings.Cut(calls, "CHAPTERHOUSE_S3_SECRET_KEY`):")
	prefix, named := "", []string{}
	for _, word := range regexp.MustCompile("`([a-z0-9_]+\\.?)`").FindAllStringSubmatch(listed, -1) {
		if strings.HasSuffix(word[1], ".") {
			prefix = word[1]
			continue
		}
		named = append(named, prefix+word[1])
	}
	var all []string
	for _, one := range s.all() {
		all = append(all, one.key)
	}
	slices.Sort(all)
	slices.Sort(named)
	if !slices.Equal(all, named) {
		t.Errorf("the README names the settings\n%v\nand there are\n%v", named, all)
	}
}

// cmdReadme holds a report of the demo title against the one in the README, up
// to what it cost: that tells of the machine, and of what was there before.
//
//	readme REPORT
func cmdReadme(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: readme REPORT")
	}
	text, err := os.ReadFile(filepath.Join(demo, "..", "..", "README.md"))
	ts.Check(err)
	judged := func(text string) []string {
		_, text, _ = strings.Cut(text, "\nEleven Tide Gates · run ")
		_, text, _ = strings.Cut(text, " · ") // whichever run it is
		text, _, found := strings.Cut(text, "\ncost: ")
		if !found {
			ts.Fatalf("there is no report of the demo title")
		}
		return strings.Split(text, "\n")
	}
	want, got := judged(string(text)), judged("\n"+ts.ReadFile(args[0]))
	for i, line := range want {
		if i >= len(got) || strings.TrimRight(got[i], " ") != line {
			ts.Fatalf("the README shows\n%s\nand the report has\n%s", line, strings.Join(got[min(i, len(got)):min(i+1, len(got))], ""))
		}
	}
	if len(got) != len(want) {
		ts.Fatalf("the report has %d lines, the README %d", len(got), len(want))
	}
}
