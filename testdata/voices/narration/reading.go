package narration

import (
	"fmt"

	"chapterhouse/testdata/voices/booth"
	"chapterhouse/testdata/voices/espeak"
	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/speech"
)

// A Reading is one narration in a booth, before any converter.
type Reading struct {
	Voice      string // of either family, see Voices
	Text       string // a script (see speech.ParseScript); empty: built-in prose
	Seed       uint64 // other seed, other reading and noise
	RateHz     int
	Booth      string  // see booth.Parse
	Noise      string  // see booth.ParseNoises
	SpeechDBFS float64 // plain RMS of plain speech while it is spoken
	Spread     float64 // factor on how much words and sentences differ in level
	DriftDB    float64 // by which the level falls in ten minutes
	Manner     Manner
}

// Record makes the recording, full scale ±1 and not yet clipped, and hands it
// out in blocks.
func (r Reading) Record(out func([]float64) error) (Labels, error) {
	return r.record(map[stem]func([]float64) error{allStems: out})
}

// Stems are the parts of one recording by themselves, each through the room,
// frame by frame: the recording is their sum, to the last bits.
type Stems struct {
	Voice, Breaths, Clicks, Noise []float64
	Plosives, Ticks               []float64 // past the room; nil for the zero Microphone
}

// Stems makes the parts of the recording.
func (r Reading) Stems() (Stems, Labels, error) {
	var s Stems
	into := func(x *[]float64) func([]float64) error {
		return func(block []float64) error {
			*x = append(*x, block...)
			return nil
		}
	}
	outs := map[stem]func([]float64) error{
		voiceStem: into(&s.Voice), breathStem: into(&s.Breaths), clickStem: into(&s.Clicks), noiseStem: into(&s.Noise),
	}
	if r.Manner.Microphone != (Microphone{}) {
		outs[popStem], outs[tickStem] = into(&s.Plosives), into(&s.Ticks)
	}
	l, err := r.record(outs)
	return s, l, err
}

// VoiceAndNoise are the recording in two parts: all that comes from the mouth,
// and the noise. Their sum is the recording of the zero Microphone.
func (r Reading) VoiceAndNoise() (voice, noise []float64, l Labels, err error) {
	into := func(x *[]float64) func([]float64) error {
		return func(block []float64) error {
			*x = append(*x, block...)
			return nil
		}
	}
	l, err = r.record(map[stem]func([]float64) error{voiceStem | breathStem | clickStem: into(&voice), noiseStem: into(&noise)})
	return voice, noise, l, err
}

// record reads the script once, with a deck for each entry of outs.
func (r Reading) record(outs map[stem]func([]float64) error) (Labels, error) {
	voice, engineName, eng, err := r.engine(r.Seed)
	if err != nil {
		return Labels{}, err
	}
	room, err := booth.Parse(r.Booth)
	if err != nil {
		return Labels{}, err
	}
	room.Colour = voice.ColourDB
	noises, err := booth.ParseNoises(r.Noise)
	if err != nil {
		return Labels{}, err
	}
	dry, err := r.calibrate()
	if err != nil {
		return Labels{}, err
	}
	var sentences script
	if r.Text != "" {
		parsed, err := speech.ParseScript(r.Text)
		if err != nil {
			return Labels{}, err
		}
		sentences = &list{parsed}
	} else {
		sentences = &speech.Prose{Random: exact.NewRandom(r.Seed, "prose"), Range: !r.Manner.Even}
	}
	how := r.Manner
	if how.BreathPct == 0 {
		how.BreathPct = voice.BreathPct
	}
	if how.ClicksMin == 0 {
		how.ClicksMin = voice.ClicksMin
	}
	n := &narrator{engine: eng, manner: how, rateHz: float64(r.RateHz), random: exact.NewRandom(r.Seed, "manner"),
		poppings: exact.NewRandom(r.Seed, "plosives"), ticking: exact.NewRandom(r.Seed, "ticks")}
	for of, out := range outs {
		setup := booth.Setup{Booth: room, SpeechDBFS: r.SpeechDBFS, DriftDB: r.DriftDB, RateHz: float64(r.RateHz), Seed: r.Seed}
		if of&noiseStem != 0 {
			setup.Noises = noises
		}
		d := deck{of: of, pops: &track{gain: exact.Amplitude(r.SpeechDBFS + how.Microphone.PlosiveDB)}, ticks: &track{gain: exact.Amplitude(r.SpeechDBFS + how.Microphone.TickDB)}}
		d.rec = booth.New(setup, dry, func(block []float64) error {
			d.pops.add(block)
			d.ticks.add(block)
			return out(block)
		})
		n.decks = append(n.decks, d)
	}
	if err := n.read(sentences); err != nil {
		return Labels{}, err
	}
	return Labels{Voice: r.Voice, Engine: engineName, Seed: r.Seed, RateHz: r.RateHz, Frames: n.at, Marks: n.marks}, nil
}

// calibrate reads the calibration text with a speaker of its own.
func (r Reading) calibrate() ([]float64, error) {
	_, _, eng, err := r.engine(1)
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

// Wide tells whether the voice reaches up to half of the rate: that of the
// espeak-ng program ends at 11 kHz.
func (r Reading) Wide() bool {
	_, ok := speech.VoiceNamed(r.Voice)
	return ok
}

// engine finds the voice, of either family.
func (r Reading) engine(seed uint64) (speech.Voice, string, engine, error) {
	name, rateHz := r.Voice, float64(r.RateHz)
	if v, ok := speech.VoiceNamed(name); ok {
		v.WordSDDB *= r.Spread
		v.SentenceSDDB *= r.Spread
		return v, "formula", speech.New(v, rateHz, seed), nil
	}
	for _, v := range espeak.Voices() {
		if v.Name != name {
			continue
		}
		if !espeak.Installed() {
			return v.Voice, "", nil, fmt.Errorf("voice %s is spoken by the espeak-ng program; install the Debian package espeak-ng", name)
		}
		v.SentenceSDDB *= r.Spread
		// Breaths and clicks come from a mouth of our own.
		return v.Voice, "espeak", struct {
			*espeak.Speaker
			mouth
		}{espeak.New(v, int(rateHz), seed), speech.New(v.Voice, rateHz, seed)}, nil
	}
	return speech.Voice{}, "", nil, fmt.Errorf("no voice is called %q; -voices lists them", name)
}

// Voices are the voices of both families.
func Voices() []speech.Voice {
	all := speech.Voices()
	for _, v := range espeak.Voices() {
		all = append(all, v.Voice)
	}
	return all
}
