package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"chapterhouse/pipeline/spec"
)

// Limits of agreement. RMS and peak are plain sums: what is left is rounding,
// ours and sox's to 0.01 dB. ffmpeg's true peak is oversampled 4 times, ours 8
// times, and the fewer the lower it reads (ITU-R BS.1770-5 Annex 2).
const (
	levelLimitDB    = 0.01
	loudnessLimitLU = 0.02
	truePeakLimitDB = 0.2
	// libebur128 takes the same blocks as we, and our reading is rounded to 0.01
	// LU. For the range it looks once a second by itself, which leaves a tenth of
	// a LU to chance, and as often as we when ten of its meters are asked together.
	ebur128LimitLU      = 0.01
	ebur128RangeLimitLU = 0.1
	oversampledLimitDB  = 0.05
)

// realMinutes is a real length, from which on loudness ranges are held.
const realMinutes = 20

// blockS is the shortest file that has a loudness: one block of ITU-R BS.1770.
const blockS = 0.4

// absoluteGate is what ffmpeg calls a file with nothing above the absolute
// gate; we call it silence.
const absoluteGate = -70.0

// peers holds our meters beside ffmpeg's, sox's and libebur128's, on the demo
// title, its files of every built-in spec and two of a real length, and those of
// the specs against their windows.
func peers(ctx context.Context, s *site, t *table) error {
	if err := need("ffmpeg", "sox", "lame", "gcc"); err != nil {
		return err
	}
	files, err := audioIn(s.files) // a wrong folder is told before the work
	if err != nil {
		return err
	}
	program, err := s.build(ctx, "./cmd/chapterhouse")
	if err != nil {
		return err
	}
	title := filepath.Join(s.root, "testdata", "house", "titles", "eleven-tide-gates")
	s.say("processing the demo title")
	out := s.path("out")
	if _, err := call(ctx, nil, program, "process", title, "--spec", strings.Join(spec.Names(), ","), "--store", s.path("store"), "--out", out); err != nil {
		return err
	}
	for _, dir := range []string{title, out} {
		found, err := audioIn(dir)
		if err != nil {
			return err
		}
		files = append(files, found...)
	}
	real, err := s.realLengths(ctx)
	if err != nil {
		return err
	}
	files = append(files, real...)
	b := &beside{program: program, dir: s.path("decoded"), theirs: map[string]reading{}, between: newBetweenSamples()}
	if b.ebur128, err = s.buildEBUR128(ctx); err != nil {
		return err
	}
	if err := os.Mkdir(b.dir, 0o755); err != nil {
		return err
	}
	for i, f := range files {
		if i%10 == 0 {
			s.say("reading file %d of %d", i+1, len(files))
		}
		if err := b.file(ctx, f); err != nil {
			return err
		}
	}
	b.fill(t, len(files))
	return windows(ctx, t, filepath.Join(out, filepath.Base(title)), b.theirs)
}

// realLengths narrates two files of a real length.
func (s *site) realLengths(ctx context.Context) ([]string, error) {
	voices, err := s.build(ctx, "./testdata/voices")
	if err != nil {
		return nil, err
	}
	var files []string
	for _, r := range []struct{ voice, rate string }{{"marlow", "44100"}, {"wren", "48000"}} {
		s.say("narrating %d minutes", realMinutes+1)
		path := s.path(fmt.Sprintf("%s-%d-minutes.wav", r.voice, realMinutes+1))
		if _, err := call(ctx, nil, voices, "-voice", r.voice, "-rate", r.rate, "-minutes", fmt.Sprint(realMinutes+1),
			"-seed", fmt.Sprint(s.seed), "-noise", "pink:-66", "-speech", "-22", "-out", path); err != nil {
			return nil, err
		}
		files = append(files, path)
	}
	return files, nil
}

// audioIn lists a folder's audio files, and those of its folders.
func audioIn(dir string) ([]string, error) {
	if dir == "" {
		return nil, nil
	}
	var found []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() && slices.Contains([]string{".wav", ".flac", ".mp3"}, strings.ToLower(filepath.Ext(path))) {
			found = append(found, path)
		}
		return err
	})
	if err == nil && len(found) == 0 {
		err = fmt.Errorf("%s holds no wav, flac or mp3 file", dir)
	}
	return found, err
}

// A class is files that are compared alike.
type class string

const (
	lossless class = "wav and flac"
	decoded  class = "mp3, one decode by lame"
	direct   class = "mp3, each its own decode"
)

// beside gathers how far readings lie apart.
type beside struct {
	program string // chapterhouse
	dir     string // for decoded files
	apart   []apart
	notRead []string           // files that we can't read and ffmpeg can
	left    []string           // comparisons left out, and why
	theirs  map[string]reading // ffmpeg's, by path

	ebur128 string // our program around libebur128
	between *betweenSamples
	ranges  []string // loudness ranges of files of a real length
}

// apart is the worst difference of one meter over the files of a class.
type apart struct {
	what  string // meter and peer
	of    class
	limit float64
	unit  string
	worst float64
	on    string // the file of the worst
	files int
}

// file compares what everybody reads of one file. Peers that can't read it are
// left out, by name.
func (b *beside) file(ctx context.Context, path string) error {
	name := filepath.Base(path)
	if !strings.EqualFold(filepath.Ext(path), ".mp3") {
		return b.compare(ctx, name, lossless, path)
	}
	// Decoders trim an encoder's delay in different ways, so all read one
	// decode. lame is also what we decode with.
	wav := filepath.Join(b.dir, "decoded.wav")
	defer os.Remove(wav)
	if _, err := call(ctx, nil, "lame", "--quiet", "--decode", path, wav); err != nil {
		b.leave(name, "lame", err)
	} else if err := b.compare(ctx, name, decoded, wav); err != nil {
		return err
	}
	return b.compare(ctx, name, direct, path)
}

func (b *beside) compare(ctx context.Context, name string, of class, path string) error {
	theirs, peerErr := readFFmpeg(ctx, path)
	if peerErr == nil && of != decoded {
		b.theirs[path] = theirs
	}
	ours, err := readOurs(ctx, b.program, path)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		if peerErr == nil {
			b.notRead = append(b.notRead, fmt.Sprintf("%s: %v", name, err))
		}
		return nil
	}
	switch {
	case peerErr != nil:
		b.leave(name, "ffmpeg", peerErr)
	case of == direct:
		n, err := framesOf(ctx, path)
		if err == nil && n != ours.frames {
			err = fmt.Errorf("it decodes %d frames and we %d, so its decode is another signal", n, ours.frames)
		}
		if err != nil {
			b.leave(name, "ffmpeg", err)
			break
		}
		b.add(name, of, "ffmpeg", ours, theirs)
	default:
		b.add(name, of, "ffmpeg", ours, theirs)
	}
	if of == direct {
		return nil // Debian's sox reads no MP3
	}
	if peerErr == nil {
		if err := b.standard(ctx, name, of, path, ours); err != nil {
			return err
		}
	}
	theirs, err = readSox(ctx, path)
	if err == nil && ours.peak > 0 {
		err = errors.New("it clips what goes over full scale")
	}
	if err != nil {
		b.leave(name, "sox", err)
		return ctx.Err()
	}
	b.add(name, of, "sox", ours, theirs)
	return nil
}

// standard compares with libebur128, and with true peaks found another way.
func (b *beside) standard(ctx context.Context, name string, of class, path string, ours reading) error {
	raw := filepath.Join(b.dir, "samples.raw")
	defer os.Remove(raw)
	if err := toRaw(ctx, path, raw); err != nil {
		return err
	}
	theirs, err := readMeters(ctx, b.ebur128, ours.rateHz, ours.channels, raw)
	if err != nil {
		return err
	}
	if ours.seconds >= blockS {
		b.difference(name, of, "integrated loudness, libebur128", ebur128LimitLU, "LU", ours.loudness, theirs.loudness)
	}
	if ours.seconds >= 60*realMinutes {
		each, err := readRange(ctx, b.ebur128, ours.rateHz, ours.channels, raw)
		if err != nil {
			return err
		}
		b.ranges = append(b.ranges, fmt.Sprintf("%s: ours %.2f LU; libebur128 %.2f LU by itself, %.2f LU with windows every 0.1 s", name, ours.rangeLU, theirs.rangeLU, each))
		b.difference(name, of, "loudness range, libebur128's windows every 0.1 s", ebur128RangeLimitLU, "LU", ours.rangeLU, each)
	}
	peak, err := b.between.truePeakOf(raw, ours.channels)
	if err != nil {
		return err
	}
	b.difference(name, of, fmt.Sprintf("true peak, 8 times by %d samples a point", betweenTaps), oversampledLimitDB, "dB", ours.truePeak, peak)
	return nil
}

func (b *beside) leave(name, peer string, why error) {
	first, _, _ := strings.Cut(why.Error(), "\n")
	b.left = append(b.left, fmt.Sprintf("%s without %s: %s", name, peer, first))
}

// add takes the differences between two readings; what the peer does not read
// is left out.
func (b *beside) add(name string, of class, peer string, ours, theirs reading) {
	b.difference(name, of, "plain RMS, "+peer, levelLimitDB, "dB", ours.rms, theirs.rms)
	b.difference(name, of, "sample peak, "+peer, levelLimitDB, "dB", ours.peak, theirs.peak)
	if peer != "ffmpeg" {
		return
	}
	if ours.seconds >= blockS {
		b.loudness(name, of, ours.loudness, theirs)
	}
	b.difference(name, of, "true peak, "+peer, truePeakLimitDB, "dB", ours.truePeak, theirs.truePeak)
}

// loudness compares with ffmpeg's blocks and with its own sum over them. That
// sum drops blocks into steps of 0.01 LU first, so a block that near the
// relative gate may fall on its wrong side, which moves a file of 20 s by
// 0.04 LU: there its sum is another measure and is left out.
func (b *beside) loudness(name string, of class, ours float64, theirs reading) {
	if math.IsInf(ours, -1) {
		ours = absoluteGate
	}
	sum, nearest := gated(theirs.blocks)
	b.difference(name, of, "integrated loudness, ffmpeg's blocks gated", loudnessLimitLU, "LU", ours, sum)
	if nearest < 2*ffmpegStepLU {
		b.left = append(b.left, fmt.Sprintf("%s (%s) from ffmpeg's integrated loudness: a block %.3f LU from the relative gate; the gated blocks have it", name, of, nearest))
		return
	}
	b.difference(name, of, "integrated loudness, ffmpeg", loudnessLimitLU, "LU", ours, theirs.loudness)
}

// ffmpegStepLU is the width of a bin of ebur128's histogram. Block and gate
// each are off by up to one.
const ffmpegStepLU = 0.01

// gated is the integrated loudness of 400 ms blocks by the two gates of ITU-R
// BS.1770-5, and how near to the relative gate the nearest block lies. With no
// block over the absolute gate it is the absolute gate.
func gated(blocks []float64) (loudness, nearest float64) {
	mean := func(over float64) float64 {
		var sum float64
		n := 0
		for _, l := range blocks {
			if l > absoluteGate && l > over {
				sum += math.Pow(10, l/10)
				n++
			}
		}
		if n == 0 {
			return absoluteGate
		}
		return 10 * math.Log10(sum/float64(n))
	}
	gate := mean(absoluteGate) - 10
	nearest = math.Inf(1)
	for _, l := range blocks {
		nearest = min(nearest, math.Abs(l-gate))
	}
	return mean(gate), nearest
}

func (b *beside) difference(name string, of class, what string, limit float64, unit string, ours, theirs float64) {
	i := slices.IndexFunc(b.apart, func(a apart) bool { return a.what == what && a.of == of })
	if i < 0 {
		i = len(b.apart)
		b.apart = append(b.apart, apart{what: what, of: of, limit: limit, unit: unit})
	}
	a := &b.apart[i]
	a.files++
	if d := distance(ours, theirs); d > a.worst || a.on == "" {
		a.worst, a.on = d, name
	}
}

// distance is how far two levels lie apart: nothing between two silences, and
// infinitely far where only one was measurable.
func distance(a, b float64) float64 {
	switch d := math.Abs(a - b); {
	case a == b:
		return 0
	case math.IsNaN(d):
		return math.Inf(1)
	default:
		return d
	}
}

func (b *beside) fill(t *table, files int) {
	slices.SortStableFunc(b.apart, func(x, y apart) int { return strings.Compare(x.what, y.what) })
	for _, of := range []class{lossless, decoded, direct} {
		for _, a := range b.apart {
			if a.of == of {
				// Two printed decimals apart by the limit are so to the last bit.
				worst := math.Round(a.worst*1e6) / 1e6
				t.atMost(fmt.Sprintf("%s; %s", a.what, of), worst, a.limit, "%.3f "+a.unit, fmt.Sprintf("%d files, worst in %s", a.files, a.on))
			}
		}
		if !slices.ContainsFunc(b.apart, func(a apart) bool { return a.of == of }) {
			t.hold(string(of), "no file", "at least one", false)
		}
	}
	t.hold("files that ffmpeg reads and we don't", fmt.Sprintf("%d of %d", len(b.notRead), files), "0", len(b.notRead) == 0)
	t.note("Differences are between measure --json and ffmpeg's astats and ebur128 (frame metadata) or sox's stats;")
	t.note("libebur128 and the oversampled peak are read of the samples as ffmpeg decodes them, or of lame's decode.")
	t.note("Loudness ranges are of files of %d minutes and longer: libebur128 looks once a second by itself, we ten times; ten of its meters, started 0.1 s after one another, look as often.", realMinutes)
	for _, r := range b.ranges {
		t.note("%s", r)
	}
	for _, n := range b.notRead {
		t.note("not read: %s", n)
	}
	for _, l := range b.left {
		t.note("left out: %s", l)
	}
}
