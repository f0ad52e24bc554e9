package booth

import (
	"math"

	"chapterhouse/testdata/voices/exact"
)

// A Setup is everything between the mouth and the file.
type Setup struct {
	Booth      Booth
	Noises     []Noise
	SpeechDBFS float64 // plain RMS while plain speech is spoken
	DriftDB    float64 // the level falls by so much in ten minutes, evenly
	RateHz     float64
	Seed       uint64
}

// block is the number of frames that pass at a time: half the transform.
func block(rateHz float64) int {
	if rateHz > 50000 {
		return 32768
	}
	return 16384
}

// A Recorder takes dry voice in and hands what the converter saw, full scale
// ±1 and not yet clipped, to Out.
type Recorder struct {
	Out func([]float64) error

	setup       Setup
	fft         *exact.FFT
	n           int
	voice       spectrum // through the booth to the microphone
	noise       spectrum
	re, im      []float64 // the last block and this one: voice and room noise
	wire        []float64
	fill        int
	room, after []source
	gain        float64 // of unit voice
	done        int64   // frames handed out
	skip        int     // frames of lead still to drop
}

type spectrum struct{ re, im []float64 }

type source struct {
	generator
	gain float64
}

// New sets up the room. calibration is dry plain speech of unit level: what
// it comes to at the microphone is what Setup.SpeechDBFS sets.
func New(s Setup, calibration []float64, out func([]float64) error) *Recorder {
	n := block(s.RateHz)
	r := &Recorder{Out: out, setup: s, n: n, fft: exact.NewFFT(2 * n),
		re: make([]float64, 2*n), im: make([]float64, 2*n), wire: make([]float64, n)}
	r.voice = r.path(s.Booth.Voice, s.Booth.Colour)
	r.noise = r.path(s.Booth.Noise, [23]float64{})
	r.gain = exact.Amplitude(s.SpeechDBFS) / r.levelOf(calibration)
	for i, n := range s.Noises {
		name := n.Kind + string(rune('0'+i))
		src := source{n.generator(s.RateHz, exact.NewRandom(s.Seed, name)), 1}
		src.gain = exact.Amplitude(n.DBFS) / r.noiseLevel(n, name)
		if n.throughRoom() {
			r.room = append(r.room, src)
		} else {
			r.after = append(r.after, src)
		}
	}
	r.reset()
	return r
}

func (r *Recorder) reset() {
	clear(r.re)
	clear(r.im)
	r.fill, r.done, r.skip = 0, 0, lead
}

func (r *Recorder) path(from [3]float64, db [23]float64) spectrum {
	re := padded(r.setup.Booth.Response(from, r.setup.RateHz, r.n), 2*r.n)
	im := make([]float64, 2*r.n)
	r.fft.Forward(re, im)
	colour(r.fft, re, im, db, r.setup.RateHz)
	// The colour lengthens the response a little: cut it to what overlap-save holds.
	r.fft.Inverse(re, im)
	clear(re[r.n:])
	clear(im)
	r.fft.Forward(re, im)
	return spectrum{re, im}
}

// levelOf is the RMS of dry sound behind the voice's path, over its first block.
func (r *Recorder) levelOf(dry []float64) float64 {
	r.reset()
	sum, n := 0.0, 0
	for len(dry) >= r.n {
		copy(r.re[:r.n], r.re[r.n:])
		copy(r.re[r.n:], dry[:r.n])
		y := r.convolve()
		for _, v := range y {
			sum += float64(v * v)
		}
		n += len(y)
		dry = dry[r.n:]
	}
	r.reset()
	return math.Sqrt(sum / float64(max(n, 1)))
}

// noiseLevel is the RMS of a noise at the microphone over some twelve
// seconds, from a generator of its own.
func (r *Recorder) noiseLevel(n Noise, name string) float64 {
	g := n.generator(r.setup.RateHz, exact.NewRandom(r.setup.Seed, name))
	r.reset()
	sum, count := 0.0, 0
	for b := range 32 {
		x := make([]float64, r.n)
		g.add(x, 1)
		if n.throughRoom() {
			copy(r.im[:r.n], r.im[r.n:])
			copy(r.im[r.n:], x)
			x = r.convolve()
		}
		if b == 0 {
			continue // the room fills, filters settle
		}
		for _, v := range x {
			sum += float64(v * v)
		}
		count += len(x)
	}
	return math.Sqrt(sum / float64(count))
}

// convolve is this block of voice and room noise at the microphone. One
// transform carries both, the voice in its real part, the noise in its
// imaginary; the sum of the two products is one real signal.
func (r *Recorder) convolve() []float64 {
	size := 2 * r.n
	zr, zi := append([]float64{}, r.re...), append([]float64{}, r.im...)
	r.fft.Forward(zr, zi)
	yr, yi := make([]float64, size), make([]float64, size)
	for k := range size {
		m := (size - k) % size
		vr, vi := (zr[k]+zr[m])/2, (zi[k]-zi[m])/2
		nr, ni := (zi[k]+zi[m])/2, (zr[m]-zr[k])/2
		hr, hi := r.voice.re[k], r.voice.im[k]
		gr, gi := r.noise.re[k], r.noise.im[k]
		yr[k] = float64(vr*hr) - float64(vi*hi) + (float64(nr*gr) - float64(ni*gi))
		yi[k] = float64(vr*hi) + float64(vi*hr) + (float64(nr*gi) + float64(ni*gr))
	}
	r.fft.Inverse(yr, yi)
	return yr[r.n:]
}

// Record takes dry voice, unit level for plain speech.
func (r *Recorder) Record(dry []float64) error {
	for len(dry) > 0 {
		n := min(len(dry), r.n-r.fill)
		for i, v := range dry[:n] {
			r.re[r.n+r.fill+i] = float64(r.gain * v)
		}
		r.fill += n
		dry = dry[n:]
		if r.fill == r.n {
			if err := r.pass(r.n); err != nil {
				return err
			}
		}
	}
	return nil
}

// Flush hands out what is left, so that as many frames come out as went in.
func (r *Recorder) Flush(total int64) error {
	for r.done < total {
		left := int(min(total-r.done+int64(r.skip), int64(r.n)))
		clear(r.re[r.n+r.fill:])
		if err := r.pass(left); err != nil {
			return err
		}
	}
	return nil
}

// pass moves one block through the room and hands out its first keep frames.
func (r *Recorder) pass(keep int) error {
	clear(r.im[r.n:])
	clear(r.wire)
	for _, s := range r.room {
		s.add(r.im[r.n:], s.gain)
	}
	for _, s := range r.after {
		s.add(r.wire, s.gain)
	}
	out := r.convolve()
	perFrame := -r.setup.DriftDB / (600 * r.setup.RateHz)
	gain := exact.Amplitude(perFrame * float64(r.done))
	turn := exact.Amplitude(perFrame)
	for i := range out {
		out[i] = float64(gain*out[i]) + r.wire[i]
		gain *= turn
	}
	copy(r.re[:r.n], r.re[r.n:])
	copy(r.im[:r.n], r.im[r.n:])
	clear(r.re[r.n:])
	r.fill = 0
	out = out[:keep]
	drop := min(r.skip, len(out))
	r.skip -= drop
	out = out[drop:]
	r.done += int64(len(out))
	return r.Out(out)
}
