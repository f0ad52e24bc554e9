package spectrum

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

func TestThirdOctavesAreThoseOfIEC61260(t *testing.T) {
	file, err := os.Open("../../testdata/reference/iec61260_thirdoctave.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	reader := csv.NewReader(file)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	bands := ThirdOctaves()
	var found int
	for _, row := range rows[1:] {
		v := make([]float64, len(row))
		for i, cell := range row {
			if v[i], err = strconv.ParseFloat(cell, 64); err != nil {
				t.Fatal(err)
			}
		}
		if v[0] < 20 || v[0] > 20000 {
			continue
		}
		b := bands[found]
		found++
		for _, c := range [][2]float64{{b.Mid, v[2]}, {b.Lower, v[3]}, {b.Upper, v[4]}} {
			if math.Abs(c[0]-c[1]) > 0.00051 { // the file has three decimals
				t.Errorf("nominal %g Hz: %v, want mid %g from %g to %g", v[0], b, v[2], v[3], v[4])
			}
		}
	}
	if found != len(bands) || found != 31 {
		t.Errorf("%d rows of the table, %d bands, want 31", found, len(bands))
	}
}

func TestSixthOctaves(t *testing.T) {
	sixths := SixthOctaves()
	if len(sixths) != 60 {
		t.Fatalf("%d bands, want 60", len(sixths))
	}
	if sixths[0].Mid < 20 || sixths[59].Mid > 20000 {
		t.Errorf("mid frequencies from %g to %g Hz", sixths[0].Mid, sixths[59].Mid)
	}
	// IEC 61260-1, even b: fm = 1000·G^((2x+1)/(2b)), edges G^(±1/(2b)).
	for i, b := range sixths {
		x := float64(i - 34)
		for _, c := range [][2]float64{
			{b.Mid, 1000 * math.Pow(10, 0.3*(2*x+1)/12)},
			{b.Lower, 1000 * math.Pow(10, 0.3*2*x/12)},
			{b.Upper, 1000 * math.Pow(10, 0.3*(2*x+2)/12)},
		} {
			if math.Abs(c[0]/c[1]-1) > 1e-13 {
				t.Errorf("band %d: %v, want %g", i, b, c[1])
			}
		}
		if i > 0 && b.Lower != sixths[i-1].Upper {
			t.Errorf("gap below %v", b)
		}
	}
	// Two sixths make one third.
	thirds := ThirdOctaves()[1:30]
	for i, third := range thirds {
		lower, upper := sixths[2*i+1], sixths[2*i+2]
		if math.Abs(lower.Lower/third.Lower-1) > 1e-13 || math.Abs(upper.Upper/third.Upper-1) > 1e-13 {
			t.Errorf("%v and %v do not fill %v", lower, upper, third)
		}
	}
}

func TestToneStandsInItsBand(t *testing.T) {
	const rate, size = 44100, 16384
	width := float64(rate) / size
	for name, bands := range map[string][]Band{"third": ThirdOctaves(), "sixth": SixthOctaves()} {
		for i, b := range bands {
			// From where the band holds the whole width of the window.
			if b.Upper-b.Lower < 6*width {
				continue
			}
			for _, hz := range []float64{b.Mid, b.Lower + 3*width, b.Upper - 3*width} {
				w := newWelch(t, size)
				w.Write(sine(hz, 0.1, rate, 4*size))
				levels := Levels(w.Power(), rate, bands)
				if math.Abs(float64(levels[i])+23.0103) > 0.05 {
					t.Errorf("%s octave, %.1f Hz at −23.01 dBFS reads %v in %v", name, hz, levels[i], b)
				}
				for j, level := range levels {
					if (j < i-1 || j > i+1) && level > -80 {
						t.Errorf("%s octave, %.1f Hz leaks %v into %v", name, hz, level, bands[j])
					}
				}
			}
		}
	}
}

// slope is the least-squares slope of levels in dB per band.
func slope(levels []float64) float64 {
	var sx, sy, sxx, sxy float64
	for i, v := range levels {
		x := float64(i)
		sx, sy, sxx, sxy = sx+x, sy+v, sxx+x*x, sxy+x*v
	}
	n := float64(len(levels))
	return (n*sxy - sx*sy) / (n*sxx - sx*sx)
}

func TestNoiseSlopes(t *testing.T) {
	const rate, size = 44100, 16384
	white := noise(31, 60*rate)
	// Pink noise made in the frequency domain: amplitude 1/√f, random phase.
	const long = 1 << 16
	f, bins, pink := newFFT(t, long), make([]complex128, long/2+1), make([]float64, long)
	phase := noise(32, long)
	var sum float64
	for k := 1; k < long/2; k++ {
		a := 1 / math.Sqrt(float64(k))
		bins[k] = complex(a*math.Cos(math.Pi*phase[k]), a*math.Sin(math.Pi*phase[k]))
		sum += 2 * a * a
	}
	f.Inverse(pink, bins)
	meanPink := sum / long / long
	var pinkLong []float64
	for range 20 { // periodic, so that it can go on
		pinkLong = append(pinkLong, pink...)
	}

	for name, c := range map[string]struct {
		x        []float64
		perBand  float64 // dB per sixth octave, exact for the base-10 ratio
		at1k, ms float64 // share of the power per Hz at 1 kHz; mean square
	}{
		"white": {white, 10 * 0.3 / 6, 2.0 / rate, 1.0 / 3},
		"pink":  {pinkLong, 0, 0, meanPink},
	} {
		w := newWelch(t, size)
		w.Write(c.x)
		bands := SixthOctaves()
		levels := Levels(w.Power(), rate, bands)
		var tested []float64
		for i, b := range bands {
			if b.Mid > 100 {
				tested = append(tested, float64(levels[i]))
			}
		}
		if got := slope(tested); math.Abs(got-c.perBand) > 0.01 {
			t.Errorf("%s noise rises %.3f dB a band, want %.3f", name, got, c.perBand)
		}
		if c.at1k > 0 {
			b := bands[34]
			want := 10 * math.Log10(c.ms*c.at1k*(b.Upper-b.Lower))
			if math.Abs(float64(levels[34])-want) > 0.3 { // about 1000 independent values: 0.14 dB
				t.Errorf("%s noise reads %v in %v, want %.2f", name, levels[34], b, want)
			}
		}
	}
}

func TestLevelsAddUp(t *testing.T) {
	// Bands that fill everything hold all the power, wherever the edges fall.
	w := newWelch(t, 64)
	w.Write(noise(41, 5000))
	power := w.Power()
	edges := []float64{0, 0.1, 300, 344.5, 1000, 1000.5, 9999, 21900, 22040, 30000}
	var bands []Band
	for i := range edges[1:] {
		bands = append(bands, Band{Lower: edges[i], Upper: edges[i+1]})
	}
	var sum float64
	for _, level := range Levels(power, 44100, bands) {
		sum += math.Pow(10, float64(level)/10)
	}
	if math.Abs(sum/total(power)-1) > 1e-12 {
		t.Errorf("bands hold %g, bins hold %g", sum, total(power))
	}
}

func TestLevelsOutOfReach(t *testing.T) {
	w := newWelch(t, 1024)
	for _, level := range Levels(w.Power(), 44100, ThirdOctaves()) {
		if !math.IsNaN(float64(level)) {
			t.Fatalf("%v before anything was measured", level)
		}
	}
	w.Write(make([]float64, 2048))
	for _, level := range Levels(w.Power(), 44100, ThirdOctaves()) {
		if !math.IsInf(float64(level), -1) {
			t.Fatalf("silence reads %v", level)
		}
	}
	w.Write(noise(1, 4096))
	for i, level := range Levels(w.Power(), 16000, ThirdOctaves()) {
		above := ThirdOctaves()[i].Lower >= 8000
		if math.IsInf(float64(level), -1) != above {
			t.Errorf("at 16 kHz the band at %.0f Hz reads %v", ThirdOctaves()[i].Mid, level)
		}
	}
}

// TestNominalFrequencies: a band's name is its middle, rounded.
func TestNominalFrequencies(t *testing.T) {
	for i, b := range ThirdOctaves() {
		if d := NominalHz(i)/b.Mid - 1; math.Abs(d) > 0.02 {
			t.Errorf("band %d is called %v Hz and is at %.1f Hz", i, NominalHz(i), b.Mid)
		}
	}
}
