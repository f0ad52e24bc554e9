package codec

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"time"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// Lame is the lame program, which encodes MP3.
type Lame struct {
	Path    string
	Version string // "lame 3.100": part of what names a result
}

// FindLame looks for the program on PATH and asks for its version.
func FindLame() (Lame, error) {
	path, err := exec.LookPath("lame")
	if err != nil {
		return Lame{}, pipeline.Errorf(pipeline.Infra, "make MP3", "the lame program is not on PATH: install the lame package to get MP3")
	}
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	ask := exec.CommandContext(ctx, path, "--version")
	ask.Env = []string{"PATH=" + os.Getenv("PATH")} // it is asked from a process whose environment may hold secrets
	out, err := ask.Output()
	if err != nil {
		return Lame{}, pipeline.Errorf(pipeline.Infra, "make MP3", "%s does not tell its version (%w): install the lame package again", path, err)
	}
	m := regexp.MustCompile(`version (\d+\.\S+)`).FindSubmatch(out)
	if m == nil {
		return Lame{}, pipeline.Errorf(pipeline.Infra, "make MP3", "%s does not tell its version: install the lame package again", path)
	}
	return Lame{Path: path, Version: "lame " + string(m[1])}, nil
}

// MP3Options are how a file is encoded: constant bit rate, mono or joint stereo.
type MP3Options struct {
	Kbps     int
	RateHz   int     // of the WAV too: nothing is resampled
	Channels int     // of the WAV too: nothing is mixed
	ScaleDB  float64 // gain on top of what undoes LevelChangeDB
}

// LevelChangeDB is how much quieter or louder lame 3.100 makes a signal at a
// constant bit rate, dB: its presets scale the input by 0.95 up to 160 kbps,
// 0.97 at 192, 0.98 at 224 and 1 above. Measured with a 997 Hz sine at
// -20 dBFS, mono and joint stereo, 44.1 kHz; the same at other sample rates.
func LevelChangeDB(kbps int) float64 {
	switch {
	case kbps <= 160:
		return -0.4455
	case kbps <= 192:
		return -0.2646
	case kbps <= 224:
		return -0.1755
	default:
		return 0
	}
}

// Encode makes mp3Path from wavPath, a WAV of integers: of float files lame
// brings the peak to full scale first. Use 24 bits or more, not dithered. The
// encoder's own level change is undone, so that a decode has the WAV's level.
// The file has an Info tag and no ID3 tag; it was walked with CheckCBR, and
// holds as many frames as the WAV. The program ends with ctx.
func (l Lame) Encode(ctx context.Context, wavPath, mp3Path string, o MP3Options) error {
	op := "encode " + filepath.Base(wavPath)
	src, err := Open(wavPath)
	if err != nil {
		return err
	}
	in := src.Info()
	src.Close()
	if in.Format != pipeline.WAV || in.Float || in.Bits < 16 || in.RateHz != o.RateHz || in.Channels != o.Channels || in.Channels > 2 {
		return pipeline.Errorf(pipeline.Bug, op, "lame is given %s of %d Hz, %d channels, %d bits (float %t) for an MP3 of %d Hz, %d channels",
			in.Format, in.RateHz, in.Channels, in.Bits, in.Float, o.RateHz, o.Channels)
	}
	mode := "m"
	if o.Channels == 2 {
		mode = "j"
	}
	scale := math.Pow(10, (o.ScaleDB-LevelChangeDB(o.Kbps))/20)
	cmd := exec.CommandContext(ctx, l.Path, "--quiet", "--noreplaygain", "--cbr",
		"-b", strconv.Itoa(o.Kbps), "-m", mode,
		"--resample", strconv.FormatFloat(float64(o.RateHz)/1000, 'f', -1, 64), // else low bit rates lower it
		"--scale", strconv.FormatFloat(scale, 'f', 6, 64),
		asArgument(wavPath), asArgument(mp3Path))
	cmd.SysProcAttr = endsWithUs()
	cmd.WaitDelay = 5 * time.Second
	var said bytes.Buffer
	cmd.Stderr = &limitedWriter{to: &said, left: 4096}
	if err := cmd.Run(); err != nil {
		os.Remove(mp3Path)
		if ctx.Err() != nil {
			return &pipeline.Error{Op: op, Kind: pipeline.Infra, Err: ctx.Err()}
		}
		why := strings.TrimSpace(said.String())
		if strings.Contains(why, "Error writing mp3 output") { // the disk's fault, not the recording's
			return pipeline.Errorf(pipeline.Infra, op, "%s can't write the file (%w): make room on the disk that holds the scratch folder", l.Version, err)
		}
		return pipeline.Errorf(pipeline.Crash, op, "%s failed (%w): %s", l.Version, err, why)
	}
	if err := l.proveEncoded(mp3Path, in.Frames, o); err != nil {
		os.Remove(mp3Path)
		return &pipeline.Error{Op: op, Kind: pipeline.Crash, Err: err}
	}
	return nil
}

// endsWithUs has the kernel end a program together with this process, also
// when that is killed: nobody would wait for what it makes.
func endsWithUs() *syscall.SysProcAttr { return &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} }

// proveEncoded holds the file against what was asked for.
func (l Lame) proveEncoded(path string, frames dsp.Frames, o MP3Options) error {
	i, err := checkCBR(path)
	if err != nil {
		return fmt.Errorf("what %s wrote %w", l.Version, err)
	}
	if i.RateHz != o.RateHz || i.Channels != o.Channels || i.Kbps != o.Kbps || i.Frames != frames {
		return fmt.Errorf("%s wrote %d frames at %d Hz, %d channels, %d kbps where %d frames at %d Hz, %d channels, %d kbps were asked for",
			l.Version, i.Frames, i.RateHz, i.Channels, i.Kbps, frames, o.RateHz, o.Channels, o.Kbps)
	}
	return nil
}

// asArgument keeps a path from being taken for an option.
func asArgument(path string) string {
	if strings.HasPrefix(path, "-") {
		return "./" + path
	}
	return path
}

// limitedWriter keeps the first bytes of what a program says.
type limitedWriter struct {
	to   *bytes.Buffer
	left int
}

func (w *limitedWriter) Write(b []byte) (int, error) {
	keep := b[:min(len(b), w.left)]
	w.to.Write(keep)
	w.left -= len(keep)
	return len(b), nil
}
