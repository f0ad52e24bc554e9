package main

import (
	"fmt"
	"os"
	"os/exec"
	"strings"

	"chapterhouse/testdata/voices/booth"
	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/speech"
)

// An order is one recording to be made.
type order struct {
	voice    string
	text     string  // a script; empty: built-in prose
	minutes  float64 // of built-in prose
	seed     uint64
	rateHz   int
	bits     int
	resolve  int // bits that the converter resolves
	channels int
	booth    string
	noise    string
	speech   float64 // dBFS
	drift    float64 // dB in ten minutes
	manner   manner
}

// make makes the recording at path (a WAV file) and returns its labels.
func (o order) make(path string) (labels, error) {
	voice, engineName, eng, err := newEngine(o.voice, float64(o.rateHz), o.seed)
	if err != nil {
		return labels{}, err
	}
	room, err := booth.Parse(o.booth)
	if err != nil {
		return labels{}, err
	}
	room.Colour = voice.ColourDB
	noises, err := booth.ParseNoises(o.noise)
	if err != nil {
		return labels{}, err
	}
	dry, err := calibrate(o.voice, float64(o.rateHz))
	if err != nil {
		return labels{}, err
	}
	var sentences script
	if o.text != "" {
		parsed, err := speech.ParseScript(o.text)
		if err != nil {
			return labels{}, err
		}
		sentences = &list{parsed}
	} else {
		sentences = &speech.Prose{Random: exact.NewRandom(o.seed, "prose"), Range: !o.manner.even}
	}
	file, err := createWave(path, o.rateHz, o.bits, o.channels, o.resolve)
	if err != nil {
		return labels{}, err
	}
	how := o.manner
	if how.breathPct == 0 {
		how.breathPct = voice.BreathPct
	}
	if how.clicksMin == 0 {
		how.clicksMin = voice.ClicksMin
	}
	n := &narrator{engine: eng, manner: how, rateHz: float64(o.rateHz), random: exact.NewRandom(o.seed, "manner")}
	n.rec = booth.New(booth.Setup{Booth: room, Noises: noises, SpeechDBFS: o.speech, DriftDB: o.drift,
		RateHz: float64(o.rateHz), Seed: o.seed}, dry, file.write)
	if err := n.read(sentences); err != nil {
		file.close()
		os.Remove(path)
		return labels{}, err
	}
	for _, c := range file.clips {
		n.marks = append(n.marks, speech.Mark{Kind: "clip", From: c[0], To: c[1]})
	}
	return labels{Voice: o.voice, Engine: engineName, Seed: o.seed, RateHz: o.rateHz, Frames: file.frames, Marks: n.marks}, file.close()
}

// calibrate reads the calibration text with a speaker of its own.
func calibrate(voice string, rateHz float64) ([]float64, error) {
	_, _, eng, err := newEngine(voice, rateHz, 1)
	if err != nil {
		return nil, err
	}
	var dry []float64
	for _, s := range speech.Calibration() {
		s.Even = true
		take, err := eng.Speak(s)
		if err != nil {
			return nil, err
		}
		for _, m := range take.Marks {
			if m.Kind == "sentence" {
				dry = append(dry, take.Samples[m.From:m.To]...)
			}
		}
	}
	return dry, nil
}

// newEngine finds a voice of either engine.
func newEngine(name string, rateHz float64, seed uint64) (speech.Voice, string, engine, error) {
	v, ok := speech.VoiceNamed(name)
	if !ok {
		return v, "", nil, fmt.Errorf("no voice is called %q; there are %s", name, strings.Join(voiceNames(), ", "))
	}
	return v, "formula", speech.New(v, rateHz, seed), nil
}

func voiceNames() []string {
	var out []string
	for _, v := range speech.Voices() {
		out = append(out, v.Name)
	}
	return out
}

// pack turns a WAV file into FLAC beside it and removes the WAV.
func pack(wav, flac string) error {
	out, err := exec.Command("flac", "--silent", "--force", "--best", "--output-name="+flac, wav).CombinedOutput()
	if err != nil {
		return fmt.Errorf("flac could not pack %s: %v: %s", wav, err, out)
	}
	return os.Remove(wav)
}
