package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os/exec"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
)

const (
	filterLimitDB    = 0.001
	filterLimitDeg   = 0.01
	filterLowestDB   = -100  // double rounding matters below
	filterImpulseS   = 4.2   // 20 Hz has died away
	residualLimitDB  = -58.8 // 0.01 dB
	butterworthTable = "butterworth_q.csv"
)

// filterRows holds stages' responses against published points, and against the
// analogue prototype that the published Qs make.
func filterRows(ctx context.Context, s *site, t *table) error {
	rows, err := s.published("filter_checkpoints.csv")
	if err != nil {
		return err
	}
	random := rand.New(rand.NewPCG(s.seed, 3))
	var kinds []string
	found := map[string]*deviation{}
	id := ""
	var h []float64
	for _, row := range rows {
		if err := ctx.Err(); err != nil {
			return err
		}
		rate := cellValue(row["fs"])
		if row["filter_id"] != id {
			id = row["filter_id"]
			ps, err := tabled(row)
			if err != nil {
				return fmt.Errorf("%s: %w", id, err)
			}
			h = impulseResponse(ps, rate, random)
		}
		kind := row["type"]
		if found[kind] == nil {
			kinds = append(kinds, kind)
			found[kind] = &deviation{}
		}
		if row["mag_db"] == "" || cellValue(row["mag_db"]) < filterLowestDB {
			continue
		}
		found[kind].add(fourier(h, cellValue(row["freq_hz"]), rate), cellValue(row["mag_db"]), cellValue(row["phase_deg"]))
	}
	for _, kind := range kinds {
		found[kind].hold(t, "filters, published points, "+kind)
	}
	qs, err := s.published(butterworthTable)
	if err != nil {
		return err
	}
	byOrder := map[int][]float64{1: nil}
	for _, row := range qs {
		for k := 1; k <= 4; k++ {
			if q := row[fmt.Sprintf("q%d", k)]; q != "" {
				byOrder[int(cellValue(row["order"]))] = append(byOrder[int(cellValue(row["order"]))], cellValue(q))
			}
		}
	}
	for order := 1; order <= 8; order++ {
		var worst deviation
		for _, pass := range []string{"highpass", "lowpass"} {
			for _, cutoff := range []float64{120, 1000} {
				if pass == "lowpass" {
					cutoff *= 9
				}
				for _, rate := range []float64{44100, 48000} {
					ps, err := staged(fmt.Sprintf("  - %s: {cutoff_hz: %g, slope_db_per_octave: %d}\n", pass, cutoff, 6*order), rate, -80)
					if err != nil {
						return err
					}
					h := impulseResponse(ps, rate, random)
					for hz := 20.0; hz < 0.49*rate; hz *= 1.21 {
						want := prototype(byOrder[order], order, pass == "highpass", hz, cutoff, rate)
						if inDB(cmplx.Abs(want)) > filterLowestDB {
							worst.add(fourier(h, hz, rate), inDB(cmplx.Abs(want)), cmplx.Phase(want)*180/math.Pi)
						}
					}
				}
			}
		}
		worst.hold(t, fmt.Sprintf("filters, high- and low-pass of %d dB/oct, sections from the table", 6*order))
	}
	t.note("Filters: impulses of %.1f s through the stages and the engine, from random frames, in random blocks; Fourier sum at the exact", filterImpulseS)
	t.note("frequency; points above %d dB. Kinds that no stage is alone (bpf0, apf, lr4) are sections of package dsp/filter.", filterLowestDB)
	return nil
}

// A deviation is the largest from wanted points.
type deviation struct {
	points  int
	db, deg float64
}

func (d *deviation) add(got complex128, wantDB, wantDeg float64) {
	d.points++
	d.db = max(d.db, math.Abs(inDB(cmplx.Abs(got))-wantDB))
	d.deg = max(d.deg, math.Abs(math.Remainder(cmplx.Phase(got)*180/math.Pi-wantDeg, 360)))
}

func (d *deviation) hold(t *table, what string) {
	t.hold(what, fmt.Sprintf("%.5f dB, %.4f°, %d points", d.db, d.deg, d.points),
		fmt.Sprintf("%g dB, %g°", filterLimitDB, filterLimitDeg), d.points > 0 && d.db <= filterLimitDB && d.deg <= filterLimitDeg)
}

// tabled is the filter of a row of the table: a stage where there is one.
func tabled(row map[string]string) ([]dsp.Processor, error) {
	f0, q, gain, rate, order := cellValue(row["f0"]), cellValue(row["q"]), cellValue(row["gain_db"]), cellValue(row["fs"]), int(cellValue(row["order_or_sections"]))
	stage := ""
	switch row["type"] {
	case "peak":
		stage = fmt.Sprintf("eq: [{shape: bell, centre_hz: %g, gain_db: %g, q: %g}]", f0, gain, q)
	case "lowshelf": // all of them with S = 1
		stage = fmt.Sprintf("eq: [{shape: low-shelf, corner_hz: %g, gain_db: %g}]", f0, gain)
	case "highshelf":
		stage = fmt.Sprintf("eq: [{shape: high-shelf, corner_hz: %g, gain_db: %g}]", f0, gain)
	case "notch":
		stage = fmt.Sprintf("eq: [{shape: notch, centre_hz: %g, q: %g}]", f0, q)
	case "hpf": // all of them with Q = 1/√2
		stage = fmt.Sprintf("highpass: {cutoff_hz: %g}", f0)
	case "lpf":
		stage = fmt.Sprintf("lowpass: {cutoff_hz: %g}", f0)
	case "butter_hpf":
		stage = fmt.Sprintf("highpass: {cutoff_hz: %g, slope_db_per_octave: %d}", f0, 6*order)
	case "butter_lpf":
		stage = fmt.Sprintf("lowpass: {cutoff_hz: %g, slope_db_per_octave: %d}", f0, 6*order)
	case "bpf0":
		sections, err := filter.Bandpass(f0, q, rate)
		return []dsp.Processor{filter.New(sections)}, err
	case "apf", "lr4_sum": // what a crossover sums to
		return newBandOf(f0, rate, 0, 1)
	case "lr4_lp":
		return newBandOf(f0, rate, 0)
	case "lr4_hp":
		return newBandOf(f0, rate, 1)
	default:
		return nil, fmt.Errorf("no filter for the type %q", row["type"])
	}
	return staged("  - "+stage+"\n", rate, -80)
}

// A bandOf is bands of a crossover in two, added.
type bandOf struct {
	crossover *filter.Crossover
	bands     [][]float64
	keep      []int
}

func newBandOf(crossoverHz, rateHz float64, keep ...int) ([]dsp.Processor, error) {
	c, err := filter.NewCrossover([]float64{crossoverHz}, rateHz)
	return []dsp.Processor{&bandOf{c, [][]float64{make([]float64, dsp.Quantum), make([]float64, dsp.Quantum)}, keep}}, err
}

func (b *bandOf) Process(block []float64) {
	b.crossover.Split(block, b.bands)
	clear(block)
	for _, k := range b.keep {
		for i, v := range b.bands[k] {
			block[i] += v
		}
	}
}
func (b *bandOf) Latency() int { return 0 }
func (b *bandOf) Reset()       { b.crossover.Reset() }

func impulseResponse(ps []dsp.Processor, rateHz float64, random *rand.Rand) []float64 {
	x := make([]float64, int(filterImpulseS*rateHz))
	x[0] = 1
	return cutAtRandom(ps, x, random)
}

// fourier is the Fourier sum of an impulse response at one exact frequency.
func fourier(h []float64, hz, rateHz float64) complex128 {
	const stride = 64 // the turning pointer is set anew so often
	step := 2 * math.Pi * hz / rateHz
	turn := cmplx.Rect(1, -step)
	var sum complex128
	for i := 0; i < len(h); i += stride {
		at := cmplx.Rect(1, -math.Mod(step*float64(i), 2*math.Pi))
		for _, v := range h[i:min(i+stride, len(h))] {
			sum += complex(v, 0) * at
			at *= turn
		}
	}
	return sum
}

// prototype is an analogue filter of second-order sections with these Qs, and a
// real pole where the order is odd, under the bilinear transform.
func prototype(qs []float64, order int, high bool, hz, cutoffHz, rateHz float64) complex128 {
	s := complex(0, math.Tan(math.Pi*hz/rateHz)/math.Tan(math.Pi*cutoffHz/rateHz))
	if high {
		s = 1 / s
	}
	h := complex(1, 0)
	for _, q := range qs {
		h /= s*s + s/complex(q, 0) + 1
	}
	if order%2 == 1 {
		h /= s + 1
	}
	return h
}

// ffmpegRows holds stages against ffmpeg's filters, on noise.
func ffmpegRows(ctx context.Context, s *site, t *table) error {
	if err := need("ffmpeg"); err != nil {
		return err
	}
	const rate = 44100
	qs, err := s.published(butterworthTable)
	if err != nil {
		return err
	}
	type pair struct{ name, stage, graph string }
	pairs := []pair{
		{"bell", "eq: [{shape: bell, centre_hz: 178, gain_db: -7, q: 4}]", "equalizer=f=178:t=q:w=4:g=-7:r=f64"},
		{"low shelf", "eq: [{shape: low-shelf, corner_hz: 120, gain_db: 2.5}]", "lowshelf=f=120:t=s:w=1:g=2.5:r=f64"},
		{"high shelf", "eq: [{shape: high-shelf, corner_hz: 9000, gain_db: 4}]", "highshelf=f=9000:t=s:w=1:g=4:r=f64"},
		{"low shelf (bass)", "eq: [{shape: low-shelf, corner_hz: 120, gain_db: -6}]", "bass=f=120:t=q:w=0.5:g=-6:r=f64"},
		{"high shelf (treble)", "eq: [{shape: high-shelf, corner_hz: 9000, gain_db: -3}]", "treble=f=9000:t=q:w=0.5:g=-3:r=f64"},
		{"notch", "eq: [{shape: notch, centre_hz: 1000, q: 30}]", "bandreject=f=1000:t=q:w=30:r=f64"},
	}
	for _, row := range qs {
		for name, hz := range map[string]float64{"highpass": 80, "lowpass": 9000} {
			var graph []string
			if row["real_pole"] == "1" { // ffmpeg's own filter of one pole is another design
				k := math.Tan(math.Pi * hz / rate)
				b0, b1 := k, k
				if name == "highpass" {
					b0, b1 = 1, -1
				}
				graph = append(graph, fmt.Sprintf("biquad=b0=%.17g:b1=%.17g:b2=0:a0=%.17g:a1=%.17g:a2=0:r=f64", b0, b1, 1+k, k-1))
			}
			for k := 1; row[fmt.Sprintf("q%d", k)] != ""; k++ {
				graph = append(graph, fmt.Sprintf("%s=f=%g:t=q:w=%s:r=f64", name, hz, row[fmt.Sprintf("q%d", k)]))
				if k == 4 {
					break
				}
			}
			slope := 6 * int(cellValue(row["order"]))
			pairs = append(pairs, pair{fmt.Sprintf("%s of %d dB/oct", name, slope), fmt.Sprintf("%s: {cutoff_hz: %g, slope_db_per_octave: %d}", name, hz, slope), strings.Join(graph, ",")})
		}
	}
	x := whiteNoise(s.seed, -12, 5*rate)
	random := rand.New(rand.NewPCG(s.seed, 4))
	worst, butterworths := math.Inf(-1), 0
	for _, p := range pairs {
		ps, err := staged("  - "+p.stage+"\n", rate, -80)
		if err != nil {
			return err
		}
		want, err := ffmpegFiltered(ctx, x, rate, p.graph)
		if err != nil {
			return err
		}
		residual := residualDB(cutAtRandom(ps, x, random), want)
		if strings.Contains(p.name, "dB/oct") {
			worst = max(worst, residual)
			butterworths++
			continue
		}
		t.atMost("filters, residual against ffmpeg, "+p.name, residual, residualLimitDB, "%.1f dB", "")
	}
	t.atMost("filters, residual against ffmpeg, high- and low-pass of 12 to 48 dB/oct", worst, residualLimitDB, "%.1f dB", fmt.Sprintf("worst of %d", butterworths))
	t.note("Beside ffmpeg: 5 s of white noise, float64 both ways, its filters at precision f64, Qs from the table's six digits. A real")
	t.note("pole is given to it as coefficients: its own filter of one pole is not a bilinear one; its bass and treble are a shelf with S = 1 at q = 0.5. %.1f dB is a difference of 0.01 dB.", residualLimitDB)
	return nil
}

// ffmpegFiltered is x through a graph of ffmpeg's.
func ffmpegFiltered(ctx context.Context, x []float64, rate int, graph string) ([]float64, error) {
	var in, out, said bytes.Buffer
	if err := binary.Write(&in, binary.LittleEndian, x); err != nil {
		return nil, err
	}
	cmd := exec.CommandContext(ctx, "ffmpeg", "-v", "error", "-f", "f64le", "-ar", fmt.Sprint(rate), "-ac", "1", "-i", "pipe:0",
		"-af", graph, "-f", "f64le", "-c:a", "pcm_f64le", "pipe:1")
	cmd.Stdin, cmd.Stdout, cmd.Stderr = &in, &out, &said
	if err := cmd.Run(); err != nil {
		return nil, fmt.Errorf("ffmpeg -af %s: %w\n%s", graph, err, lastLines(said.String(), 5))
	}
	y := make([]float64, out.Len()/8)
	return y, binary.Read(&out, binary.LittleEndian, y)
}
