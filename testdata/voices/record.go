package main

import (
	"fmt"
	"os"
	"os/exec"

	"chapterhouse/testdata/voices/booth"
	"chapterhouse/testdata/voices/espeak"
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
	spread   float64 // factor on how much words and sentences differ in level
	drift    float64 // dB in ten minutes
	manner   manner
}

// narrate makes the recording at path (a WAV file) and returns its labels.
func (o order) narrate(path string) (labels, error) {
	voice, engineName, eng, err := o.engine(o.seed)
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
	dry, err := o.calibrate()
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
func (o order) calibrate() ([]float64, error) {
	_, _, eng, err := o.engine(1)
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

// engine finds the voice, of either family.
func (o order) engine(seed uint64) (speech.Voice, string, engine, error) {
	name, rateHz := o.voice, float64(o.rateHz)
	if v, ok := speech.VoiceNamed(name); ok {
		v.WordSDDB *= o.spread
		v.SentenceSDDB *= o.spread
		return v, "formula", speech.New(v, rateHz, seed), nil
	}
	for _, v := range espeak.Voices() {
		if v.Name != name {
			continue
		}
		if !espeak.Installed() {
			return v.Voice, "", nil, fmt.Errorf("voice %s is spoken by the espeak-ng program; install the Debian package espeak-ng", name)
		}
		v.SentenceSDDB *= o.spread
		// Breaths and clicks come from a mouth of our own.
		return v.Voice, "espeak", struct {
			*espeak.Speaker
			mouth
		}{espeak.New(v, int(rateHz), seed), speech.New(v.Voice, rateHz, seed)}, nil
	}
	return speech.Voice{}, "", nil, fmt.Errorf("no voice is called %q; -voices lists them", name)
}

// allVoices are the voices of both families.
func allVoices() []speech.Voice {
	all := speech.Voices()
	for _, v := range espeak.Voices() {
		all = append(all, v.Voice)
	}
	return all
}

// pack turns a WAV file into FLAC beside it and removes the WAV.
func pack(wav, flac string) error {
	out, err := exec.Command("flac", "--silent", "--force", "--best", "--output-name="+flac, wav).CombinedOutput()
	if err != nil {
		return fmt.Errorf("flac could not pack %s: %v: %s", wav, err, out)
	}
	return os.Remove(wav)
}
