package chain

import (
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// Every stage's help is its processor's doc comment, which tells in this order
// what a listener hears, by what formula, with which parameters, how late, and
// from which source.
func TestAbout(t *testing.T) {
	for _, s := range Builtin() {
		text, err := s.About()
		if err != nil {
			t.Errorf("%s: %v", s.Name, err)
			continue
		}
		at := 0
		for _, part := range []string{"\t", "Parameters:", "Latency:", "Source:"} {
			found := strings.Index(text[at:], part)
			if found < 0 {
				t.Errorf("%s: %q does not come in its place in\n%s", s.Name, part, text)
				break
			}
			at += found
		}
	}
}

// How late a stage is at 44.1 kHz stands in its help and in its processor's, as
// samples, or as "No latency" where it never is.
func TestLatencyIsTold(t *testing.T) {
	samples := regexp.MustCompile(`Latency:[^.;]*?([\d,]+) samples at 44\.1`)
	told := map[string]int{}
	for _, s := range settings {
		r := resolve(t, s.stage, s.params)
		stage, err := find(r)
		if err != nil {
			t.Fatal(err)
		}
		about, err := stage.About()
		if err != nil {
			t.Fatal(err)
		}
		late := processor(t, r, 44100, facts()).Latency()
		if strings.Contains(stage.Doc, "No latency") && late != 0 {
			t.Errorf("%s %s: %d samples late, its help says no latency", s.stage, s.params, late)
		}
		for _, text := range []string{stage.Doc, strings.ReplaceAll(about, "\n", " ")} {
			for _, m := range samples.FindAllStringSubmatch(text, -1) {
				told[s.stage]++
				if want, _ := strconv.Atoi(strings.ReplaceAll(m[1], ",", "")); late != want {
					t.Errorf("%s %s: %d samples late, told are %d", s.stage, s.params, late, want)
				}
			}
		}
	}
	for _, stage := range []string{"clicks", "hum", "plosives", "room-noise", "harmonics", "limiter"} {
		if told[stage] == 0 {
			t.Errorf("%s tells no samples", stage)
		}
	}
}
