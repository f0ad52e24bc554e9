// Package booth puts a dry voice and its noises into a small room: image
// sources after Allen and Berkley (1979), walls that swallow highs better than
// lows, noise from a place of its own, and after the room the hiss of a
// preamp.
package booth

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"chapterhouse/testdata/voices/exact"
)

const soundMS = 343.2 // m/s at 20 degrees

// lead is what the responses may hold before the direct sound: the first half
// of its interpolation kernel.
const lead = 24

// A Booth is a rectangular room. Places are shares of width, depth and height.
type Booth struct {
	WidthM, DepthM, HeightM float64
	Low, High               float64 // absorption of the walls below and above 400 Hz, 0..1
	Voice, Mic, Noise       [3]float64
	TailS                   float64     // how long the walls are heard above 400 Hz; 0: 0.05 s, which a padded booth takes
	Colour                  [23]float64 // dB in third octaves from 100 Hz: mouth and microphone
}

// Default places: the narrator off the middle, the microphone in front of the
// mouth, noise from high on the wall behind.
var (
	defaultVoice = [3]float64{0.46, 0.38, 0.60}
	defaultMic   = [3]float64{0.47, 0.56, 0.62}
	defaultNoise = [3]float64{0.08, 0.93, 0.93}
)

// Parse reads "1.35x1.1x2.1,low=0.15,high=0.6": width, depth and height in
// metres and the absorption of the walls; bare ones want tail=0.35 besides, in
// seconds. "none" is the free field.
func Parse(text string) (Booth, error) {
	b := Booth{Low: 0.15, High: 0.6, Voice: defaultVoice, Mic: defaultMic, Noise: defaultNoise}
	if text == "" || text == "none" {
		return b, nil
	}
	fields := strings.Split(text, ",")
	if n, err := fmt.Sscanf(fields[0], "%fx%fx%f", &b.WidthM, &b.DepthM, &b.HeightM); n != 3 || err != nil {
		return b, fmt.Errorf("booth %q: want width x depth x height in metres, as 1.35x1.1x2.1", text)
	}
	for _, m := range []float64{b.WidthM, b.DepthM, b.HeightM} {
		if m < 0.6 || m > 6 {
			return b, fmt.Errorf("booth %q: sides go from 0.6 to 6 m", text)
		}
	}
	for _, f := range fields[1:] {
		key, value, _ := strings.Cut(f, "=")
		a, err := strconv.ParseFloat(value, 64)
		if key == "tail" && err == nil && a > 0.05 && a <= 0.37 {
			b.TailS = a
			continue
		}
		if err != nil || a < 0.02 || a > 0.98 {
			return b, fmt.Errorf("booth %q: absorption goes from 0.02 to 0.98, as low=0.15", text)
		}
		switch key {
		case "low":
			b.Low = a
		case "high":
			b.High = a
		default:
			return b, fmt.Errorf("booth %q: %q is neither low, high nor tail", text, key)
		}
	}
	return b, nil
}

// fineS is how long reflections are placed between samples.
const fineS = 0.05

// Reverberant is the booth with bare walls: it takes so many seconds to fall by
// 60 dB (Eyring 1930), 0.37 at most.
func (b Booth) Reverberant(seconds float64) Booth {
	volume := b.WidthM * b.DepthM * b.HeightM
	walls := 2 * (float64(b.WidthM*b.DepthM) + float64(b.WidthM*b.HeightM) + float64(b.DepthM*b.HeightM))
	b.Low = 1 - exact.Exp(-0.161*volume/(walls*seconds))
	b.High, b.TailS = b.Low, seconds
	return b
}

// String is the booth as Parse reads it.
func (b Booth) String() string {
	if b.Free() {
		return "none"
	}
	text := fmt.Sprintf("%gx%gx%g,low=%g,high=%g", b.WidthM, b.DepthM, b.HeightM, b.Low, b.High)
	if b.TailS > 0 {
		text += fmt.Sprintf(",tail=%g", b.TailS)
	}
	return text
}

// Free tells whether there are no walls.
func (b Booth) Free() bool { return b.WidthM == 0 }

// Response is the impulse response from a place to the microphone, n samples
// at rateHz, the direct sound of unit size at sample lead.
func (b Booth) Response(from [3]float64, rateHz float64, n int) []float64 {
	if b.Free() {
		out := make([]float64, n)
		out[lead] = 1
		return out
	}
	low, high := make([]float64, n), make([]float64, n)
	b.images(low, from, b.Low, rateHz, float64(n)/rateHz, false)
	b.images(high, from, b.High, rateHz, max(fineS, b.TailS), true)
	// One response below 400 Hz, the other above: both begin with the same
	// direct sound, so the join leaves that as it is.
	fft := exact.NewFFT(2 * n)
	lr, li := padded(low, 2*n), make([]float64, 2*n)
	hr, hi := padded(high, 2*n), make([]float64, 2*n)
	fft.Forward(lr, li)
	fft.Forward(hr, hi)
	for k := range lr {
		hz := float64(min(k, 2*n-k)) * rateHz / float64(2*n)
		x := hz / 400
		x *= x
		w := 1 / (1 + float64(x*x))
		lr[k] = float64(w*lr[k]) + float64((1-w)*hr[k])
		li[k] = float64(w*li[k]) + float64((1-w)*hi[k])
	}
	fft.Inverse(lr, li)
	out := lr[:n]
	fade := n / 8
	for i := range fade {
		out[n-1-i] *= float64(i) / float64(fade)
	}
	return out
}

func padded(x []float64, n int) []float64 {
	out := make([]float64, n)
	copy(out, x)
	return out
}

// images adds every image source that arrives within so many seconds.
func (b Booth) images(out []float64, from [3]float64, absorption, rateHz, seconds float64, fine bool) {
	side := [3]float64{b.WidthM, b.DepthM, b.HeightM}
	beta := math.Sqrt(1 - absorption)
	var source, mic [3]float64
	direct := 0.0
	for a := range side {
		source[a], mic[a] = side[a]*from[a], side[a]*b.Mic[a]
		direct += float64((source[a] - mic[a]) * (source[a] - mic[a]))
	}
	direct = math.Sqrt(direct)
	reach := float64(seconds*soundMS) + direct
	powers := make([]float64, 4096)
	powers[0] = 1
	for i := 1; i < len(powers); i++ {
		powers[i] = powers[i-1] * beta
	}
	// Along each axis: squared distance and number of reflections of every image.
	type image struct {
		square float64
		walls  int
	}
	var axis [3][]image
	for a := range side {
		limit := int(reach/(2*side[a])) + 1
		for r := -limit; r <= limit; r++ {
			for p := 0; p <= 1; p++ {
				x := float64(1-2*p)*source[a] + 2*float64(r)*side[a] - mic[a]
				axis[a] = append(axis[a], image{float64(x * x), abs(r-p) + abs(r)})
			}
		}
	}
	for _, ix := range axis[0] {
		for _, iy := range axis[1] {
			if ix.square+iy.square > float64(reach*reach) {
				continue
			}
			for _, iz := range axis[2] {
				square := ix.square + iy.square + iz.square
				if square > float64(reach*reach) {
					continue
				}
				d := math.Sqrt(square)
				walls := ix.walls + iy.walls + iz.walls
				if walls >= len(powers) {
					continue
				}
				place(out, lead+float64((d-direct)/soundMS*rateHz), powers[walls]*direct/d, fine && d-direct <= float64(fineS*soundMS))
			}
		}
	}
}

func abs(n int) int {
	if n < 0 {
		return -n
	}
	return n
}

// place adds an impulse between two samples: by a windowed sinc where highs
// matter (Peterson 1986), else by a line.
func place(out []float64, at, gain float64, fine bool) {
	k := int(math.Floor(at))
	frac := at - float64(k)
	if !fine {
		if k >= 0 && k+1 < len(out) {
			out[k] += float64(gain * (1 - frac))
			out[k+1] += float64(gain * frac)
		}
		return
	}
	sin := exact.Sin(math.Pi * frac)
	for i := -lead + 1; i <= lead; i++ {
		if k+i < 0 || k+i >= len(out) {
			continue
		}
		x := float64(i) - frac
		sinc := 1.0
		if math.Abs(x) > 1e-9 {
			// sin(pi (i-frac)) = -(-1)^i sin(pi frac)
			sign := -1.0
			if i&1 != 0 {
				sign = 1
			}
			sinc = sign * sin / (math.Pi * x)
		}
		window := 0.5 + float64(0.5*exact.Cos(math.Pi*x/(lead+1)))
		out[k+i] += float64(gain*sinc) * window
	}
}
