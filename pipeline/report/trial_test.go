package report

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/binary"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/clinic"
	"chapterhouse/pipeline/house/strict"
	"chapterhouse/testdata/voices/narration"
)

// aTrial is the trial of a short read with two chains and a master.
func aTrial(t *testing.T) clinic.Trial {
	t.Helper()
	stems, _, err := narration.Reading{
		Voice: "marlow", Seed: 5, RateHz: 44100, Spread: 1, SpeechDBFS: -26, Booth: "1.3x1.7x2.05,low=0.26,high=0.66", Noise: "pink:-64,hiss:-70",
		Text:   "The tide had gone out before she woke. [whisper] Nobody had seen the boat go. [pause 1] Seven of the gates stood open, and the eighth was locked. [shout 8] Shut the sluice! [pause 1] Then the water came back, slowly, as it does in March.",
		Manner: narration.Manner{HeadS: 4, TailS: 2},
	}.Stems()
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float64, len(stems.Voice))
	for i := range x {
		x[i] = stems.Voice[i] + stems.Breaths[i] + stems.Clicks[i] + stems.Noise[i]
	}
	r := clinic.Hear(x, 44100, clinic.Form{Narrator: "ines-marlow", Name: "Ines Marlow", Setup: "cupboard"})
	r.File = "marlow-read.wav"
	master := make([]float64, len(x))
	for i, v := range x {
		master[i] = 2.5 * v
	}
	trial, err := clinic.Compare(r, []clinic.Draft{
		aDraft(t, "spare", "- highpass: {cutoff_hz: 80, slope_db_per_octave: 18, why: rumble under her voice}\n  - compressor: {threshold_over_speech_db: 1, ratio: 2, knee_db: 8, attack_ms: 10, release_ms: 150, detector: rms}"),
		aDraft(t, "round", "- eq:\n      - {shape: bell, centre_hz: 250, gain_db: -6, q: 2, why: the box of the booth}\n  - compressor: {threshold_over_speech_db: -3, ratio: 4, knee_db: 4, attack_ms: 5, release_ms: 100, detector: rms}\n  - clicks: {ticks: true, mouth_clicks: false}"),
	}, master)
	if err != nil {
		t.Fatal(err)
	}
	return trial
}

func aDraft(t *testing.T, name, stages string) clinic.Draft {
	t.Helper()
	text := "chain: " + name + "\nnarrator: ines-marlow\nsetup: cupboard\nreference: {speech_dbfs: -23}\nstages:\n  " + stages + "\n"
	c, faults := chain.Parse([]byte(text), name)
	if err := strict.AsError(faults); err != nil {
		t.Fatal(err)
	}
	return clinic.Draft{Name: name, Does: "for a test", YAML: text, Chain: c}
}

// browser opens a page in Debian's chromium.
func browser(t *testing.T, page []byte) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatal("no program chromium; install the package chromium")
		}
		t.Skip("no program chromium; install the package chromium to open the page")
	}
	file := filepath.Join(t.TempDir(), "trial.html")
	if err := os.WriteFile(file, page, 0o644); err != nil {
		t.Fatal(err)
	}
	ctx, stop := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Flag("autoplay-policy", "no-user-gesture-required"), chromedp.WindowSize(1100, 1600))...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	ctx, stop = context.WithTimeout(ctx, 2*time.Minute) // against a browser that hangs
	t.Cleanup(stop)
	if _, err := chromedp.Run(ctx, chromedp.Navigate("file://"+file)); err != nil {
		t.Fatal(err)
	}
	return ctx
}

// evaluate runs an expression in the page, and waits for what it promises.
func evaluate[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// heard is what the page plays of a version for some seconds.
func heard(t *testing.T, ctx context.Context, version int, stage string, passage int, here bool, seconds float64) []float64 {
	t.Helper()
	expression := sprintf(`trial.heard(%d, %q, %d, %t, %g).then((x) => {
		const bytes = new Uint8Array(x.buffer), parts = [];
		for (let i = 0; i < bytes.length; i += 0x8000) parts.push(String.fromCharCode(...bytes.subarray(i, i + 0x8000)));
		return btoa(parts.join(""));
	})`, version, stage, passage, here, seconds)
	raw, err := base64.StdEncoding.DecodeString(evaluate[string](t, ctx, expression))
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float64, len(raw)/4)
	for i := range x {
		x[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(raw[4*i:])))
	}
	return x
}

func loudness(x []float64, rateHz int) float64 {
	m := meter.New(rateHz, 1)
	m.Write(x)
	return float64(m.Levels().Integrated)
}

// TestTrialMatched: all versions lie within 0.1 LU of each other, and what a stage
// that does nothing takes is none.
func TestTrialMatched(t *testing.T) {
	trial := aTrial(t)
	if len(trial.Versions) != 4 || len(trial.Passages) == 0 {
		t.Fatalf("%d versions, passages %v", len(trial.Versions), trial.Passages)
	}
	for _, v := range trial.Versions {
		if d := math.Abs(float64(v.LUFS - trial.LUFS)); d > 0.1 || v.Peak > -1 {
			t.Errorf("%s lies %.2f LU off, peak %v", v.Name, d, v.Peak)
		}
	}
	if s := trial.Versions[3].Stages; !s[2].Idle || s[0].Idle || len(s[1].GainsDB) == 0 || s[0].Why[0] != "band 1: the box of the booth" {
		t.Errorf("the stages are %+v", s)
	}
	if moved := trial.Versions[0].Moved - trial.Versions[1].Moved; math.Abs(float64(moved)-20*math.Log10(2.5)) > 0.05 {
		t.Errorf("the master is 8 dB louder, and was moved %.2f dB further", float64(moved))
	}
}

// TestTrialPlays opens the page and asks it for what it would play.
func TestTrialPlays(t *testing.T) {
	trial := aTrial(t)
	var page bytes.Buffer
	if err := TrialHTML(&page, trial); err != nil {
		t.Fatal(err)
	}
	if path := os.Getenv("CHAPTERHOUSE_PAGES"); path != "" { // to be looked at
		if err := os.WriteFile(filepath.Join(path, "trial.html"), page.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	ctx := browser(t, page.Bytes())
	length := trial.Passages[len(trial.Passages)-1].ToS
	var levels []float64
	for v := range trial.Versions {
		levels = append(levels, loudness(heard(t, ctx, v, "", -1, false, length), trial.RateHz))
	}
	t.Logf("versions as the page plays them: %.2f LUFS", levels)
	for _, l := range levels {
		if math.Abs(l-float64(trial.LUFS)) > 0.1 {
			t.Errorf("one is played at %.2f LUFS, all should be at %.2f", l, float64(trial.LUFS))
		}
	}
	for p, passage := range trial.Passages {
		if passage.Name == "room tone" {
			continue
		}
		seconds := passage.ToS - passage.FromS
		raw := heard(t, ctx, 0, "", p, true, seconds)
		dense := heard(t, ctx, 3, "", p, true, seconds)
		if a, b := kWeighted(raw, trial.RateHz), kWeighted(dense, trial.RateHz); math.Abs(a-b) > 0.1 {
			t.Errorf("%s by itself: %.2f LUFS against %.2f", passage.Name, a, b)
		}
	}
	if l := loudness(heard(t, ctx, 3, "0 without", -1, false, length), trial.RateHz); math.Abs(l-float64(trial.LUFS)) > 0.1 {
		t.Errorf("without its eq the version is played at %.2f LUFS", l)
	}
	whole, without, alone := heard(t, ctx, 3, "", -1, false, 3), heard(t, ctx, 3, "0 without", -1, false, 3), heard(t, ctx, 3, "0 alone", -1, false, 3)
	gain, worst := math.Pow(10, float64(trial.Versions[3].Stages[0].WithoutDB)/20), 0.0
	for i := range whole {
		worst = max(worst, math.Abs(without[i]-gain*(whole[i]+alone[i])))
	}
	if worst > 1e-6 {
		t.Errorf("left out is not the version and what the stage takes: %g off", worst)
	}

	// Played: one playhead, whatever is switched.
	at := func() float64 { return evaluate[float64](t, ctx, "trial.position()") }
	evaluate[bool](t, ctx, `document.getElementById("play").click(); new Promise((done) => { const wait = () => trial.playing() && trial.position() > 0.2 ? done(true) : setTimeout(wait, 20); wait(); })`)
	before := at()
	for _, key := range []string{"2", "3", "4", "1"} {
		evaluate[bool](t, ctx, sprintf(`document.dispatchEvent(new KeyboardEvent("keydown", {key: %q})); true`, key))
		now := at()
		if now < before || now > before+2 {
			t.Errorf("on key %s the playhead went from %.2f to %.2f s", key, before, now)
		}
		if chosen := evaluate[string](t, ctx, `document.querySelector("input[name=version]:checked").value`); chosen != sprintf("%d", key[0]-'1') {
			t.Errorf("key %s chose version %s", key, chosen)
		}
		before = now
	}
	// Hidden: no name of a version is to be seen, and keys go by the order shown.
	evaluate[bool](t, ctx, `document.getElementById("hide").click(); true`)
	shown := evaluate[string](t, ctx, `document.body.innerText`)
	for _, name := range []string{"spare", "round", "master", "highpass"} {
		if strings.Contains(shown, name) {
			t.Errorf("where names are hidden %q is to be read", name)
		}
	}
	if !strings.Contains(shown, "version A") || !strings.Contains(shown, "quietly") {
		t.Error("hidden versions have no letters, or the page does not say that it starts quietly")
	}
	evaluate[bool](t, ctx, `document.getElementById("hide").click(); document.getElementById("play").click(); true`)
	if evaluate[bool](t, ctx, "trial.playing()") {
		t.Error("the page goes on after pause")
	}
}

// kWeighted is the ungated loudness.
func kWeighted(x []float64, rateHz int) float64 {
	y := append([]float64(nil), x...)
	kernel.NewCascade(meter.KWeighting(float64(rateHz))).Process(y)
	sum := 0.0
	for _, v := range y {
		sum += v * v
	}
	return -0.691 + 10*math.Log10(sum/float64(len(y)))
}
