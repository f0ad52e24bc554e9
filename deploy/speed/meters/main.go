// Meters reads raw samples (float64, little endian, interleaved) and prints what
// our meters read of them: integrated loudness in LUFS, loudness range in LU,
// true peak in dBTP, and the processor time it took in seconds, reading not
// counted.
//
//	meters RATE CHANNELS FILE
package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"strconv"
	"syscall"

	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
)

func main() {
	runtime.GOMAXPROCS(1)
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "meters:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) != 3 {
		return errors.New("usage: meters RATE CHANNELS FILE")
	}
	rate, err := strconv.Atoi(args[0])
	if err != nil {
		return err
	}
	channels, err := strconv.Atoi(args[1])
	if err != nil {
		return err
	}
	f, err := os.Open(args[2])
	if err != nil {
		return err
	}
	defer f.Close()
	loudness := meter.NewLoudness(rate, meter.ChannelWeights(channels)...)
	var peaks []*kernel.TruePeak
	chunk := 10 * rate
	raw, ch, views := make([]byte, 8*channels*chunk), make([][]float64, channels), make([][]float64, channels)
	for c := range ch {
		peaks, ch[c] = append(peaks, kernel.NewTruePeak()), make([]float64, chunk)
	}
	var took float64
	for {
		n, err := io.ReadFull(f, raw)
		if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			return err
		}
		frames := n / (8 * channels)
		for c := range ch {
			for i := range frames {
				ch[c][i] = math.Float64frombits(binary.LittleEndian.Uint64(raw[8*(i*channels+c):]))
			}
			views[c] = ch[c][:frames]
		}
		from := processor()
		if frames > 0 {
			loudness.Write(views...)
			for c, p := range peaks {
				p.Write(views[c])
			}
		}
		took += processor() - from
		if err != nil {
			break
		}
	}
	from := processor()
	integrated, _ := loudness.Integrated()
	loudnessRange := loudness.Range()
	most := 0.0
	for _, p := range peaks {
		most = max(most, p.Peak())
	}
	took += processor() - from
	fmt.Printf("%.6f %.6f %.6f %.9f\n", float64(integrated), float64(loudnessRange), 20*math.Log10(most), took)
	return nil
}

// processor is the processor time of this process so far, s.
func processor() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return math.NaN()
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}
