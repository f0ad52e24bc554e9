package chain

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// facts are those of a usual session: speech at the reference, a quiet booth,
// and a part whose phrases are soft and loud by turns.
func facts() Facts {
	f := Facts{Facts: pipeline.Facts{SpeechDBFS: -23, RoomTone: make(pipeline.Spectrum, len(spectrum.SixthOctaves()))}}
	for i := range f.RoomTone {
		f.RoomTone[i] = -85
	}
	for at := dsp.Frames(7000); at < 12*44100; at += 60000 {
		f.Phrases = append(f.Phrases, meter.Phrase{From: at, To: at + 45000, Level: dsp.DBFS(-20 - 10*float64(at%7)/6)})
	}
	for _, p := range f.Phrases {
		f.Breaths = append(f.Breaths, meter.Window{From: p.To + 2000, To: p.To + 13000})
	}
	f.Mains = []meter.MainsPoint{{At: 30000, Hz: 49.95}, {At: 470000, Hz: 50.05}}
	return f
}

// resolve makes a stage of parameters written as in YAML, but as JSON.
func resolve(t testing.TB, name, params string) pipeline.Resolved {
	t.Helper()
	for _, s := range Builtin() {
		if s.Name == name {
			p, faults := s.Resolve(json.RawMessage(params))
			if len(faults) > 0 {
				t.Fatalf("%s %s: %v", name, params, faults)
			}
			return pipeline.Resolved{Stage: name, Rev: s.Rev, Params: p}
		}
	}
	t.Fatalf("no stage %s", name)
	return pipeline.Resolved{}
}

func processor(t testing.TB, r pipeline.Resolved, rateHz float64, f Facts) dsp.Processor {
	t.Helper()
	ps, err := New([]pipeline.Resolved{r}, rateHz, f)
	if err != nil {
		t.Fatal(err)
	}
	return ps[0]
}

// settings are those that the conformance suite runs: neutral ones leave
// speech near what it was, so that latency can be measured.
var settings = []struct {
	stage, params string
	neutral       bool
}{
	{"gain", `{"gain_db": -3}`, true},
	{"highpass", `{"cutoff_hz": 20, "slope_db_per_octave": 6}`, true},
	{"highpass", `{"cutoff_hz": 120, "slope_db_per_octave": 48}`, false},
	{"lowpass", `{"cutoff_hz": 19800, "slope_db_per_octave": 6}`, false},
	{"lowpass", `{"cutoff_hz": 1000, "slope_db_per_octave": 48}`, false},
	{"eq", `[{"shape": "bell", "centre_hz": 178, "gain_db": -3.5, "q": 3}, {"shape": "plateau", "from_hz": 560, "to_hz": 780, "gain_db": -3}, {"shape": "high-shelf", "corner_hz": 10000, "gain_db": 1}]`, false},
	{"eq", `[{"shape": "low-shelf", "corner_hz": 20, "gain_db": -24, "slope": 0.1}, {"shape": "notch", "centre_hz": 100}, {"shape": "bell", "centre_hz": 40, "gain_db": 24, "q": 10}]`, false},
	{"compressor", `{"threshold_over_speech_db": 12, "ratio": 1.2, "attack_ms": 10, "release_ms": 150}`, true},
	{"compressor", `{"threshold_over_speech_db": -20, "ratio": 20, "attack_ms": 1, "release_ms": 800, "detector": "peak"}`, false},
	{"expander", `{"bands": [{"over_room_tone_db": 6, "ratio": 1.3, "range_db": 3}]}`, true},
	{"expander", `{"crossovers_hz": [160, 1800, 6000], "bands": [{"over_room_tone_db": 8, "ratio": 1.6, "range_db": 8}, {"over_room_tone_db": 7, "ratio": 1.4, "range_db": 6}, {"over_room_tone_db": 7, "ratio": 1.4, "range_db": 6}, {"over_room_tone_db": 6, "ratio": 1.3, "range_db": 6}], "hysteresis_db": 3}`, false},
	{"de-esser", `{"from_hz": 5800, "to_hz": 9800, "threshold_over_speech_db": 20, "max_cut_db": 1}`, false},
	{"de-esser", `{"from_hz": 5800, "to_hz": 9800, "threshold_over_speech_db": -10, "max_cut_db": 5}`, false},
	{"de-esser", `{"from_hz": 5800, "to_hz": 9800, "threshold_over_speech_db": -10, "max_cut_db": 5, "mode": "wide"}`, false},
	{"ride", `{"share_percent": 30, "max_db": 1}`, true},
	{"ride", `{"share_percent": 90, "max_db": 6, "ramp_ms": 50}`, false},
	{"clicks", `{}`, true},
	{"clicks", `{"over_local_db": 6, "longest_ms": 6}`, true},
	{"hum", `{}`, true},
	{"hum", `{"up_to_hz": 1100}`, true},
	{"plosives", `{}`, true},
	{"plosives", `{"threshold_over_speech_db": -40, "max_cut_db": 24, "release_ms": 200}`, true},
	{"room-noise", `{"reduction_db": 6}`, true},
	{"room-noise", `{"reduction_db": 12}`, true},
	{"breaths", `{}`, true},
	{"breaths", `{"cut_db": 10, "ramp_ms": 60}`, true},
	{"harmonics", `{"second_db": -44, "third_db": -50}`, true},
	{"harmonics", `{"third_db": -20}`, true},
	{"limiter", `{"ceiling_over_speech_db": 14}`, true},
	{"limiter", `{"ceiling_over_speech_db": 0, "release_ms": 800}`, false},
	{"compressor", `{"threshold_over_speech_db": 12, "ratio": 1.2, "attack_ms": 10, "release_ms": 150, "look_ahead_ms": 5, "timing": "program", "range_db": 6, "parallel_percent": 30}`, true},
	{"compressor", `{"threshold_over_speech_db": -25, "ratio": 6, "attack_ms": 3, "release_ms": 250, "detector": "peak", "timing": "program", "above_hz": 2500, "parallel_percent": 20, "look_ahead_ms": 3}`, false},
	{"compressor", `{"threshold_over_speech_db": -20, "ratio": 20, "attack_ms": 1, "release_ms": 80, "above_hz": 150, "below_hz": 600, "range_db": 8}`, false},
	{"eq", `[{"shape": "bell", "centre_hz": 3200, "gain_db": -4, "q": 2, "dynamic": {"threshold_over_speech_db": -20}}, {"shape": "high-shelf", "corner_hz": 10000, "gain_db": 1}]`, true},
	{"eq", `[{"shape": "low-shelf", "corner_hz": 200, "gain_db": 6, "dynamic": {"threshold_over_speech_db": -10, "when": "under", "attack_ms": 50, "release_ms": 300}}, {"shape": "plateau", "from_hz": 560, "to_hz": 780, "gain_db": -6, "dynamic": {"threshold_over_speech_db": -25}}, {"shape": "notch", "centre_hz": 6000}, {"shape": "high-shelf", "corner_hz": 6000, "gain_db": -8, "dynamic": {"threshold_over_speech_db": -35}}]`, false},
}

func TestRegistry(t *testing.T) {
	if err := Validate(Builtin()); err != nil {
		t.Error(err)
	}
	tested := map[string]bool{}
	for _, s := range settings {
		tested[s.stage] = true
	}
	for _, s := range Builtin() {
		if !tested[s.Name] {
			t.Errorf("%s is not held to the contract", s.Name)
		}
	}
	for name, broken := range map[string][]Stage{
		"stands twice":   {gain(), gain()},
		"it must be":     {{Name: "Gain"}},
		"has no doc":     {{Name: "gain"}},
		"has revision 0": {{Name: "gain", Doc: "louder"}},
		"lacks a":        {{Name: "gain", Doc: "louder", Rev: 1}},
	} {
		if err := Validate(broken); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("got %v, want one with %q", err, name)
		}
	}
}

// Every doc names every key of its stage with range and default.
func TestDocs(t *testing.T) {
	var out strings.Builder
	for _, s := range Builtin() {
		fmt.Fprintf(&out, "== %s\n%s\n", s.Name, strings.TrimRight(s.Doc, "\n"))
	}
	golden(t, "docs.golden", out.String())
}

func TestStagesKeepTheContract(t *testing.T) {
	for _, rate := range []float64{44100, 96000} {
		for _, s := range settings {
			r := resolve(t, s.stage, s.params)
			t.Run(fmt.Sprintf("%s %s at %g", s.stage, r.Params, rate), func(t *testing.T) {
				exercise := dsptest.ExerciseExceptLatency
				if s.neutral {
					exercise = dsptest.Exercise
				}
				exercise(t, rate, func() dsp.Processor { return processor(t, r, rate, facts()) })
			})
		}
	}
}

func TestSettleIsTrue(t *testing.T) {
	for _, s := range settings {
		r := resolve(t, s.stage, s.params)
		t.Run(fmt.Sprintf("%s %s", s.stage, r.Params), func(t *testing.T) {
			dsptest.Settle(t, 44100, func() dsp.Processor { return processor(t, r, 44100, facts()) }, Settle([]pipeline.Resolved{r}, 44100))
		})
	}
}

// What a stage does to a voice hangs on its parameters and its revision alone.
// Where this fails, and the change was meant, raise the revision of the stage
// and write the file anew with -update; where only new stages or settings were
// added, just write it anew.
func TestSoundOfRevisions(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("digests of the sound are kept for amd64; others may fuse products")
	}
	x := dsptest.Speechlike(9, 100*dsp.Quantum, 44100)
	// Stages for single faults keep the bits of what has none.
	faulty := append([]float64(nil), x...)
	faulty[40000] += 0.7
	for i := range 2000 {
		faulty[70000+i] += 0.3 * kernel.Sin(2*math.Pi*float64(i)/2000)
	}
	var out strings.Builder
	for _, s := range settings {
		r := resolve(t, s.stage, s.params)
		in, p := x, processor(t, r, 44100, facts())
		single := s.stage == "clicks" || s.stage == "plosives"
		if single {
			in = faulty
		}
		y := through(p, in)
		if late := p.Latency(); single && slices.Equal(y[late:], in[:len(in)-late]) {
			t.Errorf("%s %s does nothing here: its digest would stay whatever it did", s.stage, s.params)
		}
		fmt.Fprintf(&out, "%s %d %s %s\n", r.Stage, r.Rev, pipeline.DigestOf(r.Params).Short(), dsptest.Digest(y))
	}
	golden(t, "sound.golden", out.String())
}

// A stage that is not known, in another revision, or impossible at a rate, is
// an error that names it, of a kind that tells what to do.
func TestNewRefuses(t *testing.T) {
	low := resolve(t, "lowpass", `{"cutoff_hz": 20000}`)
	other := low
	other.Rev++
	for _, tt := range []struct {
		r    pipeline.Resolved
		kind pipeline.Kind
		want string
	}{
		{low, pipeline.House, "stage 1 (lowpass) at 44100 Hz: cutoff_hz is 20000, it must be 10 to 19845"},
		{other, pipeline.Infra, "stage lowpass: this program has revision 1 and the recipe asks for 2; run it with the version that planned it"},
		{pipeline.Resolved{Stage: "reverb", Rev: 1}, pipeline.Infra, "stage reverb: this program doesn't have it; run it with the version that planned it"},
	} {
		_, err := New([]pipeline.Resolved{tt.r}, 44100, facts())
		var e *pipeline.Error
		if !errors.As(err, &e) || e.Kind != tt.kind || err.Error() != tt.want {
			t.Errorf("got %v, want %s", err, tt.want)
		}
	}
	if _, err := New([]pipeline.Resolved{low}, 48000, facts()); err != nil {
		t.Error(err)
	}
}

// through is x as a processor leaves it, late as it comes.
func through(p dsp.Processor, x []float64) []float64 {
	y := append([]float64(nil), x...)
	for at := 0; at+dsp.Quantum <= len(y); at += dsp.Quantum {
		p.Process(y[at : at+dsp.Quantum])
	}
	return y
}

// The room tone that the expander reckons in each band is what its crossover
// lets through of a noise with that spectrum: within 0.2 dB.
func TestRoomTonePerBand(t *testing.T) {
	const rate = 48000
	hz := []float64{160, 1800, 6000}
	x := dsptest.Noise(5, 40*rate/dsp.Quantum*dsp.Quantum)
	for i := range x {
		x[i] *= 0.01
	}
	w, err := spectrum.NewWelch(16384)
	if err != nil {
		t.Fatal(err)
	}
	w.Write(x)
	tone := pipeline.Spectrum(spectrum.Levels(w.Power(), rate, spectrum.SixthOctaves()))
	got, err := bandLevels(tone, hz, rate)
	if err != nil {
		t.Fatal(err)
	}
	c, err := filter.NewCrossover(hz, rate)
	if err != nil {
		t.Fatal(err)
	}
	power := make([]float64, 4)
	bands := make([][]float64, 4)
	for i := range bands {
		bands[i] = make([]float64, dsp.Quantum)
	}
	for at := 0; at < len(x); at += dsp.Quantum {
		c.Split(x[at:at+dsp.Quantum], bands)
		for b := range bands {
			for _, v := range bands[b] {
				power[b] += v * v
			}
		}
	}
	for b := range power {
		want := kernel.PowerDB(power[b] / float64(len(x)))
		switch b { // the noise is white from 0 to 24 kHz, sixth octaves go from 19.95 Hz to 19.95 kHz
		case 0:
			want += kernel.PowerDB((160 - 19.95) / 160)
		case 3:
			want += kernel.PowerDB((19953. - 6000) / (24000 - 6000))
		}
		if math.Abs(got[b]-want) > 0.2 {
			t.Errorf("band %d: %.2f dBFS, its noise has %.2f", b, got[b], want)
		}
	}
	whole, err := bandLevels(tone, nil, rate)
	if err != nil {
		t.Fatal(err)
	}
	var sum float64
	for _, l := range tone {
		sum += math.Pow(10, float64(l)/10)
	}
	if want := 10 * math.Log10(sum); math.Abs(whole[0]-want) > 1e-9 {
		t.Errorf("one band: %.3f dBFS, want %.3f", whole[0], want)
	}
}

// Steady room tone is turned down by the ratio over its distance to the
// threshold, up to the range; the same in a session that is 10 dB louder.
func TestExpanderCountsFromRoomTone(t *testing.T) {
	const rate = 44100
	r := resolve(t, "expander", `{"bands": [{"over_room_tone_db": 6, "ratio": 1.5, "range_db": 10}]}`)
	for _, louder := range []float64{1, math.Pow(10, 0.5)} {
		x := dsptest.Noise(6, 400*dsp.Quantum)
		for i := range x {
			x[i] *= 0.0005 * louder
		}
		w, err := spectrum.NewWelch(16384)
		if err != nil {
			t.Fatal(err)
		}
		w.Write(x)
		f := Facts{Facts: pipeline.Facts{SpeechDBFS: -23, RoomTone: spectrum.Levels(w.Power(), rate, spectrum.SixthOctaves())}}
		y := through(processor(t, r, rate, f), x)
		// (1.5 - 1)·6 dB, less what of the noise lies above 19.95 kHz (0.44 dB)
		// and the 120 ms hold takes the highest of the RMS (up to 0.7 dB).
		if took := levelDB(x[100*dsp.Quantum:]) - levelDB(y[100*dsp.Quantum:]); took < 2.2 || took > 3 {
			t.Errorf("louder by %.1f: took %.2f dB", 20*math.Log10(louder), took)
		}
	}
}

func levelDB(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	return 10 * math.Log10(sum/float64(len(x)))
}

// Without room tone the expander gives back the bits of its input, as late as
// with it; without speech the compressor does. Idle says so.
func TestIdleStages(t *testing.T) {
	const rate = 44100
	x := dsptest.Speechlike(7, 40*dsp.Quantum, rate)
	expand := resolve(t, "expander", settings[10].params)
	p := processor(t, expand, rate, Facts{Facts: pipeline.Facts{SpeechDBFS: -23}})
	late := processor(t, expand, rate, facts()).Latency()
	if p.Latency() != late || late == 0 {
		t.Fatalf("latency %d, with room tone %d", p.Latency(), late)
	}
	y := through(p, x)
	for i := late; i < len(x); i++ {
		if math.Float64bits(y[i]) != math.Float64bits(x[i-late]) {
			t.Fatalf("sample %d is %g, want %g", i, y[i], x[i-late])
		}
	}
	compress := resolve(t, "compressor", `{"threshold_over_speech_db": -20, "ratio": 20, "attack_ms": 1, "release_ms": 800}`)
	for _, v := range []float64{dsp.Silence, dsp.Unmeasured} {
		y := through(processor(t, compress, rate, Facts{Facts: pipeline.Facts{SpeechDBFS: dsp.DBFS(v)}}), x)
		for i := range x {
			if math.Float64bits(y[i]) != math.Float64bits(x[i]) {
				t.Fatalf("speech %g: sample %d is %g, want %g", v, i, y[i], x[i])
			}
		}
	}
	stages := []pipeline.Resolved{expand, compress}
	if lines := Idle(stages, facts().Facts); len(lines) > 0 {
		t.Errorf("said %q", lines)
	}
	silent := facts()
	for i := range silent.RoomTone {
		silent.RoomTone[i] = dsp.DBFS(dsp.Silence)
	}
	if lines := Idle(stages, silent.Facts); len(lines) != 1 {
		t.Errorf("of digital silence: %q", lines)
	}
	lines := Idle(stages, pipeline.Facts{SpeechDBFS: dsp.DBFS(dsp.Silence)})
	if len(lines) != 2 || !strings.HasPrefix(lines[0], "stage 1 (expander) does nothing") || !strings.HasPrefix(lines[1], "stage 2 (compressor) does nothing") {
		t.Errorf("said %q", lines)
	}
}

// A session that is 6 dB louder, with its facts, comes out 6 dB louder and
// otherwise the same.
func TestCompressorCountsFromSpeech(t *testing.T) {
	const rate = 44100
	r := resolve(t, "compressor", `{"threshold_over_speech_db": 2, "ratio": 4, "attack_ms": 5, "release_ms": 100}`)
	x := dsptest.Speechlike(8, 100*dsp.Quantum, rate)
	loud := make([]float64, len(x))
	for i, v := range x {
		loud[i] = 2 * v
	}
	f := Facts{Facts: pipeline.Facts{SpeechDBFS: dsp.DBFS(levelDB(x))}}
	g := Facts{Facts: pipeline.Facts{SpeechDBFS: f.SpeechDBFS + dsp.DBFS(20*math.Log10(2))}}
	a, b := through(processor(t, r, rate, f), x), through(processor(t, r, rate, g), loud)
	if levelDB(a) > levelDB(x)-0.5 {
		t.Fatal("nothing was compressed")
	}
	for i := range a {
		if d := math.Abs(2*a[i] - b[i]); d > 1e-6 {
			t.Fatalf("sample %d: %g and %g", i, 2*a[i], b[i])
		}
	}
}

// Settle of a chain is the sum of its stages.
func TestSettleSums(t *testing.T) {
	c := cupboard(t)
	sum := 0
	for _, r := range c.Stages {
		n := Settle([]pipeline.Resolved{r}, 44100)
		if n <= 0 {
			t.Errorf("%s settles after %d samples", r.Stage, n)
		}
		sum += n
	}
	if got := Settle(c.Stages, 44100); got != sum {
		t.Errorf("%d, want %d", got, sum)
	}
}

// Where the quietest words of a band lie near its room tone, its threshold stays
// 6 dB under them, and Idle says by how much it does less.
func TestExpanderSparesQuietWords(t *testing.T) {
	f := facts().Facts
	f.QuietWords = make(pipeline.Spectrum, len(f.RoomTone))
	for i := range f.QuietWords {
		f.QuietWords[i] = -45
		if spectrum.SixthOctaves()[i].Mid > 4000 {
			f.QuietWords[i] = -75 // 10 dB over the room tone
		}
	}
	r := resolve(t, "expander", `{"crossovers_hz": [1000], "bands": [{"over_room_tone_db": 7, "ratio": 1.5, "range_db": 8}, {"over_room_tone_db": 12, "ratio": 1.5, "range_db": 8}]}`)
	var p expanderParams
	if err := json.Unmarshal(r.Params, &p); err != nil {
		t.Fatal(err)
	}
	_, lower, err := p.thresholds(f, 44100)
	if err != nil {
		t.Fatal(err)
	}
	if lower[0] != 0 || lower[1] != 0 {
		t.Errorf("lower by %v where words are 40 dB over the room tone in part of the band", lower)
	}
	for i := range f.QuietWords {
		f.QuietWords[i] = -75
	}
	if _, lower, err = p.thresholds(f, 44100); err != nil || math.Abs(lower[0]-3) > 1e-9 || math.Abs(lower[1]-8) > 1e-9 {
		t.Errorf("lower by %v, want 3 and 8 (%v)", lower, err)
	}
	want := "stage 1 (expander) bands[1] does less: its threshold stands 4.0 dB over the room tone instead of 12, 6 dB under the quietest words there"
	if lines := Idle([]pipeline.Resolved{r}, f); len(lines) != 2 || lines[1] != want {
		t.Errorf("said %q", lines)
	}
}
