package main

import (
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/house/strict"
)

// sound measures what every stage that a chain can name does to signals that
// are known, against published values and against programs that others wrote.
func sound(ctx context.Context, s *site, t *table) error {
	for _, part := range []struct {
		name string
		rows func(ctx context.Context, s *site, t *table) error
	}{
		{"filters", filterRows},
		{"filters beside ffmpeg", ffmpegRows},
		{"static curves", staticRows},
		{"dynamics", dynamicsRows},
		{"harmonics", harmonicsRows},
		{"limiter", limiterRows},
		{"gain and dither", gainRows},
		{"resampling", resampleRows},
		{"de-essing", essRows},
		{"shout", shoutRows},
	} {
		if err := ctx.Err(); err != nil {
			return err
		}
		s.say("sound: %s", part.name)
		if err := part.rows(ctx, s, t); err != nil {
			return fmt.Errorf("%s: %w", part.name, err)
		}
	}
	return nil
}

// speechDBFS is the speech level that stages of the proof count from.
const speechDBFS = -23

// staged makes the processors of stages written as in a chain file, for a
// session whose room tone is flat from band to band at a level in all.
func staged(stages string, rateHz, roomToneDBFS float64) ([]dsp.Processor, error) {
	c, faults := chain.Parse(chainYAML(stages), "proof.yaml")
	if err := strict.AsError(faults); err != nil {
		return nil, err
	}
	f := chain.Facts{Facts: pipeline.Facts{SpeechDBFS: speechDBFS}}
	bands := len(spectrum.SixthOctaves())
	for range bands {
		f.RoomTone = append(f.RoomTone, dsp.DBFS(roomToneDBFS-10*math.Log10(float64(bands))))
	}
	return chain.New(c.Stages, rateHz, f)
}

// cutAtRandom is x through processors by the engine, from any frame on, in
// blocks of any length.
func cutAtRandom(ps []dsp.Processor, x []float64, random *rand.Rand) []float64 {
	y := make([]float64, 0, len(x))
	emit := func(part []float64) { y = append(y, part...) }
	e := dsp.NewEngine(dsp.Frames(random.IntN(5000)), ps...)
	for len(x) > 0 {
		n := min(len(x), 1+random.IntN(3000))
		e.Write(x[:n], emit)
		x = x[n:]
	}
	e.Close(emit)
	return y
}

// published reads a table of reference values, each row by its columns' names.
func (s *site) published(name string) ([]map[string]string, error) {
	f, err := os.Open(filepath.Join(s.root, "testdata", "reference", name))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		return nil, err
	}
	var rows []map[string]string
	for _, line := range lines[1:] {
		row := map[string]string{}
		for i, cell := range line {
			row[lines[0][i]] = cell
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// cellValue is a cell of such a table; an empty one is 0, inf is the largest.
func cellValue(cell string) float64 {
	if cell == "" {
		return 0
	}
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		return math.NaN()
	}
	return v
}

// sineWave is n samples of a sine with a peak.
func sineWave(hz, peakDBFS, rateHz float64, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Pow(10, peakDBFS/20) * math.Sin(2*math.Pi*math.Mod(hz*float64(i)/rateHz, 1))
	}
	return x
}

// whiteNoise is n samples, uniform, with the largest at a level.
func whiteNoise(seed uint64, peakDBFS float64, n int) []float64 {
	random := rand.New(rand.NewPCG(seed, 17))
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Pow(10, peakDBFS/20) * (2*random.Float64() - 1)
	}
	return x
}

// takeSine is the peak of the sine of a frequency in x, which holds whole periods
// of it, and takes it out of x.
func takeSine(x []float64, hz, rateHz float64) float64 {
	var re, im float64
	for i, v := range x {
		sin, cos := math.Sincos(2 * math.Pi * math.Mod(hz*float64(i)/rateHz, 1))
		re += v * cos
		im += v * sin
	}
	re, im = 2*re/float64(len(x)), 2*im/float64(len(x))
	for i := range x {
		sin, cos := math.Sincos(2 * math.Pi * math.Mod(hz*float64(i)/rateHz, 1))
		x[i] -= re*cos + im*sin
	}
	return math.Hypot(re, im)
}

func inDB(amplitude float64) float64 { return 20 * math.Log10(amplitude) }

// rmsDB is the RMS of x in dBFS.
func rmsDB(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	return 10 * math.Log10(sum/float64(len(x)))
}

// residualDB is the difference of two signals against the second.
func residualDB(got, want []float64) float64 {
	if len(got) != len(want) {
		return math.Inf(1)
	}
	d := make([]float64, len(got))
	for i := range got {
		d[i] = got[i] - want[i]
	}
	return rmsDB(d) - rmsDB(want)
}
