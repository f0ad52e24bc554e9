package clinic

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/codec"
	"chapterhouse/pipeline/render"
)

// longestReadS bounds what is held in memory; a test read is a few minutes.
const longestReadS = 1200.0

// Open reads a test read from a file, WAV, FLAC or MP3, and hears it. Errors are
// of kind Source: what is wrong with the file.
func Open(path string, f Form) (*Read, error) {
	name := filepath.Base(path)
	src, err := codec.Open(path)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	is := src.Info()
	if seconds := is.Frames.Seconds(is.RateHz); seconds > longestReadS {
		return nil, pipeline.Errorf(pipeline.Source, name, "it is %.0f minutes long; a test read is one to five minutes, and %.0f are the most that is heard", seconds/60, longestReadS/60)
	}
	sides := make([][]float64, is.Channels)
	buf := make([][]float64, is.Channels)
	for i := range buf {
		buf[i] = make([]float64, 8192)
	}
	for {
		n, err := src.Read(buf)
		for i := range buf {
			sides[i] = append(sides[i], buf[i][:n]...)
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
	}
	if len(sides) == 0 || len(sides[0]) == 0 {
		return nil, pipeline.Errorf(pipeline.Source, name, "it holds no sound: is it the right file?")
	}
	x, note := oneSide(sides)
	r := Hear(x, is.RateHz, f)
	r.File = name
	r.Notes = append(r.Notes, is.Notes...)
	if note != "" {
		r.Notes = append(r.Notes, note)
	}
	if r.Profile.SpeechS <= 0 {
		return nil, pipeline.Errorf(pipeline.Source, name, "nobody speaks in it: is it the right file?")
	}
	return r, nil
}

// oneSide is the channel that is heard, and why.
func oneSide(sides [][]float64) (x []float64, note string) {
	if len(sides) == 1 {
		return sides[0], ""
	}
	best, most := 0, -1.0
	for i, side := range sides {
		sum := 0.0
		for _, v := range side {
			sum += float64(v * v)
		}
		if sum > most {
			best, most = i, sum
		}
	}
	return sides[best], fmt.Sprintf("it has %d channels, of which the loudest, channel %d, was heard; one is enough for a voice", len(sides), best+1)
}

// Hear hears a test read of one channel: its profile as a night would make it,
// what the checks that listen find, and the signs.
func Hear(x []float64, rateHz int, f Form) *Read {
	r := &Read{RateHz: rateHz, SecondsS: dsp.Round2(dsp.Frames(len(x)).Seconds(rateHz)), Form: f, x: x}
	l := render.NewListener(rateHz)
	inBlocks(x, l.Write)
	r.Profile, r.Marks, r.Room = l.Result()
	r.Profile.Cut.RateHz, r.Profile.Cut.SourceRateHz = rateHz, rateHz
	r.Profile.Cut.Span = pipeline.Span{To: dsp.Frames(len(x))}
	ears := check.NewEars(check.Builtin(), check.Part{
		RateHz: rateHz, Frames: dsp.Frames(len(x)), Speech: r.speech(), Spoken: r.Profile.Cut.Speech,
		Floor: r.Profile.Floor, RoomTone: r.Profile.RoomTone, Marks: r.Marks,
	})
	inBlocks(x, func(x []float64) { ears.Hear(x, nil) })
	r.Findings, r.Likeness, r.clicks = ears.Heard(), ears.Likeness(), ears.Clicks()
	r.phrases = weighted(r)
	r.Places = placesOf(r, r.phrases)
	r.heard = listen(r)
	r.Signs = signsOf(r)
	return r
}

// inBlocks hands on x in blocks.
func inBlocks(x []float64, to func([]float64)) {
	for len(x) > 0 {
		n := min(len(x), 8192)
		to(x[:n])
		x = x[n:]
	}
}
