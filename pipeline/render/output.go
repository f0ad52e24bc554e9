package render

import (
	"os"
	"time"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
)

// growS is how often a file that another program writes is looked at.
const growS = 2

// output is a file being written in a spec's format.
type output struct {
	path string
	to   interface {
		Write(ch [][]float64) error
		Close() error
	}
	dither *dithers
	views  [][]float64
	buf    []float64
	mixed  []float64
	speech *meter.SpeechMeter // of the mean of all channels
	frames dsp.Frames
	encode func() error // after the last sample; nil: path is the file already
	err    error
}

// masterBits is the precision MP3 is encoded from: undithered, its rounding
// 50 dB under the quietest booth.
const masterBits = 24

// openOutput begins a file; what its samples' dither hangs on is the caller's.
func (b *bench) openOutput(r pipeline.FileRecipe, path string) (*output, error) {
	f := r.Format
	o := &output{path: path, views: make([][]float64, f.Channels), speech: meter.NewSpeech(f.RateHz)}
	var err error
	switch f.Format {
	case pipeline.FLAC:
		o.to, err = codec.CreateFLAC(path, f.RateHz, f.Channels, f.Bits)
	case pipeline.WAV:
		o.to, err = codec.CreateWAV(path, f.RateHz, f.Channels, f.Bits, false)
	case pipeline.MP3:
		lame, missing := codec.FindLame()
		if missing != nil {
			return nil, pipeline.Errorf(pipeline.Infra, "mp3", "%w", missing)
		}
		if lame.Version != r.Encoder {
			return nil, pipeline.Errorf(pipeline.Infra, "mp3", "the job asks for %s and this machine has %s: run one version on every worker", r.Encoder, lame.Version)
		}
		master := path + ".wav"
		o.to, err = codec.CreateWAV(master, f.RateHz, f.Channels, masterBits, false)
		o.encode = func() error {
			defer os.Remove(master)
			defer b.whileGrows(path, 0.8)()
			return lame.Encode(b.ctx, master, path, codec.MP3Options{Kbps: f.Kbps, RateHz: f.RateHz, Channels: f.Channels})
		}
	default:
		return nil, pipeline.Errorf(pipeline.House, "spec", "no format is called %q: use flac, wav or mp3", f.Format)
	}
	if err != nil {
		return nil, scratchError(err)
	}
	return o, nil
}

// dithered tells whether a format's samples are rounded so coarsely that they
// are dithered first.
func dithered(f pipeline.FileFormat) bool { return f.Format != pipeline.MP3 && f.Bits == 16 }

// write takes the next block of one channel, which every channel of the file gets.
func (o *output) write(y []float64) {
	if o.dither != nil {
		o.buf = append(o.buf[:0], y...)
		o.dither.process(o.buf)
		y = o.buf
	}
	for i := range o.views {
		o.views[i] = y
	}
	o.hear(y)
	o.put(o.views)
}

// writeAll takes the next block of every channel.
func (o *output) writeAll(ch [][]float64) {
	o.mixed = mix(o.mixed, ch)
	o.hear(o.mixed)
	o.put(ch)
}

// hear measures what a decoder will give back: no decoder is asked twice.
func (o *output) hear(y []float64) {
	o.speech.Write(y)
	o.frames += dsp.Frames(len(y))
}

// mix is the mean of channels, in into.
func mix(into []float64, ch [][]float64) []float64 {
	into = append(into[:0], ch[0]...)
	for _, other := range ch[1:] {
		for i, v := range other {
			into[i] += v
		}
	}
	if len(ch) > 1 {
		for i := range into {
			into[i] /= float64(len(ch))
		}
	}
	return into
}

// put writes a block; a first error is kept and stops the rest.
func (o *output) put(ch [][]float64) {
	if o.err != nil {
		return
	}
	if err := o.to.Write(ch); err != nil {
		o.err = scratchError(err)
	}
}

func (o *output) close() error {
	if err := o.to.Close(); err != nil && o.err == nil {
		o.err = scratchError(err)
	}
	if o.err == nil && o.encode != nil {
		o.err = o.encode()
	}
	return o.err
}

// whileGrows says progress for as long as another program makes a file grow,
// so that a long encode does not look like a job that stands still. The
// function it returns ends that.
func (b *bench) whileGrows(path string, part float64) (end func()) {
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		t := time.NewTicker(growS * time.Second)
		defer t.Stop()
		var last int64
		for {
			select {
			case <-stop:
				return
			case <-t.C:
			}
			if info, err := os.Stat(path); err == nil && info.Size() != last {
				last = info.Size()
				b.progress(part)
			}
		}
	}()
	return func() {
		close(stop)
		<-stopped
	}
}
