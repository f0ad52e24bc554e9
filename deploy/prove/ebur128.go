package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
)

// A meterReading is what a program made of meters prints of raw samples.
type meterReading struct {
	loudness, rangeLU, truePeak float64
	seconds                     float64 // of the processor, reading not counted
}

// buildEBUR128 compiles our program around Debian's libebur128.
func (s *site) buildEBUR128(ctx context.Context) (string, error) {
	if err := need("gcc"); err != nil {
		return "", err
	}
	out := s.path("bin", "ebur128")
	if err := os.MkdirAll(filepath.Dir(out), 0o755); err != nil {
		return "", err
	}
	source := filepath.Join(s.root, "deploy", "peers", "ebur128.c")
	if text, err := exec.CommandContext(ctx, "gcc", "-O2", "-o", out, source, "-lebur128", "-lm").CombinedOutput(); err != nil {
		return "", fmt.Errorf("gcc %s: %w: install libebur128-dev\n%s", filepath.Base(source), err, lastLines(string(text), 5))
	}
	return out, nil
}

// readMeters runs such a program.
func readMeters(ctx context.Context, program string, rateHz, channels int, raw string) (meterReading, error) {
	said, err := call(ctx, nil, program, strconv.Itoa(rateHz), strconv.Itoa(channels), raw)
	if err != nil {
		return meterReading{}, err
	}
	var r meterReading
	if _, err := fmt.Sscan(string(said.stdout), &r.loudness, &r.rangeLU, &r.truePeak, &r.seconds); err != nil {
		return r, fmt.Errorf("%s says %q: %w", filepath.Base(program), said.stdout, err)
	}
	return r, nil
}

// readRange is libebur128's loudness range over windows every 0.1 s, LU. By itself
// it looks once a second, and what it reads then hangs on where in a second a file
// starts.
func readRange(ctx context.Context, program string, rateHz, channels int, raw string) (float64, error) {
	said, err := call(ctx, nil, program, strconv.Itoa(rateHz), strconv.Itoa(channels), raw, "--tenths")
	if err != nil {
		return 0, err
	}
	return strconv.ParseFloat(strings.TrimSpace(string(said.stdout)), 64)
}

// toRaw has ffmpeg write a file's samples as raw float64.
func toRaw(ctx context.Context, path, raw string) error {
	_, err := call(ctx, nil, "ffmpeg", "-hide_banner", "-nostats", "-nostdin", "-v", "error", "-y", "-i", "file:"+path, "-map", "0:a:0", "-f", "f64le", raw)
	return err
}
