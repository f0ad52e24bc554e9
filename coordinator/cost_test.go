package coordinator

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store/storetest"
)

// TestCost is what a second run makes anew, by keys alone: profiles, weighs,
// files and listening checks.
func TestCost(t *testing.T) {
	for _, c := range []struct {
		name                            string
		change                          func(*world)
		run                             string
		profiles, weighs, files, checks int
	}{
		{"nothing", func(*world) {}, "000001", 0, 0, 0, 0},
		{"tobias' chain", func(w *world) { w.sub.Narrators["tobias"] = narrator("tobias", 120) }, "000002", 0, 2, 4, 0},
		{"ines' chain", func(w *world) { w.sub.Narrators["ines"] = narrator("ines", 120) }, "000002", 0, 3, 6, 0},
		{"both chains", func(w *world) {
			w.sub.Narrators = map[string]pipeline.Narrator{"ines": narrator("ines", 120), "tobias": narrator("tobias", 120)}
		}, "000002", 0, 5, 8, 0},
		{"a limit", func(w *world) { w.sub.Specs[0].Limits.NoiseFloorDBFS = -65 }, "000002", 0, 0, 0, 0},
		{"a decision", func(w *world) {
			w.sub.Decisions = []pipeline.Decision{{Check: "room-noise", Chapter: 1, Why: "as recorded"}}
		}, "000002", 0, 0, 0, 0},
		{"the name pattern", func(w *world) { w.sub.Specs[0].Packaging.Name = "{chapter}" }, "000002", 0, 0, 0, 0},
		{"a narrator's name", func(w *world) {
			n := w.sub.Narrators["ines"]
			n.Name = "Ines of the Lantern"
			w.sub.Narrators["ines"] = n
		}, "000002", 0, 0, 0, 0},
		{"a chapter's name", func(w *world) { w.sub.Title.Chapters[0].Name = "Lower Water" }, "000002", 0, 0, 0, 0},
		{"the chain's reasons", func(w *world) {
			c := chainOf("ines", 80)
			c.Reasons = []string{"a lorry at noon"}
			w.sub.Narrators["ines"] = pipeline.Narrator{Narrator: "ines", Name: "ines", Setups: map[string]pipeline.Setup{"booth": {Chain: c}}}
		}, "000002", 0, 0, 0, 0},
		{"a spec more, as long as the first", func(w *world) {
			s := lossless()
			s.Spec, s.Sound.Files = "archive", []pipeline.FileFormat{{Format: pipeline.FLAC, RateHz: 44100, Channels: 1, Bits: 24}}
			w.sub.Specs = append(w.sub.Specs, s)
		}, "000002", 0, 0, 4, 0},
		{"a spec more that differs in its limits", func(w *world) {
			s := lossless()
			s.Spec, s.Limits = "stricter", pipeline.Limits{NoiseFloorDBFS: -70}
			w.sub.Specs = append(w.sub.Specs, s)
		}, "000002", 0, 0, 0, 0},
		{"a spec less", func(w *world) { w.sub.Specs = w.sub.Specs[:1] }, "000002", 0, 0, 0, 0},
		{"a spec's aim", func(w *world) { w.sub.Specs[0].Sound.Level.Aim = -21 }, "000002", 0, 0, 4, 0},
		{"a spec's ceiling", func(w *world) { w.sub.Specs[1].Sound.Peak.MaxDBTP = -2 }, "000002", 0, 0, 4, 0},
		{"the encoder", func(w *world) { w.sub.Engine.Encoders[pipeline.MP3] = "lame 3.101" }, "000002", 0, 0, 4, 0},
		{"a pickup in chapter 2, alike", func(w *world) {
			w.record("02-1.flac", recording{seconds: 705, speech: -24.4, body: -0.3, booth: -66, contents: "a pickup"})
		}, "000002", 1, 1, 2, 1},
		{"a chapter more", func(w *world) {
			w.chapter(5, "Frost", "ines", recording{seconds: 500, speech: -24.1, body: 0, booth: -66})
		}, "000002", 1, 1, 2, 1},
		{"an excerpt, which sounds as its chapter does", func(w *world) { w.excerpt(2, 100, 280) }, "000002", 1, 1, 2, 1},
		{"two chapters in another order", func(w *world) {
			ch := w.sub.Title.Chapters
			ch[0], ch[1] = ch[1], ch[0]
			ch[0].Number, ch[1].Number = 1, 2
		}, "000002", 0, 0, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			w.submitAndClose()
			c.change(w)
			seen, made := w.submitAndClose()
			w.expectWhole(seen.Outcome)
			if seen.Run != c.run {
				t.Errorf("run %s, want %s", seen.Run, c.run)
			}
			for step, want := range map[pipeline.Step]int{pipeline.StepProfile: c.profiles, pipeline.StepWeigh: c.weighs, pipeline.StepFile: c.files, pipeline.StepCheck: c.checks} {
				if made[step] != want {
					t.Errorf("%d results of %s, want %d", made[step], step, want)
				}
			}
		})
	}
}

// TestKept: gains of the standing run are kept while they are within half a
// decibel, and given up beyond.
func TestKept(t *testing.T) {
	for _, c := range []struct {
		name string
		by   float64 // how much louder every one of ines' recordings gets, beside its speech
		kept bool
	}{{"0.4 dB", 0.4, true}, {"-0.4 dB", -0.4, true}, {"0.7 dB", 0.7, false}} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			w.submitAndClose()
			for _, path := range []string{"01-1.flac", "02-1.flac", "04-1.flac"} {
				_, r := w.of(path)
				r.body += c.by
				r.contents = "again " + path
				w.record(path, r)
			}
			w.submitAndClose()
			first := read[pipeline.Gains](w, runName(title, "000001", "gains")).Specs
			then := read[pipeline.Gains](w, runName(title, "000002", "gains")).Specs
			for spec := range first {
				if kept := first[spec].GainDB["ines"] == then[spec].GainDB["ines"]; kept != c.kept {
					t.Errorf("%s: ines had %v and has %v", spec, first[spec].GainDB["ines"], then[spec].GainDB["ines"])
				}
				if first[spec].GainDB["tobias"] != then[spec].GainDB["tobias"] {
					t.Errorf("%s: tobias had %v and has %v", spec, first[spec].GainDB["tobias"], then[spec].GainDB["tobias"])
				}
			}
		})
	}
}

// TestChainBack: a chain that is put back finds every result, fits and gains
// among them, by its key. Nothing is computed or written but the run itself.
func TestChainBack(t *testing.T) {
	w := newWorld(t)
	first, _ := w.submitAndClose()
	w.sub.Narrators["tobias"] = narrator("tobias", 120)
	w.submitAndClose()
	before := w.objects("commits/", "recipes/", "attempts/", "quarantine/")
	w.sub.Narrators["tobias"] = narrator("tobias", 90)
	run := w.submit()
	writes := 0
	watched := storetest.Wrap(w.store, func(c storetest.Call) storetest.Fault {
		if c.Op == "Swap" && (strings.HasPrefix(c.Name, "commits/") || strings.HasPrefix(c.Name, "recipes/")) {
			writes++
		}
		return storetest.None
	})
	made := len(w.made)
	co := w.coordinator(watched)
	seen := w.night(co)
	if run != "000003" || len(w.made) != made || writes != 0 {
		t.Errorf("run %s: %d results made, %d recipes and commits written, want none", run, len(w.made)-made, writes)
	}
	if got, want := co.Work(), (Work{Taken: 18}); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	expectSame(t, "after a chain was put back", w.objects("commits/", "recipes/", "attempts/", "quarantine/"), before)
	for what, same := range map[string]bool{
		"fits":  w.same("fits", first.Run, seen.Run),
		"gains": w.same("gains", first.Run, seen.Run),
	} {
		if !same {
			t.Errorf("%s differ from those of the first run", what)
		}
	}
	for i, ch := range seen.Outcome.Chapters {
		if !slices.EqualFunc(ch.Files, first.Outcome.Chapters[i].Files, func(a, b pipeline.FileOutcome) bool { return a.Blob == b.Blob }) {
			t.Errorf("chapter %d is other audio", ch.Number)
		}
	}
}

// same tells whether an object of two runs has the same bytes.
func (w *world) same(what, a, b string) bool {
	x, y := runName(title, a, what), runName(title, b, what)
	all := w.objects("titles/")
	return all[x] == all[y] && all[x] != ""
}

// TestStandingFits: a session keeps its fit while a pickup moves it little, so
// that its other chapters are not weighed again.
func TestStandingFits(t *testing.T) {
	w := newWorld(t)
	w.submitAndClose()
	w.record("02-1.flac", recording{seconds: 800, speech: -23.9, body: -0.4, booth: -66.5, contents: "a louder day"})
	_, made := w.submitAndClose()
	first := read[pipeline.Fits](w, runName(title, "000001", "fits")).Sessions
	then := read[pipeline.Fits](w, runName(title, "000002", "fits")).Sessions
	if !slices.Equal(slices.Sorted(maps.Keys(first)), slices.Sorted(maps.Keys(then))) {
		t.Fatalf("sessions %v, then %v", first, then)
	}
	for id := range first {
		if first[id].GainDB != then[id].GainDB || first[id].GainDB == 0 {
			t.Errorf("%s had %v and has %v", id, first[id].GainDB, then[id].GainDB)
		}
	}
	if made[pipeline.StepWeigh] != 1 {
		t.Errorf("%d parts were weighed again, want the pickup", made[pipeline.StepWeigh])
	}
}
