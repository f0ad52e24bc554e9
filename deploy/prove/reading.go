package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"strconv"

	"chapterhouse/dsp/meter"
)

// A reading is what one program says of a file; what it does not say is NaN.
// Levels are dB against full scale, loudness LUFS.
type reading struct {
	rms, peak, loudness, truePeak float64
	rangeLU                       float64
	rateHz, channels              int
	seconds                       float64
	frames                        int64
	blocks                        []float64 // loudness of each 400 ms block, LUFS
}

// readOurs is what `chapterhouse measure --json` says.
func readOurs(ctx context.Context, program, path string) (reading, error) {
	r, err := call(ctx, nil, program, "measure", "--json", path)
	var said []struct {
		Error string `json:"error"`
		Is    struct {
			RateHz int `json:"rate_hz"`
		} `json:"is"`
		Levels meter.Levels `json:"levels"`
	}
	if jsonErr := json.Unmarshal(r.stdout, &said); jsonErr != nil || len(said) != 1 {
		return reading{}, fmt.Errorf("measure says nothing: %w", firstError(err, jsonErr))
	}
	if said[0].Error != "" {
		return reading{}, fmt.Errorf("%s", said[0].Error)
	}
	l := said[0].Levels
	return reading{
		rms: float64(l.RMS), peak: float64(l.SamplePeak), loudness: float64(l.Integrated), truePeak: float64(l.TruePeak),
		rangeLU: float64(l.RangeLU), rateHz: said[0].Is.RateHz, channels: max(1, l.Channels),
		seconds: l.Frames.Seconds(said[0].Is.RateHz), frames: int64(l.Frames),
	}, nil
}

func firstError(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// ffmpegFilters measure float samples, full scale ±1, so that astats divides
// by 2^(bits-1) as we do and not by one less. Frames of ebur128 carry three
// decimals where its summary has one.
const ffmpegFilters = "aformat=sample_fmts=dblp," +
	"astats=measure_perchannel=none:measure_overall=Peak_level+RMS_level," +
	"ebur128=metadata=1:peak=true:framelog=verbose," +
	"ametadata=mode=print:file=-"

// readFFmpeg is what ffmpeg's astats and ebur128 say.
func readFFmpeg(ctx context.Context, path string) (reading, error) {
	r, err := call(ctx, nil, "ffmpeg", "-hide_banner", "-nostats", "-nostdin", "-i", "file:"+path, "-map", "0:a:0", "-af", ffmpegFilters, "-f", "null", "-")
	if err != nil {
		return reading{}, err
	}
	return parseFFmpeg(string(r.stdout), string(r.stderr))
}

// readDual is the integrated loudness by ffmpeg's ebur128 when it counts one
// channel as two by itself, LUFS. With two channels it is as the file reads.
func readDual(ctx context.Context, path string) (float64, error) {
	r, err := call(ctx, nil, "ffmpeg", "-hide_banner", "-nostats", "-nostdin", "-i", "file:"+path, "-map", "0:a:0",
		"-af", "ebur128=dualmono=true:metadata=1:framelog=verbose,ametadata=mode=print:key=lavfi.r128.I:file=-", "-f", "null", "-")
	if err != nil {
		return math.NaN(), err
	}
	return strconv.ParseFloat(lastOf(string(r.stdout), `lavfi\.r128\.I=(\S+)`), 64)
}

// parseFFmpeg reads the frames' metadata and the log.
func parseFFmpeg(frames, log string) (reading, error) {
	r := reading{loudness: math.NaN(), truePeak: math.NaN()}
	var err error
	if r.rms, err = number(log, `RMS level dB: (\S+)`); err != nil {
		return r, err
	}
	if r.peak, err = number(log, `Peak level dB: (\S+)`); err != nil {
		return r, err
	}
	if i := lastOf(frames, `lavfi\.r128\.I=(\S+)`); i != "" {
		if r.loudness, err = strconv.ParseFloat(i, 64); err != nil {
			return r, err
		}
	}
	for _, m := range regexp.MustCompile(`lavfi\.r128\.M=(\S+)`).FindAllStringSubmatch(frames, -1) {
		v, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			return r, err
		}
		r.blocks = append(r.blocks, v)
	}
	if p := lastOf(frames, `lavfi\.r128\.true_peak=(\S+)`); p != "" {
		v, err := strconv.ParseFloat(p, 64)
		if err != nil {
			return r, err
		}
		r.truePeak = 20 * math.Log10(v)
	}
	// Three decimals of a small number are coarser than the summary's 0.1 dB.
	if r.truePeak < -20 {
		if r.truePeak, err = number(log, `True peak:\s+Peak:\s+(\S+) dBFS`); err != nil {
			return r, err
		}
	}
	return r, nil
}

// readSox is what sox stats says, of all channels together.
func readSox(ctx context.Context, path string) (reading, error) {
	r, err := call(ctx, nil, "sox", path, "-n", "stats")
	if err != nil {
		return reading{}, err
	}
	return parseSox(string(r.stderr))
}

func parseSox(text string) (reading, error) {
	r := reading{loudness: math.NaN(), truePeak: math.NaN()}
	var err error
	if r.rms, err = number(text, `RMS lev dB\s+(\S+)`); err != nil {
		return r, err
	}
	r.peak, err = number(text, `Pk lev dB\s+(\S+)`)
	return r, err
}

// number is what the first match of a pattern holds.
func number(text, pattern string) (float64, error) {
	m := regexp.MustCompile(pattern).FindStringSubmatch(text)
	if m == nil {
		return math.NaN(), fmt.Errorf("it says nothing like %q", pattern)
	}
	return strconv.ParseFloat(m[1], 64)
}

// lastOf is what the last match of a pattern holds; empty where there is none.
func lastOf(text, pattern string) string {
	all := regexp.MustCompile(pattern).FindAllStringSubmatch(text, -1)
	if len(all) == 0 {
		return ""
	}
	return all[len(all)-1][1]
}

// framesOf is how many frames of a file ffmpeg decodes.
func framesOf(ctx context.Context, path string) (int64, error) {
	r, err := call(ctx, nil, "ffmpeg", "-hide_banner", "-nostats", "-nostdin", "-i", "file:"+path, "-map", "0:a:0",
		"-af", "astats=measure_perchannel=none:measure_overall=Number_of_samples", "-f", "null", "-")
	if err != nil {
		return 0, err
	}
	n, err := number(string(r.stderr), `Number of samples: (\S+)`)
	return int64(n), err
}
