// Run takes one recording through one chain, decode, chain, dither to 16 bits, and
// throws the samples away: what a chain costs,
// and nothing else. It is for deploy/prove, and no command of the program.
//
//	go run ./deploy/speed/run deploy/speed/like.yaml recording.wav
//
// With -moved it prints how much each stage moved gain instead, one line of
// JSON a stage: a detector that found nothing to do has proved nothing.
package main

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"

	"chapterhouse/dsp"
	"chapterhouse/dsp/level"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/codec"
)

// movedDB is the change of gain from which a stage counts as working.
const movedDB = 0.1

// A Moved stage: how much of the time a stage that moves gain moved it, and the
// furthest. Stages that move none are not listed.
type Moved struct {
	Stage      string  `json:"stage"`
	Share      float64 `json:"share"`
	FurthestDB float64 `json:"furthest_db"`
	of, n      int
}

func main() {
	runtime.GOMAXPROCS(1)
	moved := flag.Bool("moved", false, "print what each stage did")
	flag.Parse()
	if flag.NArg() != 2 {
		fmt.Fprintln(os.Stderr, "usage: run [-moved] CHAIN.yaml RECORDING")
		os.Exit(2)
	}
	if err := run(flag.Arg(0), flag.Arg(1), *moved, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "run:", err)
		os.Exit(1)
	}
}

func run(chainPath, recording string, tell bool, out io.Writer) error {
	text, err := os.ReadFile(chainPath)
	if err != nil {
		return err
	}
	c, faults := chain.Parse(text, chainPath)
	if len(faults) > 0 {
		return fmt.Errorf("%s: %v", chainPath, faults)
	}
	src, err := codec.OpenSource(recording, recording)
	if err != nil {
		return err
	}
	defer src.Close()
	if src.Info().Channels != 1 {
		return fmt.Errorf("%s has %d channels; give a mono recording", recording, src.Info().Channels)
	}
	rate := float64(src.Info().RateHz)
	procs, err := chain.New(c.Stages, rate, chain.PlainFacts(c.SpeechDBFS))
	if err != nil {
		return err
	}
	names := chain.Names(c.Stages)
	engine := dsp.NewEngine(0, procs...)
	all := make([]Moved, len(names))
	if tell {
		engine.OnQuantum(func(_ dsp.Frames, stage int, gainsDB []float64) { all[stage].add(gainsDB) })
	}
	if err := discard(src, engine); err != nil || !tell {
		return err
	}
	lines := json.NewEncoder(out)
	for i, m := range all {
		if m.n == 0 {
			continue
		}
		m.Stage, m.Share = fmt.Sprintf("%d %s", i+1, names[i]), float64(m.of)/float64(m.n)
		if err := lines.Encode(m); err != nil {
			return err
		}
	}
	return nil
}

func (m *Moved) add(gainsDB []float64) {
	for _, g := range gainsDB {
		m.n++
		if math.Abs(g) >= movedDB {
			m.of++
		}
		if math.Abs(g) > math.Abs(m.FurthestDB) {
			m.FurthestDB = g
		}
	}
}

// discard reads src to its end through engine and makes 16-bit samples of what
// comes out, for nobody.
func discard(src *codec.Reader, engine *dsp.Engine) error {
	const block = 8192
	dither, err := level.NewDither(16, level.SeedOf("speed"))
	if err != nil {
		return err
	}
	x, y, bytes := [][]float64{make([]float64, block)}, make([]float64, block), make([]byte, 0, 2*block)
	var done dsp.Frames
	emit := func(z []float64) {
		y = append(y[:0], z...)
		dither.Process(y, done)
		done += dsp.Frames(len(z))
		bytes = bytes[:0]
		for _, v := range y {
			bytes = binary.LittleEndian.AppendUint16(bytes, uint16(int16(v*(1<<15))))
		}
		io.Discard.Write(bytes)
	}
	for {
		n, err := src.Read(x)
		engine.Write(x[0][:n], emit)
		if errors.Is(err, io.EOF) {
			engine.Close(emit)
			return nil
		}
		if err != nil {
			return err
		}
	}
}
