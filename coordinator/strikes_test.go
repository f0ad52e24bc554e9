package coordinator

import (
	"maps"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/storetest"
)

// TestStrikes: what fails three times by its own fault is a hole that names
// itself, whatever the step, and the others are made.
func TestStrikes(t *testing.T) {
	for _, c := range []struct {
		step pipeline.Step
		kind pipeline.Kind
	}{
		{pipeline.StepIntake, pipeline.Crash}, {pipeline.StepProfile, pipeline.Crash}, {pipeline.StepProfile, pipeline.Missing},
		{pipeline.StepWeigh, pipeline.Bug}, {pipeline.StepFile, pipeline.Crash}, {pipeline.StepCheck, pipeline.Crash},
	} {
		bubble(t, string(c.step)+"-"+string(c.kind), func(t *testing.T) {
			w := newWorld(t)
			w.again = time.Second
			w.failing(c.step, "02-1.flac", c.kind, -1)
			seen, made := w.submitAndClose()
			for _, ch := range seen.Outcome.Chapters {
				switch {
				case ch.Number != 2 && (ch.Hole != "" || len(ch.Files) != 2):
					t.Errorf("chapter %d: hole %q, %d files", ch.Number, ch.Hole, len(ch.Files))
				case ch.Number == 2 && (!strings.Contains(ch.Hole, "given up after 3 tries") || !strings.Contains(ch.Hole, "the child died: 02-1.flac")):
					t.Errorf("chapter 2: hole %q", ch.Hole)
				case ch.Number == 2 && (ch.Verdict != pipeline.Return || len(ch.Files) != 0):
					t.Errorf("chapter 2: %s with %d files", ch.Verdict, len(ch.Files))
				}
			}
			if n := w.strikes(); n != pipeline.Strikes {
				t.Errorf("%d tries failed, want %d", n, pipeline.Strikes)
			}
			if n := len(w.objects("quarantine/")); n != 1 {
				t.Errorf("%d given up, want 1", n)
			}
			if made[pipeline.StepFile] < 6 {
				t.Errorf("%d files, want those of three chapters", made[pipeline.StepFile])
			}
			for _, s := range w.sub.Specs {
				if !strings.Contains(seen.Outcome.Withheld[s.Spec], "chapter 2") {
					t.Errorf("%s is withheld for %q", s.Spec, seen.Outcome.Withheld[s.Spec])
				}
			}
			if w.state().Standing != "000001" {
				t.Error("a run with a hole does not stand")
			}
			// The same again is the same run, and tries nothing.
			before := len(w.made)
			if again, _ := w.submitAndClose(); again.Run != "000001" || len(w.made) != before {
				t.Errorf("run %s, %d results more", again.Run, len(w.made)-before)
			}
		})
	}
}

// TestFewStrikes: two failures are none in the end.
func TestFewStrikes(t *testing.T) {
	for _, step := range []pipeline.Step{pipeline.StepIntake, pipeline.StepProfile, pipeline.StepWeigh, pipeline.StepFile, pipeline.StepCheck} {
		bubble(t, string(step), func(t *testing.T) {
			w := newWorld(t)
			w.again = time.Second
			w.failing(step, "02-1.flac", pipeline.Crash, pipeline.Strikes-1)
			seen, _ := w.submitAndClose()
			w.expectWhole(seen.Outcome)
			if n := w.strikes(); n != pipeline.Strikes-1 {
				t.Errorf("%d tries failed, want %d", n, pipeline.Strikes-1)
			}
		})
	}
}

// TestInfra: what is the machine's fault is no strike, however often, and
// makes nobody late. Objects that say so, as earlier builds left them, count
// as little; three strikes are read and no more.
func TestInfra(t *testing.T) {
	bubble(t, "night", func(t *testing.T) {
		want := reference(t, newWorld)
		w := newWorld(t)
		w.again = time.Second
		w.failing(pipeline.StepProfile, "02-1.flac", pipeline.Infra, 15)
		w.submitAndClose()
		expectSame(t, "after failures of the machine", w.results(), want)
	})
	w := newWorld(t)
	co := w.coordinator(w.store)
	p := &pass{c: co, known: co.know(title)}
	r := pipeline.NewRecipe(pipeline.StepIntake)
	r.Intake = &pipeline.IntakeRecipe{}
	for range 9 {
		w.note(r.Key(), ".err.json", pipeline.Failure{Kind: pipeline.Infra})
	}
	look := func() (result, error) {
		res := result{key: r.Key()}
		err := p.c.fetch(t.Context(), &res, true, true)
		return res, err
	}
	if res, err := look(); err != nil || res.state != pending {
		t.Errorf("state %d, %v after failures of the machine; want pending", res.state, err)
	}
	for i := range 40 {
		w.note(r.Key(), ".json", struct{}{})
		if i < 2 {
			w.note(r.Key(), ".err.json", pipeline.Failure{Kind: pipeline.Crash})
		}
	}
	if res, err := look(); err != nil || res.state != late || res.tries != 40 {
		t.Errorf("state %d after %d tries, %v; want late after 40", res.state, res.tries, err)
	}
	for range 30 {
		w.note(r.Key(), ".err.json", pipeline.Failure{Kind: pipeline.Crash})
	}
	reads := 0
	p.c.Store = storetest.Wrap(w.store, func(c storetest.Call) storetest.Fault {
		if c.Op == "Get" && strings.HasPrefix(c.Name, "attempts/") {
			reads++
		}
		return storetest.None
	})
	if res, err := look(); err != nil || res.state != hole {
		t.Errorf("state %d, %v; want a hole", res.state, err)
	}
	if reads > 9+pipeline.Strikes {
		t.Errorf("%d failures were read to count to %d", reads, pipeline.Strikes)
	}
}

// TestLate: gains wait for one failed try and not for three, the others go on
// meanwhile, and a late chapter takes what was pinned.
func TestLate(t *testing.T) {
	for _, step := range []pipeline.Step{pipeline.StepProfile, pipeline.StepWeigh} {
		bubble(t, string(step), func(t *testing.T) {
			w := newWorld(t)
			w.again = 10 * time.Minute
			w.failing(step, "02-1.flac", pipeline.Crash, 1)
			w.submit()
			co := w.coordinator(w.store)
			// Chapter 2 has failed once and waits; all the others are made.
			for range 30 {
				if seen, err := co.Reconcile(t.Context(), title); err != nil || seen.Closed {
					t.Fatalf("closed %v, %v", seen.Closed, err)
				}
				for w.answer() {
				}
			}
			for _, path := range []string{"01-1.flac", "03-1.flac", "04-1.flac"} {
				if n := len(w.recipes(pipeline.StepFile, path)); n != 2 {
					t.Errorf("%d files of %s while chapter 2 is late, want 2", n, path)
				}
			}
			if n := len(w.recipes(step, "02-1.flac")); n != 0 || w.strikes() != 1 {
				t.Fatalf("chapter 2 has its %s; %d failed tries", step, w.strikes())
			}
			gains := read[pipeline.Gains](w, runName(title, "000001", "gains"))
			time.Sleep(w.again)
			// It catches up, and no pass stops at the step it is at.
			if seen, err := co.Reconcile(t.Context(), title); err != nil || seen.Step != pipeline.StepFile {
				t.Errorf("at step %s, %v", seen.Step, err)
			}
			seen := w.night(co)
			w.expectWhole(seen.Outcome)
			for _, r := range w.recipes(pipeline.StepFile, "02-1.flac") {
				spec := "lossless"
				if r.File.Format.Format == pipeline.MP3 {
					spec = "retail"
				}
				if got, want := r.File.Parts[0].GainDB, gains.Specs[spec].GainDB["ines"]; got != want || want == 0 {
					t.Errorf("%s: chapter 2 has %v, pinned was %v", spec, got, want)
				}
			}
			fits := read[pipeline.Fits](w, runName(title, "000001", "fits"))
			if got, want := w.recipes(pipeline.StepWeigh, "02-1.flac")[0].Weigh.FitDB, fits.Sessions["ines/booth/found-1"].GainDB; got != want || want == 0 {
				t.Errorf("chapter 2 is fitted by %v, pinned was %v", got, want)
			}
		})
	}
}

// bubble is a subtest with a clock of its own.
func bubble(t *testing.T, name string, f func(*testing.T)) {
	t.Run(name, func(t *testing.T) { synctest.Test(t, f) })
}

// strikes counts the failed tries that were noted.
func (w *world) strikes() (n int) {
	for name := range w.objects("attempts/") {
		if strings.HasSuffix(name, ".err.json") {
			n++
		}
	}
	return n
}

// TestLateFirst: a late chapter that brings a narrator's first words levels
// that narrator by itself, and leaves the other's pinned gain alone.
func TestLateFirst(t *testing.T) { synctest.Test(t, lateFirst) }

func lateFirst(t *testing.T) {
	w := newWorld(t)
	// Tobias is in chapter 4 alone, and it is late; so short and loud, ines'
	// part of it would ask for another gain than her pinned one.
	w.sub.Title.Chapters = append(w.sub.Title.Chapters[:2:2], w.sub.Title.Chapters[3])
	w.sub.Sources = append(w.sub.Sources[:2:2], w.sub.Sources[3:]...)
	w.record("04-1.flac", recording{seconds: 300, speech: -24, body: 1.5, booth: -66, contents: "louder than the others"})
	w.again = 10 * time.Minute
	w.failing(pipeline.StepProfile, "04-2.flac", pipeline.Crash, 2)
	w.submit()
	co := w.coordinator(w.store)
	for range 10 { // and no time passes
		if _, err := co.Reconcile(t.Context(), title); err != nil {
			t.Fatal(err)
		}
		for w.answer() {
		}
	}
	gains := read[pipeline.Gains](w, runName(title, "000001", "gains"))
	if _, pinned := gains.Specs["lossless"].GainDB["tobias"]; pinned {
		t.Fatal("tobias was not late")
	}
	time.Sleep(w.again)
	seen := w.night(co)
	w.expectWhole(seen.Outcome)
	for _, r := range w.recipes(pipeline.StepFile, "04-2.flac") {
		if r.File.Format.Format != pipeline.FLAC {
			continue
		}
		if got, want := r.File.Parts[0].GainDB, gains.Specs["lossless"].GainDB["ines"]; got != want {
			t.Errorf("ines has %v in the late chapter, pinned was %v", got, want)
		}
		// The aim is -20 and the reference -22: tobias' part lies 0.4 dB over
		// the level of his speech, and its edges add a little silence.
		if got := r.File.Parts[1].GainDB; got < 1.4 || got > 1.9 {
			t.Errorf("tobias has %v, want about 1.6", got)
		}
	}
}

// TestFaults: sources that can't be used are holes that name their file, and a
// title of nothing but holes is closed.
func TestFaults(t *testing.T) {
	for _, c := range []struct {
		name  string
		paths []string
		spoil func(recording) recording
	}{
		{"at intake", []string{"02-1.flac"}, func(r recording) recording { r.fault = "is no audio"; return r }},
		{"at profile", []string{"04-2.flac"}, func(r recording) recording { r.mute = "holds no speech"; return r }},
		{"all at intake", []string{"01-1.flac", "02-1.flac", "03-1.flac", "04-1.flac", "04-2.flac"}, func(r recording) recording { r.fault = "is no audio"; return r }},
		{"all at profile", []string{"01-1.flac", "02-1.flac", "03-1.flac", "04-1.flac", "04-2.flac"}, func(r recording) recording { r.mute = "holds no speech"; return r }},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			for _, path := range c.paths {
				_, r := w.of(path)
				r = c.spoil(r)
				r.contents = "spoiled " + path
				w.record(path, r)
			}
			seen, _ := w.submitAndClose()
			for _, ch := range seen.Outcome.Chapters {
				spoiled := false
				for _, path := range c.paths {
					spoiled = spoiled || strings.HasPrefix(path, "0"+string(rune('0'+ch.Number)))
				}
				switch {
				case !spoiled && (ch.Hole != "" || len(ch.Files) != 2):
					t.Errorf("chapter %d: hole %q, %d files", ch.Number, ch.Hole, len(ch.Files))
				case spoiled && !strings.HasPrefix(ch.Hole, "0"):
					t.Errorf("chapter %d: hole %q names no file", ch.Number, ch.Hole)
				}
			}
			if len(w.objects("attempts/")) > 0 || len(w.objects("quarantine/")) > 0 {
				t.Error("a fault of a source was tried again")
			}
		})
	}
	t.Run("never uploaded", func(t *testing.T) {
		w := newWorld(t)
		w.sub.Sources = w.sub.Sources[1:]
		seen, _ := w.submitAndClose()
		if ch := seen.Outcome.Chapters[0]; ch.Hole == "" || len(seen.Outcome.Chapters[1].Files) != 2 {
			t.Errorf("chapter 1: hole %q; chapter 2: %d files", ch.Hole, len(seen.Outcome.Chapters[1].Files))
		}
	})
}

// TestNoEncoder: a spec that this machine can't make is skipped with one
// sentence, and the other is made.
func TestNoEncoder(t *testing.T) {
	w := newWorld(t)
	delete(w.sub.Engine.Encoders, pipeline.MP3)
	seen, made := w.submitAndClose()
	o := seen.Outcome
	if len(o.Specs) != 1 || o.Specs[0].Spec != "lossless" || made[pipeline.StepFile] != 4 {
		t.Errorf("specs %v, %d files", o.Specs, made[pipeline.StepFile])
	}
	if len(o.Skipped) != 1 || o.Skipped[0].Spec != "retail" || !strings.Contains(o.Skipped[0].Why, "lame") || strings.ContainsAny(o.Skipped[0].Why, "\n.") {
		t.Errorf("skipped %+v, want one sentence", o.Skipped)
	}
	// With no spec left it is still heard and closed.
	w = newWorld(t)
	clear(w.sub.Engine.Encoders)
	seen, made = w.submitAndClose()
	if len(seen.Outcome.Skipped) != 2 || made[pipeline.StepFile] != 0 || made[pipeline.StepCheck] != 4 {
		t.Errorf("skipped %+v, made %v", seen.Outcome.Skipped, made)
	}
}

// TestForgive: what was given up is tried again, of one title alone, and
// nothing else is.
func TestForgive(t *testing.T) { synctest.Test(t, forgive) }

func forgive(t *testing.T) {
	w := newWorld(t)
	other := pipeline.NewRecipe(pipeline.StepIntake)
	other.Intake = &pipeline.IntakeRecipe{Source: pipeline.DigestOf([]byte("of another title"))}
	for name, v := range map[string]any{
		recipeName(other.Key()):                           other,
		quarantineName(other.Key()):                       Quarantine{Reason: "of another title"},
		"attempts/" + string(other.Key()) + "/a.err.json": pipeline.Failure{Kind: pipeline.Crash},
	} {
		if err := store.CreateJSON(t.Context(), w.store, name, v); err != nil {
			t.Fatal(err)
		}
	}
	elsewhere := w.objects("quarantine/", "attempts/")
	if again, err := Forgive(t.Context(), w.store, title); again != 0 || err != nil {
		t.Errorf("of a title that nobody submitted: run %d, %v", again, err)
	}
	w.again = time.Second
	w.failing(pipeline.StepFile, "02-1.flac", pipeline.Crash, -1)
	w.submitAndClose()
	// Cut off after any call, it can be asked for again; and what is no longer
	// given up has no failed try left that would give it up anew.
	for n := 1; ; n++ {
		_, err := Forgive(t.Context(), storetest.Wrap(w.store, storetest.Nth(n, storetest.LoseReply)), title)
		if len(w.objects("quarantine/")) == 1 && w.strikes() > 1 {
			t.Errorf("cut off at call %d: forgiven with its failures left", n)
		}
		if err == nil {
			break
		}
	}
	again, err := Forgive(t.Context(), w.store, title)
	if err != nil || again != 1 {
		t.Fatalf("run %d, %v", again, err)
	}
	left := w.objects("quarantine/", "attempts/")
	maps.DeleteFunc(left, func(name, _ string) bool {
		return strings.HasPrefix(name, "attempts/") && !strings.HasSuffix(name, ".err.json") // that it was tried
	})
	expectSame(t, "what is left of failures", left, elsewhere)
	w.fail = nil
	w.sub.Again = again
	seen, made := w.submitAndClose()
	w.expectWhole(seen.Outcome)
	if seen.Run != "000002" || made[pipeline.StepFile] != 2 || made[pipeline.StepCheck] > 1 || made[pipeline.StepProfile] != 0 || made[pipeline.StepWeigh] != 0 {
		t.Errorf("run %s made %v, want the files of chapter 2", seen.Run, made)
	}
}
