package chain

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// A Response is what a stage does to plain signals, measured on what its
// processor gave back, not reckoned from parameters. One of the three is
// filled, or none for a stage that acts on what is found in a recording.
type Response struct {
	// Spectrum is the gain of a stage that does the same at every level, at the
	// middle of each of spectrum.SixthOctaves.
	Spectrum []Gain `json:"spectrum,omitempty"`
	// Levels are the gains of a stage that moves gain, one curve a tone.
	Levels []Curve `json:"levels,omitempty"`
	// Harmonics are what a stage adds to tones of the speech level.
	Harmonics []Harmonics `json:"harmonics,omitempty"`
}

// Harmonics are levels of the second to the fifth harmonic against the tone.
type Harmonics struct {
	Hz float64   `json:"hz"`
	DB []float64 `json:"db"`
}

// Gain is a gain at a frequency.
type Gain struct {
	Hz float64 `json:"hz"`
	DB float64 `json:"db"`
}

// Curve is the gain of a steady tone by its level.
type Curve struct {
	Hz    float64 `json:"hz"`
	Steps []Step  `json:"steps"`
}

// Step is the gain of a tone of a level, plain RMS.
type Step struct {
	InDBFS float64 `json:"in_dbfs"`
	DB     float64 `json:"db"`
}

// PlainFacts are those of a session of no surprises: speech at a level and room
// tone of -80 dBFS in each sixth of an octave, -62 dBFS in all.
func PlainFacts(speech dsp.DBFS) Facts {
	f := Facts{Facts: pipeline.Facts{SpeechDBFS: speech, RoomTone: make(pipeline.Spectrum, len(spectrum.SixthOctaves()))}}
	for i := range f.RoomTone {
		f.RoomTone[i] = -80
	}
	return f
}

const (
	lowestToneDBFS = -80
	toneStepDB     = 5
	toneS          = 1.2 // a tone is heard this long, and measured in its last quarter
)

// Respond measures a stage.
func Respond(r pipeline.Resolved, rateHz float64, f Facts) (Response, error) {
	make := func() (dsp.Processor, error) {
		ps, err := New([]pipeline.Resolved{r}, rateHz, f)
		if err != nil {
			return nil, err
		}
		return ps[0], nil
	}
	p, err := make()
	if err != nil {
		return Response{}, err
	}
	stage, err := find(r)
	if err != nil || stage.Shown == ShownNot {
		return Response{}, err
	}
	if stage.Shown == ShownHarmonics {
		var out Response
		for _, hz := range []float64{150, 1000} {
			p, err := make()
			if err != nil {
				return Response{}, err
			}
			out.Harmonics = append(out.Harmonics, Harmonics{hz, harmonicsOf(p, hz, float64(f.SpeechDBFS), rateHz)})
		}
		return out, nil
	}
	if _, moves := p.(dsp.Gauge); !moves {
		return Response{Spectrum: spectrumOf(p, rateHz)}, nil
	}
	var out Response
	for _, hz := range []float64{100, 1000, 7000} {
		c := Curve{Hz: hz}
		for level := float64(lowestToneDBFS); level <= -5; level += toneStepDB {
			p, err := make()
			if err != nil {
				return Response{}, err
			}
			c.Steps = append(c.Steps, Step{level, toneGain(p, hz, level, rateHz)})
		}
		out.Levels = append(out.Levels, c)
	}
	return out, nil
}

// spectrumOf is the spectrum of a processor's answer to an impulse.
func spectrumOf(p dsp.Processor, rateHz float64) []Gain {
	x := make([]float64, int(2*rateHz))
	x[0] = 1
	y := dsp.NewEngine(0, p).Whole(x)
	var gains []Gain
	for _, b := range spectrum.SixthOctaves() {
		if b.Mid >= 0.45*rateHz {
			break
		}
		var re, im float64
		for i, v := range y {
			sin, cos := math.Sincos(2 * math.Pi * b.Mid / rateHz * float64(i))
			re += v * cos
			im -= v * sin
		}
		gains = append(gains, Gain{b.Mid, 10 * math.Log10(re*re+im*im)})
	}
	return gains
}

// toneGain is the gain of a steady tone.
func toneGain(p dsp.Processor, hz, dbfs, rateHz float64) float64 {
	x := steadyTone(hz, dbfs, rateHz)
	return 20 * math.Log10(sizeAt(dsp.NewEngine(0, p).Whole(x), hz, hz, rateHz)/sizeAt(x, hz, hz, rateHz))
}

// harmonicsOf is the second to the fifth harmonic of a steady tone, dB against it.
func harmonicsOf(p dsp.Processor, hz, dbfs, rateHz float64) (db []float64) {
	y := dsp.NewEngine(0, p).Whole(steadyTone(hz, dbfs, rateHz))
	for k := 2.0; k <= 5; k++ {
		db = append(db, 20*math.Log10(sizeAt(y, k*hz, hz, rateHz)/sizeAt(y, hz, hz, rateHz)))
	}
	return db
}

func steadyTone(hz, dbfs, rateHz float64) []float64 {
	x := make([]float64, int(toneS*rateHz))
	amplitude := math.Sqrt2 * math.Pow(10, dbfs/20)
	for i := range x {
		x[i] = amplitude * math.Sin(2*math.Pi*hz/rateHz*float64(i))
	}
	return x
}

// sizeAt is how much of a frequency is in the last quarter of y, over whole
// tenths of a second, which every tone here fills.
func sizeAt(y []float64, atHz, toneHz, rateHz float64) float64 {
	from := len(y) * 3 / 4
	periods := math.Floor(float64(len(y)-from) * toneHz / rateHz / 10)
	to := from + int(math.Round(10*periods*rateHz/toneHz))
	var re, im float64
	for i, v := range y[from:to] {
		sin, cos := math.Sincos(2 * math.Pi * atHz / rateHz * float64(i))
		re += v * cos
		im += v * sin
	}
	return math.Hypot(re, im)
}
