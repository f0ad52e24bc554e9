package filter_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// reference reads a table of published values; an empty cell is 0.
func reference(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, line := range lines[1:] {
		row := map[string]string{}
		for i, cell := range line {
			row[lines[0][i]] = cell
		}
		rows = append(rows, row)
	}
	return rows
}

func number(t *testing.T, cell string) float64 {
	t.Helper()
	if cell == "" {
		return 0
	}
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// band is one band of a crossover, or the sum of all when keep is negative, as
// a processor.
type band struct {
	crossover *filter.Crossover
	bands     [][]float64
	keep      int
}

func newBand(t testing.TB, crossoversHz []float64, rateHz float64, keep int) *band {
	c, err := filter.NewCrossover(crossoversHz, rateHz)
	if err != nil {
		t.Fatal(err)
	}
	b := &band{crossover: c, keep: keep}
	for range len(crossoversHz) + 1 {
		b.bands = append(b.bands, make([]float64, dsp.Quantum))
	}
	return b
}

func (b *band) Process(block []float64) {
	b.crossover.Split(block, b.bands)
	if b.keep >= 0 {
		copy(block, b.bands[b.keep])
		return
	}
	clear(block)
	for _, part := range b.bands {
		for i, v := range part {
			block[i] += v
		}
	}
}
func (b *band) Latency() int { return 0 }
func (b *band) Reset()       { b.crossover.Reset() }

// fromRow makes the processor that a row of the reference tables describes.
func fromRow(t *testing.T, row map[string]string) dsp.Processor {
	t.Helper()
	rate, f0, q, gain := number(t, row["fs"]), number(t, row["f0"]), number(t, row["q"]), number(t, row["gain_db"])
	order := int(number(t, row["order_or_sections"]))
	var sections []kernel.Biquad
	var err error
	switch row["type"] {
	case "peak":
		sections, err = filter.Bell(f0, gain, q, rate)
	case "hpf": // all of them with Q = 1/√2
		sections, err = filter.Highpass(f0, 12, rate)
	case "lpf":
		sections, err = filter.Lowpass(f0, 12, rate)
	case "butter_hpf":
		sections, err = filter.Highpass(f0, 6*order, rate)
	case "butter_lpf":
		sections, err = filter.Lowpass(f0, 6*order, rate)
	case "lowshelf": // all of them with S = 1
		sections, err = filter.LowShelf(f0, gain, 1, rate)
	case "highshelf":
		sections, err = filter.HighShelf(f0, gain, 1, rate)
	case "notch":
		sections, err = filter.Notch(f0, q, rate)
	case "bpf0":
		sections, err = filter.Bandpass(f0, q, rate)
	case "apf", "lr4_sum": // Q = 1/√2: what a crossover sums to
		return newBand(t, []float64{f0}, rate, -1)
	case "lr4_lp":
		return newBand(t, []float64{f0}, rate, 0)
	case "lr4_hp":
		return newBand(t, []float64{f0}, rate, 1)
	default:
		t.Fatalf("no filter for the type %q", row["type"])
	}
	if err != nil {
		t.Fatal(err)
	}
	return filter.New(sections)
}

// impulse is the response to a unit impulse through the engine, cut at random.
func impulse(p dsp.Processor, n int, random *rand.Rand) []float64 {
	x := make([]float64, n)
	x[0] = 1
	y := make([]float64, 0, n)
	emit := func(part []float64) { y = append(y, part...) }
	e := dsp.NewEngine(dsp.Frames(random.IntN(5000)), p)
	for len(x) > 0 {
		m := min(len(x), 1+random.IntN(3000))
		e.Write(x[:m], emit)
		x = x[m:]
	}
	e.Close(emit)
	return y
}

// spectrumAt is the Fourier sum of an impulse response at one exact frequency.
func spectrumAt(h []float64, hz, rateHz float64) (magDB, phaseDeg float64) {
	const stride = 64 // the turning pointer is set anew so often
	step := 2 * math.Pi * hz / rateHz
	turnSin, turnCos := math.Sincos(step)
	var re, im float64
	for i := 0; i < len(h); i += stride {
		sin, cos := math.Sincos(math.Mod(step*float64(i), 2*math.Pi))
		for _, v := range h[i:min(i+stride, len(h))] {
			re += v * cos
			im -= v * sin
			sin, cos = sin*turnCos+cos*turnSin, cos*turnCos-sin*turnSin
		}
	}
	return 20 * math.Log10(math.Hypot(re, im)), math.Atan2(im, re) * 180 / math.Pi
}

// Every published point above -100 dB, measured on the processed impulse of
// more than four seconds, not computed from coefficients.
func TestCheckpoints(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	var id string
	var h []float64
	checked, worstDB, worstDeg := 0, 0.0, 0.0
	for _, row := range reference(t, "filter_checkpoints.csv") {
		rate := number(t, row["fs"])
		if row["filter_id"] != id {
			id = row["filter_id"]
			h = impulse(fromRow(t, row), int(4.2*rate), random)
		}
		if row["mag_db"] == "" || number(t, row["mag_db"]) < -100 {
			continue // double rounding matters there
		}
		mag, phase := spectrumAt(h, number(t, row["freq_hz"]), rate)
		db := math.Abs(mag - number(t, row["mag_db"]))
		deg := math.Abs(math.Remainder(phase-number(t, row["phase_deg"]), 360))
		if !(db <= 0.001 && deg <= 0.01) {
			t.Errorf("%s at %s Hz: %.5f dB %.4f°, published %s dB %s°", id, row["freq_hz"], mag, phase, row["mag_db"], row["phase_deg"])
		}
		checked++
		worstDB, worstDeg = max(worstDB, db), max(worstDeg, deg)
	}
	if checked < 800 {
		t.Errorf("only %d points checked", checked)
	}
	t.Logf("%d points, worst %.2g dB and %.2g°", checked, worstDB, worstDeg)
}

func TestCoefficients(t *testing.T) {
	for _, row := range reference(t, "filter_coefficients.csv") {
		rate, f0, q, gain := number(t, row["fs"]), number(t, row["f0"]), number(t, row["q"]), number(t, row["gain_db"])
		var got []kernel.Biquad
		var err error
		switch row["type"] {
		case "peak":
			got, err = filter.Bell(f0, gain, q, rate)
		case "hpf":
			got, err = filter.Highpass(f0, 12, rate)
		case "lpf":
			got, err = filter.Lowpass(f0, 12, rate)
		case "lowshelf":
			got, err = filter.LowShelf(f0, gain, 1, rate)
		case "highshelf":
			got, err = filter.HighShelf(f0, gain, 1, rate)
		case "notch":
			got, err = filter.Notch(f0, q, rate)
		case "bpf0":
			got, err = filter.Bandpass(f0, q, rate)
		case "apf":
			lowpass, fault := filter.Lowpass(f0, 12, rate)
			if fault != nil {
				t.Fatal(fault)
			}
			got = []kernel.Biquad{kernel.NewSplit(lowpass[0]).Allpass()}
		default:
			t.Fatalf("no filter for the type %q", row["type"])
		}
		if err != nil || len(got) != 1 {
			t.Fatalf("%s: %d sections, %v", row["filter_id"], len(got), err)
		}
		g := got[0]
		for key, v := range map[string]float64{"b0": g.B0, "b1": g.B1, "b2": g.B2, "a1": g.A1, "a2": g.A2} {
			// The table has 15 digits, and its Q 10: 0.7071067812.
			if want := number(t, row[key]); math.Abs(v-want) > 1e-11 {
				t.Errorf("%s: %s is %.15g, published %.15g", row["filter_id"], key, v, want)
			}
		}
	}
}

func TestButterworthQs(t *testing.T) {
	for _, row := range reference(t, "butterworth_q.csv") {
		order := int(number(t, row["order"]))
		qs := filter.ButterworthQs(order)
		for i := range 4 {
			want := row[fmt.Sprintf("q%d", i+1)]
			if (want != "") != (i < len(qs)) {
				t.Fatalf("order %d has %d Qs", order, len(qs))
			}
			if want != "" && math.Abs(qs[i]-number(t, want)) > 5.1e-7 {
				t.Errorf("order %d: q%d is %.7f, published %s", order, i+1, qs[i], want)
			}
		}
		sections, err := filter.Highpass(80, 6*order, 44100)
		if err != nil {
			t.Fatal(err)
		}
		if want := len(qs) + int(number(t, row["real_pole"])); len(sections) != want {
			t.Errorf("order %d has %d sections, want %d", order, len(sections), want)
		}
	}
}
