package intake

import (
	"errors"
	"io"
	"io/fs"
	"math"
	"os"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/codec"
)

const (
	wholeS   = 60.0 // a file up to this long is heard whole, where the title's share allows
	stretchS = 1.0  // heard at a place
	windowS  = 0.05 // that levels are taken of
)

// look fills in what the file at path is; false where there is none. share is
// how many seconds of it may be heard.
func (f *File) look(path string, share float64) bool {
	info, err := os.Stat(path)
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			f.Fault = err.Error()
		}
		return f.Fault != ""
	}
	f.Bytes = info.Size()
	src, err := codec.OpenSource(path, f.Path)
	if err != nil {
		f.fail(err)
		return true
	}
	defer src.Close()
	is := src.Info()
	f.Format, f.RateHz, f.Channels, f.Bits, f.Float = is.Format, is.RateHz, is.Channels, is.Bits, is.Float
	f.LengthS, f.Notes, f.Bext = dsp.Round2(is.Seconds()), is.Notes, is.Bext
	heard, err := hear(src, share)
	if err != nil {
		f.fail(err)
		return true
	}
	f.Heard = heard
	return true
}

// fail keeps why the file can't be used, without its name.
func (f *File) fail(err error) {
	var e *pipeline.Error
	if errors.As(err, &e) {
		err = e.Err
	}
	f.Fault = err.Error()
}

// hear samples a source: all of it, or stretches at even distances.
func hear(src *codec.Reader, share float64) (*Heard, error) {
	is := src.Info()
	m := newSample(is)
	if length := is.Seconds(); length <= min(wholeS, share) {
		err := m.read(src, 0, is.Frames)
		if h := m.heard(); err == nil {
			h.Whole = true
			return h, nil
		}
		return nil, err
	}
	places := max(6, min(20, int(share/stretchS)))
	for i := range places {
		to := dsp.Frames((float64(i) + 0.5) / float64(places) * float64(is.Frames))
		at, err := src.Jump(to)
		if err == nil {
			err = m.read(src, at, dsp.FramesIn(stretchS, is.RateHz))
		}
		if err != nil {
			return nil, err
		}
	}
	return m.heard(), nil
}

// sample gathers what is heard of a file.
type sample struct {
	rateHz  int
	frames  dsp.Frames
	peak    float64
	power   []float64 // of each window, of the louder channel
	clipped []float64 // seconds
	clip    check.Check
	buf     [][]float64
}

func newSample(is codec.Info) *sample {
	m := &sample{rateHz: is.RateHz, buf: make([][]float64, is.Channels)}
	for _, c := range check.Builtin() {
		if c.Name == "clipped" {
			m.clip = c
		}
	}
	for c := range m.buf {
		m.buf[c] = make([]float64, dsp.FramesIn(windowS, is.RateHz))
	}
	return m
}

// read hears n frames from the frame at, which src stands at.
func (m *sample) read(src *codec.Reader, at, n dsp.Frames) error {
	ears := make([]check.Listener, len(m.buf))
	for c := range ears {
		ears[c] = m.clip.Listen(check.Part{RateHz: m.rateHz})
	}
	ch := slices.Clone(m.buf)
	for n > 0 {
		for c := range ch {
			ch[c] = m.buf[c][:min(n, dsp.Frames(len(m.buf[c])))]
		}
		got, err := src.Read(ch)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		loudest := 0.0
		for c, x := range ch {
			ears[c].Hear(x[:got])
			sum := 0.0
			for _, v := range x[:got] {
				sum += float64(v * v)
				m.peak = max(m.peak, math.Abs(v))
			}
			loudest = max(loudest, sum/float64(got))
		}
		if got == len(m.buf[0]) { // a shorter last window says little
			m.power = append(m.power, loudest)
		}
		m.frames += dsp.Frames(got)
		n -= dsp.Frames(got)
	}
	for _, ear := range ears {
		for _, s := range ear.Heard() {
			m.clipped = append(m.clipped, dsp.Round2((at + s.From).Seconds(m.rateHz)))
		}
	}
	return nil
}

func (m *sample) heard() *Heard {
	h := &Heard{Seconds: dsp.Round2(m.frames.Seconds(m.rateHz)), Peak: level(m.peak * m.peak), Clipped: m.clipped}
	slices.Sort(h.Clipped)
	h.Clipped = slices.Compact(h.Clipped)
	h.Speech, h.Floor = level(0), level(0)
	if len(m.power) > 0 {
		h.Speech = level(speechPower(m.power))
		slices.Sort(m.power)
		h.Floor = level(m.power[len(m.power)/20])
	}
	return h
}

// speechPower is the mean of the windows that are active: less than the margin
// of ITU-T P.56 under that mean, or within its hangover of 200 ms after such a
// one. power is in the order of time and not empty.
func speechPower(power []float64) float64 {
	const (
		under    = 0.0257 // 10^(-15.9/10)
		hangover = 4      // windows
		rounds   = 20     // the mean only rises, and stops when no window falls out
	)
	mean := 0.0
	for range rounds {
		sum, n, since := 0.0, 0, hangover
		for _, p := range power {
			if since++; p >= float64(under*mean) {
				since = 0
			}
			if since <= hangover {
				sum += p
				n++
			}
		}
		if now := sum / float64(n); now > mean {
			mean = now
		} else {
			break
		}
	}
	return mean
}

func level(power float64) dsp.DBFS { return dsp.DBFS(dsp.Round2(10 * math.Log10(power))) }
