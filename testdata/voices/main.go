// Voices makes test narration: invented voices read invented texts in
// simulated booths, with labels that are exact because the recording was made
// from them.
//
//	go run ./testdata/voices -voice marlow -minutes 3 -seed 7 -out x.wav -labels x.json
//	go run ./testdata/voices -voice wren -text page.txt -booth 1.2x1.0x2.1,low=0.12 -noise brown:-68,hiss:-82 -out x.wav
//	go run ./testdata/voices -house testdata/house
//
// It shares no code with the program that is tested on it.
package main

import (
	"flag"
	"fmt"
	"os"

	"chapterhouse/testdata/voices/narration"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "voices:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	f := flag.NewFlagSet("voices", flag.ContinueOnError)
	var o order
	text := f.String("text", "", "file with the script: prose, with [whisper], [shout 7], [pause 1.2] and {m aa r l ow}; without it invented prose")
	out := f.String("out", "", "WAV file to write; a name ending in .flac is packed by the flac program")
	labelFile := f.String("labels", "", "JSON file of what was said where, in frames")
	house := f.String("house", "", "make the audio of the demo house in this folder again")
	names := f.Bool("voices", false, "list the voices and what each is for: tuning, or printed tables")
	f.StringVar(&o.Voice, "voice", "marlow", "voice; see -voices")
	minutes := f.Float64("minutes", 1, "length of invented prose")
	f.Uint64Var(&o.Seed, "seed", 1, "other seed, other reading and noise")
	f.IntVar(&o.RateHz, "rate", 44100, "44100, 48000, 88200 or 96000 Hz")
	f.IntVar(&o.bits, "bits", 24, "16 or 24")
	f.IntVar(&o.resolve, "resolve", 0, "bits that the converter resolves; 0: all")
	f.IntVar(&o.channels, "channels", 1, "1, or 2 alike")
	f.StringVar(&o.Booth, "booth", "1.35x1.1x2.1,low=0.15,high=0.6", "width x depth x height in metres, absorption below and above 400 Hz; none: free field")
	f.StringVar(&o.Noise, "noise", "brown:-72,pink:-75,hiss:-84", "kinds with their plain RMS in dBFS; pink brown fan traffic roomhum through the room, hum hiss white after it; fan and hum take @Hz, hum +Hz a minute")
	f.Float64Var(&o.SpeechDBFS, "speech", -24, "level of plain speech while speaking, plain RMS in dBFS")
	f.Float64Var(&o.Spread, "spread", 1, "factor on how much words and sentences differ in level")
	f.Float64Var(&o.DriftDB, "drift", 0, "dB by which the level falls in ten minutes")
	f.Float64Var(&o.Manner.HeadS, "head", 1, "seconds of room tone before")
	f.Float64Var(&o.Manner.TailS, "tail", 2.5, "seconds of room tone after")
	f.Float64Var(&o.Manner.PauseS, "pause", 0.9, "median seconds between sentences")
	f.Float64Var(&o.Manner.PauseMinS, "pause-min", 0.4, "least seconds between sentences")
	f.BoolVar(&o.Manner.Even, "even", false, "invented prose without whispers and shouts")
	f.Float64Var(&o.Manner.BreathPct, "breaths", 0, "per cent of pauses with a breath; 0: the voice's own, -1: none")
	f.Float64Var(&o.Manner.ClicksMin, "clicks", 0, "mouth clicks in a minute; 0: the voice's own, -1: none")
	f.Float64Var(&o.Manner.Microphone.PlosivesPct, "plosives", 0, "per cent of /p/ and /b/ whose breath strikes the microphone")
	f.Float64Var(&o.Manner.Microphone.PlosiveDB, "plosive-db", 0, "plain RMS of such a pop against plain speech")
	f.Float64Var(&o.Manner.Microphone.TicksMin, "ticks", 0, "ticks of the converter in a minute, anywhere")
	f.Float64Var(&o.Manner.Microphone.TickDB, "tick-db", 0, "height of the highest against plain speech; they spread over 20 dB")
	if err := f.Parse(args); err != nil {
		return err
	}
	switch {
	case *names:
		for _, v := range narration.Voices() {
			fmt.Printf("%-14s %s\n", v.Name, v.Use)
		}
		return nil
	case *house != "":
		return makeHouse(*house)
	case *out == "":
		return fmt.Errorf("say where to write with -out x.wav")
	case o.RateHz != 44100 && o.RateHz != 48000 && o.RateHz != 88200 && o.RateHz != 96000:
		return fmt.Errorf("-rate %d: 44100, 48000, 88200 or 96000", o.RateHz)
	case o.bits != 16 && o.bits != 24:
		return fmt.Errorf("-bits %d: 16 or 24", o.bits)
	case o.channels != 1 && o.channels != 2:
		return fmt.Errorf("-channels %d: 1 or 2", o.channels)
	}
	if o.resolve == 0 {
		o.resolve = o.bits
	}
	if *text != "" {
		b, err := os.ReadFile(*text)
		if err != nil {
			return err
		}
		o.Text = string(b)
	} else {
		o.Manner.StopAtS = 60**minutes - o.Manner.TailS - 4
	}
	return o.write(*out, *labelFile)
}
