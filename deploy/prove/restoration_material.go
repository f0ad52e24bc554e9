package main

import (
	"fmt"
	"math"

	"chapterhouse/testdata/voices/booth"
	"chapterhouse/testdata/voices/narration"
)

// A side is one of the two bodies of recordings of the restoration proof.
// Settings and defaults may be fixed on the first; the second, of another engine
// with other voices, booths, kinds of noise and seeds, is the one that counts.
//
// The kinds of noise of both sides are as hard as each other, so that a gap
// between them is a setting's: a Wiener filter that is told each noise's
// spectrum (decision-directed, floor -12 dB) gains 4.8, 2.9 and 1.4 dB of
// segmental SNR on the first at inputs of 10, 20 and 30 dB, and 4.9, 3.3 and
// 1.6 dB on the second.
type side struct {
	name   string
	voices []string
	noises []string // one at a time
	hum    string
	booth  string
	seed   uint64
}

func tuneSide(seed uint64) side {
	return side{name: "tune", voices: []string{"alder", "heron", "quill", "sorrel"}, noises: []string{"brown:-60,hiss:-64", "fan:-60@118,hiss:-66", "fan:-60@118"},
		hum: "hum:-60@50", booth: "1.4x1.2x2.2,low=0.25", seed: seed}
}

func printSide(seed uint64) side {
	return side{name: "print", voices: []string{"espeak-m3", "espeak-f2", "espeak-f5", "espeak-klatt4"}, noises: []string{"traffic:-60,hiss:-64", "fan:-60@87", "pink:-60"},
		hum: "hum:-60@60", booth: "1.3x1.7x2.05,low=0.26,high=0.66", seed: 1000 + seed}
}

const (
	restorationHz   = 44100
	restorationS    = 22 // of each reading
	cleanSNR        = 55 // dB of a recording that needs nothing
	restorationDBFS = -24
)

// A material is one voice's reading in parts, from which spoilt recordings are
// put together. The parts are as long as each other.
type material struct {
	voice  string
	clean  []float64            // voice and breaths
	clicks []float64            // of the mouth in pauses, and ticks of the converter anywhere
	pops   []float64            // plosives that strike the microphone
	added  map[string][]float64 // each kind of noise and hum, as loud as the voice while it speaks
	speech float64              // power of the voice while it speaks
}

// A recording is spoilt, and the clean one is known that it was made from.
type spoilt struct {
	voice    string
	clean, x []float64
}

// A body is a way to spoil recordings.
type body struct {
	name string
	rare bool // faults at moments
	make func(s side, m material) []spoilt
}

// cleanBody is the body of recordings that need nothing: they are to stay as
// they are, noise and all.
const cleanBody = "clean input"

func bodies() []body {
	// What stages for single faults hear beside the fault.
	quiet := func(s side, m material) []float64 {
		return mixed(m.clean, m.noise(s.noises[len(s.noises)-1], cleanSNR))
	}
	all := []body{{name: cleanBody, make: func(s side, m material) []spoilt {
		x := quiet(s, m)
		return []spoilt{{m.voice, x, x}}
	}}}
	for _, snr := range []float64{10, 20, 30} {
		all = append(all, body{name: fmt.Sprintf("noise at %.0f dB", snr), make: func(s side, m material) (all []spoilt) {
			for _, noise := range s.noises {
				all = append(all, spoilt{m.voice, m.clean, mixed(m.clean, m.noise(noise, snr))})
			}
			return all
		}}, body{name: fmt.Sprintf("hum at %.0f dB", snr), make: func(s side, m material) []spoilt {
			x := quiet(s, m)
			return []spoilt{{m.voice, x, mixed(x, m.noise(s.hum, snr))}}
		}})
	}
	return append(all, body{name: "clicks", rare: true, make: func(s side, m material) []spoilt {
		x := quiet(s, m)
		return []spoilt{{m.voice, x, mixed(x, m.clicks)}}
	}}, body{name: "plosives", rare: true, make: func(s side, m material) []spoilt {
		x := quiet(s, m)
		return []spoilt{{m.voice, x, mixed(x, m.pops)}}
	}}, body{name: "all of it", make: func(s side, m material) (all []spoilt) {
		for _, noise := range s.noises {
			all = append(all, spoilt{m.voice, m.clean, mixed(m.clean, m.noise(noise, 20), m.noise(s.hum, 25), m.clicks, m.pops)})
		}
		return all
	}})
}

// materials makes a side's readings, of so many seconds.
func (s side) materials(seconds float64) ([]material, error) {
	var all []material
	for i, voice := range s.voices {
		r := narration.Reading{Voice: voice, Seed: s.seed + uint64(i), RateHz: restorationHz, Spread: 1, Booth: s.booth, SpeechDBFS: restorationDBFS,
			Manner: narration.Manner{HeadS: 1, TailS: 1.5, PauseS: 0.9, PauseMinS: 0.7, BreathPct: 40, ClicksMin: 30, Even: true, StopAtS: seconds - 5,
				Microphone: narration.Microphone{PlosivesPct: 60, PlosiveDB: 0, TicksMin: 30, TickDB: 12}}}
		stems, labels, err := r.Stems()
		if err != nil {
			return nil, err
		}
		m := material{voice: voice, clean: mixed(stems.Voice, stems.Breaths), clicks: mixed(stems.Clicks, stems.Ticks), pops: stems.Plosives, added: map[string][]float64{}}
		var spoken int64
		for _, mark := range labels.Marks {
			if mark.Kind == "sentence" {
				m.speech += power(stems.Voice[mark.From:mark.To]) * float64(mark.To-mark.From)
				spoken += mark.To - mark.From
			}
		}
		m.speech /= float64(spoken)
		for _, noise := range append([]string{s.hum}, s.noises...) {
			x, err := s.alone(noise, r.Seed, len(m.clean))
			if err != nil {
				return nil, err
			}
			amplify(x, math.Sqrt(m.speech/power(x)))
			m.added[noise] = x
		}
		all = append(all, m)
	}
	return all, nil
}

// alone is a noise in the side's booth with nobody speaking.
func (s side) alone(noise string, seed uint64, frames int) ([]float64, error) {
	room, err := booth.Parse(s.booth)
	if err != nil {
		return nil, err
	}
	noises, err := booth.ParseNoises(noise)
	if err != nil {
		return nil, err
	}
	var x []float64
	silence := make([]float64, restorationHz)
	silence[0] = 1 // the voice's level is set by what it says; here it says nothing
	recorder := booth.New(booth.Setup{Booth: room, Noises: noises, RateHz: restorationHz, Seed: seed}, silence, func(block []float64) error {
		x = append(x, block...)
		return nil
	})
	err = recorder.Flush(int64(frames))
	return x, err
}

// noise is a noise or the hum so many dB under the voice.
func (m material) noise(name string, snr float64) []float64 {
	x := append([]float64(nil), m.added[name]...)
	amplify(x, math.Pow(10, -snr/20))
	return x
}

// mixed is the sum of signals of one length.
func mixed(all ...[]float64) []float64 {
	out := make([]float64, len(all[0]))
	for _, x := range all {
		for i, v := range x {
			out[i] += v
		}
	}
	return out
}

func amplify(x []float64, gain float64) {
	for i := range x {
		x[i] *= gain
	}
}

// power is the mean square.
func power(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return sum / float64(len(x))
}
