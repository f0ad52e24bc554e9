package booth

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"chapterhouse/testdata/voices/exact"
)

// A Noise is one kind of noise at a level: plain RMS in dBFS at the converter.
type Noise struct {
	Kind  string // see Kinds
	DBFS  float64
	Hz    float64 // of fan and hum; 0: the kind's own
	Drift float64 // of hum: Hz in a minute
}

// Kinds are what a Noise can be. Those of the room go through it; hiss and
// hum are added after it, by the wire.
func Kinds() []string {
	return []string{"pink", "brown", "fan", "traffic", "hum", "roomhum", "hiss", "white"}
}

// ParseNoises reads "brown:-70,fan:-76@118,hum:-80@50+0.1,hiss:-82".
func ParseNoises(text string) ([]Noise, error) {
	var out []Noise
	if text == "" || text == "none" {
		return nil, nil
	}
	for _, f := range strings.Split(text, ",") {
		kind, rest, _ := strings.Cut(f, ":")
		level, hz, _ := strings.Cut(rest, "@")
		hz, drift, drifts := strings.Cut(hz, "+")
		n := Noise{Kind: kind}
		var err error
		known := false
		for _, k := range Kinds() {
			known = known || k == kind
		}
		if !known {
			return nil, fmt.Errorf("noise %q: kinds are %s", f, strings.Join(Kinds(), ", "))
		}
		if n.DBFS, err = strconv.ParseFloat(level, 64); err != nil || n.DBFS > -10 || n.DBFS < -140 {
			return nil, fmt.Errorf("noise %q: want its level in dBFS, as %s:-72", f, kind)
		}
		if hz != "" {
			if n.Hz, err = strconv.ParseFloat(hz, 64); err != nil || n.Hz < 20 || n.Hz > 2000 {
				return nil, fmt.Errorf("noise %q: want a frequency from 20 to 2000 Hz after @", f)
			}
		}
		if drifts {
			if n.Drift, err = strconv.ParseFloat(drift, 64); err != nil {
				return nil, fmt.Errorf("noise %q: want Hz in a minute after +", f)
			}
		}
		out = append(out, n)
	}
	return out, nil
}

// throughRoom tells on which side of the room a kind is made.
func (n Noise) throughRoom() bool { return n.Kind != "hiss" && n.Kind != "hum" && n.Kind != "white" }

// A generator adds its noise to x, at about unit level before calibration.
type generator interface {
	add(x []float64, gain float64)
}

func (n Noise) generator(rateHz float64, r *exact.Random) generator {
	or := func(hz float64) float64 {
		if n.Hz > 0 {
			return n.Hz
		}
		return hz
	}
	switch n.Kind {
	case "pink":
		return &shaped{random: r, poles: pinkPoles(rateHz)}
	case "brown":
		return &shaped{random: r, poles: []pole{{k: coefficient(25, rateHz), gain: 1}}}
	case "traffic":
		return &traffic{shaped: shaped{random: r, poles: []pole{{k: coefficient(90, rateHz), gain: 1}}}, rateHz: rateHz}
	case "fan":
		f := &fan{rateHz: rateHz, shaped: shaped{random: r, poles: []pole{{k: coefficient(300, rateHz), gain: 1}}}}
		for i, db := range []float64{0, -5, -9, -14, -20} {
			f.lines = append(f.lines, line{hz: float64(or(118)*float64(i+1)) * (1 + float64(0.002*r.Normal())), gain: exact.Amplitude(db - 6), rateHz: rateHz, phase: r.Uniform()})
		}
		return f
	case "hum", "roomhum":
		f := &fan{rateHz: rateHz, driftHz: n.Drift / 60}
		for i, db := range []float64{-4, 0, -6, -12, -9, -18, -14, -24} {
			f.lines = append(f.lines, line{hz: or(50) * float64(i+1), order: float64(i + 1), gain: exact.Amplitude(db), rateHz: rateHz, phase: r.Uniform()})
		}
		return f
	}
	return &shaped{random: r, poles: []pole{{k: 1, gain: 1}}} // hiss, white
}

type pole struct{ k, gain, state float64 }

func coefficient(hz, rateHz float64) float64 { return 1 - exact.Exp(-2*math.Pi*hz/rateHz) }

// pinkPoles fall 3 dB an octave within half a decibel from 20 Hz up: one
// first-order low-pass to each two octaves, 6 dB below the one under it.
func pinkPoles(rateHz float64) []pole {
	var out []pole
	gain := 1.0
	for hz := 10.0; hz < 0.4*rateHz; hz *= 4 {
		out = append(out, pole{k: coefficient(hz, rateHz), gain: gain})
		gain /= 2
	}
	return append(out, pole{k: 1, gain: gain})
}

// shaped is white noise through parallel low-passes.
type shaped struct {
	random *exact.Random
	poles  []pole
}

func (s *shaped) add(x []float64, gain float64) {
	for i := range x {
		w := gain * s.random.White()
		for j := range s.poles {
			p := &s.poles[j]
			p.state += float64(p.k * (w - p.state))
			x[i] += float64(p.gain * p.state)
		}
	}
}

// traffic is low noise that swells as cars pass.
type traffic struct {
	shaped
	rateHz      float64
	at          float64 // seconds
	peak, width float64 // of the pass that is on
	size        float64
}

func (t *traffic) add(x []float64, gain float64) {
	const chunk = 64
	for len(x) > 0 {
		n := min(chunk, len(x))
		if t.at >= t.peak+3*t.width {
			t.width = t.random.Between(1.2, 3.5)
			t.peak = t.at + float64(3*t.width) + t.random.Between(0, 9)
			t.size = t.random.Between(1, 4)
		}
		d := (t.at - t.peak) / t.width
		t.shaped.add(x[:n], gain*(0.6+float64(t.size*exact.Exp(-float64(d*d)))))
		t.at += float64(n) / t.rateHz
		x = x[n:]
	}
}

// fan is a set of lines over low noise; without poles it is hum.
type fan struct {
	shaped
	lines   []line
	rateHz  float64
	driftHz float64 // a second; turns round where the fundamental is 0.3 Hz off
	offset  float64 // Hz
}

type line struct{ hz, order, gain, rateHz, phase float64 }

func (f *fan) add(x []float64, gain float64) {
	if len(f.poles) > 0 {
		f.shaped.add(x, gain)
	}
	for i := range f.lines {
		f.lines[i].add(x, gain, f.offset)
	}
	f.offset += float64(f.driftHz*float64(len(x))) / f.rateHz
	if math.Abs(f.offset) > 0.3 {
		f.driftHz = -f.driftHz
	}
}

// add turns a phasor, set anew at each call and every 64 samples.
func (l *line) add(x []float64, gain, offsetHz float64) {
	const chunk = 64
	hz := l.hz + float64(l.order*offsetHz)
	turn := float64(2*math.Pi) * hz / l.rateHz
	c, s := exact.Cos(turn), exact.Sin(turn)
	g := gain * l.gain
	for len(x) > 0 {
		n := min(chunk, len(x))
		re, im := exact.Cos(float64(2*math.Pi)*l.phase), exact.Sin(float64(2*math.Pi)*l.phase)
		for i := range x[:n] {
			x[i] += float64(g * im)
			re, im = float64(re*c)-float64(im*s), float64(re*s)+float64(im*c)
		}
		l.phase += float64(hz*float64(n)) / l.rateHz
		l.phase -= math.Floor(l.phase)
		x = x[n:]
	}
}
