package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/codec"
)

// The shout proof sends chapters from a whisper to a shout through the demo
// house's chains and measures every line before and after, at the generator's
// own labels.

// A shoutReader is a voice and the chain that it is sent through.
type shoutReader struct {
	voice, chain string
	share        float64 // of the script's differences in level: espeak-ng's own sentences differ more
	args         []string
}

// shoutReaders are voices for printed tables, of both engines.
func shoutReaders() []shoutReader {
	ines, tobias := "ines-marlow/chains/cupboard.yaml", "tobias-wren/chains/stair-room.yaml"
	booth := []string{"-noise", "brown:-73,pink:-73.5,hiss:-84", "-breaths", "35", "-head", "0.3", "-tail", "0.4"}
	return []shoutReader{
		{"marlow", ines, 1, append([]string{"-booth", "1.3x1.7x2.05,low=0.26,high=0.66"}, booth...)},
		{"wren", tobias, 1, append([]string{"-booth", "1.55x1.15x2.3,low=0.3,high=0.7"}, booth...)},
		{"espeak-f2", ines, 0.6, booth},
		{"espeak-m3", tobias, 0.6, booth},
	}
}

// shoutScript is a scene: lines in plain speech, raised, shouted, under the
// breath and whispered, each of a length to be measured.
const shoutScript = `The ferryman waited behind the mill, and nobody in the upper town counted the steps.
[shout +4] Leave the lantern where it is! [pause 3.4]
It was eleven minutes before she looked away, and by then the ladder hung under the bridge.
[whisper -8] Don't wake the mule. [pause 0.8] [whisper -9] I saw the ledger in the empty chapel. [pause 1.1]
The schoolmaster folded the letter, lit the stove and said nothing.
[shout +7] Every hand to the ropes! [pause 0.7] [shout +7] Run for the harbour wall! [pause 1.0]
What the widow wanted was a patient clock, not this brittle window.
Between the marsh and the quarry the barge rested along the towpath for seven days. [pause 3.4]
[whisper -7] Keep still, the anvil is on the north stair. [pause 0.9]
Her brother took the kettle, the saddle and the cold mirror.
[shout +5] The orchard is loose, stop, stop at the third milestone! [pause 0.8]
Had the clerk followed the fiddle, or was it only the pump that rattled in the long grass?
The tall sailor did without a word, because the hedge leaned across the square.
[whisper -9] Nobody must know about the coat. [pause 0.9]
There were forty barrels beside the stove, each as heavy as the last.
[shout +7] Shut the gate! [pause 0.6] Before the tide turned, old friends measured the plank and began to sing.`

// scene is the script with its lines' levels a share as far from plain speech.
func scene(share float64) string {
	return regexp.MustCompile(`[+-]\d+`).ReplaceAllStringFunc(shoutScript, func(level string) string {
		db, _ := strconv.ParseFloat(level, 64)
		return strconv.FormatFloat(share*db, 'f', 1, 64)
	})
}

// A shoutLine is one sentence, before and after a chain.
type shoutLine struct {
	raw, out  float64 // ITU-T P.56, dBFS
	reduction float64 // by all compressors: what its loudest twentieth got, dB
}

// A shoutResult is what became of a chapter.
type shoutResult struct {
	lines           []shoutLine
	rawP56, outP56  float64 // of the whole
	headDB, tailDB  float64 // room tone of head and tail against that within, A-weighted
	rawSpread, out  float64 // 95th minus 5th percentile of the lines
	typical, most   float64 // compression
	under           float64 // quietest line under the average
	turned, compare int     // pairs whose order was turned by more than evenDB, of all that are 1 dB apart
	even            int     // turned by less
}

// shoutRows holds what becomes of the lines of a scene against what is asked.
func shoutRows(ctx context.Context, s *site, t *table) error {
	voices, err := s.build(ctx, "./testdata/voices")
	if err != nil {
		return err
	}
	program, err := s.build(ctx, "./cmd/chapterhouse")
	if err != nil {
		return err
	}
	lines := 0
	for i, reader := range shoutReaders() {
		s.say("shout: %s", reader.voice)
		r, err := shout(ctx, s, voices, program, s.path("shout-"+reader.voice), reader, s.seed+uint64(i))
		if err != nil {
			return fmt.Errorf("shout, %s: %w", reader.voice, err)
		}
		r.hold(t, "shout, "+reader.voice+": ")
		lines = len(r.lines)
	}
	t.note("Shout: one scene of %d lines from a whisper to a shout, in voices of two engines, through the demo house's chains.", lines)
	t.note("Levels of lines are ITU-T P.56 at the generator's labels. Compression is what all compressors together take from the")
	t.note("loudest twentieth of a line; typical is the median line. Pairs of lines are compared that are 1 dB apart or more, and count as")
	t.note("turned where the one that was softer comes out more than %g dB louder.", evenDB)
	return nil
}

func (r shoutResult) hold(t *table, name string) {
	between := func(what string, v, low, high float64) {
		t.hold(name+what, fmt.Sprintf("%.1f dB", v), fmt.Sprintf("%g to %g dB", low, high), v >= low && v <= high)
	}
	between("spread of the lines, raw", r.rawSpread, 12, 18)
	between("spread of the lines, after the chain", r.out, 6, 9)
	between("compression of a typical line", r.typical, 2, 4)
	t.atMost(name+"compression of the loudest line", r.most, 6, "%.1f dB", "")
	t.atMost(name+"quietest line under the average", r.under, 10, "%.1f dB", "")
	t.atMost(name+"pairs of lines whose order turned", float64(r.turned), 0, "%.0f", fmt.Sprintf("of %d; %d more by under %g dB", r.compare, r.even, evenDB))
	t.atMost(name+"step of the room tone at head and tail", max(math.Abs(r.headDB), math.Abs(r.tailDB)), 1, "%.1f dB", fmt.Sprintf("%+.1f and %+.1f", r.headDB, r.tailDB))
}

func shout(ctx context.Context, s *site, voices, program, dir string, reader shoutReader, seed uint64) (shoutResult, error) {
	var r shoutResult
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return r, err
	}
	wav, labels, script := filepath.Join(dir, "01.wav"), filepath.Join(dir, "labels.json"), filepath.Join(dir, "script.txt")
	if err := os.WriteFile(script, []byte(scene(reader.share)), 0o644); err != nil {
		return r, err
	}
	args := append([]string{"-voice", reader.voice, "-text", script, "-seed", strconv.FormatUint(seed, 10), "-spread", "0.6", "-out", wav, "-labels", labels}, reader.args...)
	if _, err := call(ctx, nil, voices, args...); err != nil {
		return r, err
	}
	x, rate, err := samples(wav)
	if err != nil {
		return r, err
	}
	var said struct {
		Marks []struct {
			Kind     string
			From, To int
		}
	}
	text, err := os.ReadFile(labels)
	if err != nil {
		return r, err
	}
	if err := json.Unmarshal(text, &said); err != nil {
		return r, err
	}
	yaml, err := os.ReadFile(filepath.Join(s.root, "testdata", "house", "narrators", filepath.FromSlash(reader.chain)))
	if err != nil {
		return r, err
	}
	y, reduction, raw, err := chained(x, rate, yaml)
	if err != nil {
		return r, err
	}
	grid := rate / 100
	for _, m := range said.Marks {
		if m.Kind != "sentence" {
			continue
		}
		took := slices.Clone(reduction[m.From/grid : m.To/grid])
		slices.Sort(took)
		r.lines = append(r.lines, shoutLine{speechLevel(raw[m.From:m.To], rate), speechLevel(y[m.From:m.To], rate), took[len(took)*19/20]})
	}
	r.rawP56, r.outP56 = speechLevel(raw, rate), speechLevel(y, rate)
	r.judge()
	r.headDB, r.tailDB, err = edgeSteps(ctx, program, dir, reader.voice, yaml)
	return r, err
}

// evenDB is a difference between two lines that nobody hears (from memory: about
// 1 dB is just noticed in speech).
const evenDB = 0.5

// judge reckons the figures of all lines.
func (r *shoutResult) judge() {
	var raw, out, took []float64
	loudest, quietest := 0, math.Inf(1)
	for i, l := range r.lines {
		raw, out, took = append(raw, l.raw), append(out, l.out), append(took, l.reduction)
		if l.raw > r.lines[loudest].raw {
			loudest = i
		}
		quietest = min(quietest, l.out)
		for _, other := range r.lines[:i] {
			if math.Abs(l.raw-other.raw) < 1 {
				continue
			}
			r.compare++
			switch turn := math.Copysign(1, other.raw-l.raw) * (l.out - other.out); {
			case turn > evenDB:
				r.turned++
			case turn > 0:
				r.even++
			}
		}
	}
	r.rawSpread, r.out = percentile(raw, 0.95)-percentile(raw, 0.05), percentile(out, 0.95)-percentile(out, 0.05)
	r.typical, r.most, r.under = percentile(took, 0.5), r.lines[loudest].reduction, r.outP56-quietest
}

// percentile is the value at a part of the sorted ones, between two of them by
// a straight line.
func percentile(v []float64, part float64) float64 {
	v = slices.Sorted(slices.Values(v))
	at := part * float64(len(v)-1)
	i := min(int(at), len(v)-2)
	return v[i] + (v[i+1]-v[i])*(at-float64(i))
}

// chained is a recording after fit and chain, what its compressors took in dB
// on a 10 ms grid, and the recording after the fit alone.
func chained(x []float64, rate int, yaml []byte) (y, reduction, raw []float64, err error) {
	f, err := fit(x, rate, yaml)
	if err != nil {
		return nil, nil, nil, err
	}
	raw = f.amplified(x)
	step := dsp.ControlStep(float64(rate))
	control := make([]float64, len(x)/step+1)
	y = f.process(raw, func(at dsp.Frames, stage int, gainsDB []float64) {
		if f.chain.Stages[stage].Stage != "compressor" {
			return
		}
		for i, g := range gainsDB {
			if k := int(at)/step + i; at >= 0 && k < len(control) {
				control[k] -= g
			}
		}
	})
	per := rate / 100 / step
	for i := 0; i+per <= len(control); i += per {
		reduction = append(reduction, slices.Max(control[i:i+per]))
	}
	return y, reduction, raw, nil
}

func speechLevel(x []float64, rate int) float64 {
	m := meter.New(rate, 1)
	m.Write(x)
	return float64(m.Levels().Speech)
}

// samples reads a file of one channel.
func samples(path string) ([]float64, int, error) {
	src, err := codec.OpenSource(path, filepath.Base(path))
	if err != nil {
		return nil, 0, err
	}
	defer src.Close()
	x := make([]float64, src.Info().Frames)
	for n := 0; n < len(x); {
		got, err := src.Read([][]float64{x[n:]})
		if n += got; err != nil && n < len(x) {
			return nil, 0, err
		}
	}
	return x, src.Info().RateHz, nil
}

// edgeSteps has the program make the chapter's file, and compares the room tone
// that it put at both ends with the room tone that was recorded between lines.
func edgeSteps(ctx context.Context, program, dir, voice string, yaml []byte) (head, tail float64, err error) {
	c, _ := chain.Parse(yaml, "chain")
	house := filepath.Join(dir, "house")
	for name, text := range map[string]string{
		"house.yaml": "house: shout\n",
		"narrators/" + c.Narrator + "/narrator.yaml":               fmt.Sprintf("narrator: %s\nname: The Reader\nsetups:\n  %s: {chain: %s}\n", c.Narrator, c.Setup, c.Chain),
		"narrators/" + c.Narrator + "/chains/" + c.Chain + ".yaml": string(yaml),
		"titles/scene/title.yaml":                                  fmt.Sprintf("title: Scene\nnarrator: %s\nsetup: %s\nspecs: [lossless]\nchapters:\n  - {chapter: One, file: 01.wav, session: one}\n", c.Narrator, c.Setup),
	} {
		path := filepath.Join(house, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return 0, 0, err
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			return 0, 0, err
		}
	}
	if err := os.Rename(filepath.Join(dir, "01.wav"), filepath.Join(house, "titles", "scene", "01.wav")); err != nil {
		return 0, 0, err
	}
	out := filepath.Join(dir, "out")
	if _, err := call(ctx, nil, program, "process", filepath.Join(house, "titles", "scene"), "--store", filepath.Join(dir, "store"), "--out", out); err != nil {
		return 0, 0, err
	}
	made, err := filepath.Glob(filepath.Join(out, "scene", "lossless", "*.flac"))
	if err != nil || len(made) != 1 {
		return 0, 0, fmt.Errorf("%d files made (%w)", len(made), err)
	}
	y, rate, err := samples(made[0])
	if err != nil {
		return 0, 0, err
	}
	room := meter.NewRoom(rate)
	room.Write(y)
	heard := room.Result()
	levelA := func(from, to dsp.Frames) float64 {
		m := meter.NewRoom(rate)
		m.Write(y[from:to])
		return float64(m.Result().Floor.MedianA)
	}
	second := dsp.Frames(rate)
	var within []float64
	var since dsp.Frames // of the stretch of room tone at hand
	for i, w := range heard.Tone {
		if i == 0 || w.From > heard.Tone[i-1].To+second/10 {
			since = w.From
		}
		if w.From > heard.Bounds.From && w.To < heard.Bounds.To && w.From >= since+second*3/4 {
			within = append(within, levelA(w.From, w.To))
		}
	}
	if len(within) < 2 {
		return 0, 0, fmt.Errorf("%d stretches of room tone in the two long pauses", len(within))
	}
	inside := percentile(within, 0.5)
	end := dsp.Frames(len(y))
	return levelA(second/50, second/50+second/2) - inside, levelA(end-second, end-second/50) - inside, nil
}
