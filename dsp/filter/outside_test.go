package filter_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"os/exec"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/filter"
)

// program runs an outside program over raw little-endian float64 samples.
func program(t *testing.T, x []float64, name string, args ...string) []float64 {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatalf("%s is not installed, and CHAPTERHOUSE_REQUIRE=all asks for it", name)
		}
		t.Skipf("%s is not installed: install the package %s to compare with it", name, name)
	}
	var in, out, said bytes.Buffer
	if err := binary.Write(&in, binary.LittleEndian, x); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(name, args...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = &in, &out, &said
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, said.String())
	}
	y := make([]float64, out.Len()/8)
	if err := binary.Read(&out, binary.LittleEndian, y); err != nil {
		t.Fatal(err)
	}
	return y
}

func ffmpeg(t *testing.T, x []float64, graph string) []float64 {
	return program(t, x, "ffmpeg", "-v", "error", "-f", "f64le", "-ar", "44100", "-ac", "1", "-i", "pipe:0",
		"-filter_complex", graph, "-map", "[o]", "-f", "f64le", "-c:a", "pcm_f64le", "pipe:1")
}

func sox(t *testing.T, x []float64, effect ...string) []float64 {
	raw := []string{"-t", "raw", "-e", "floating-point", "-b", "64", "-r", "44100", "-c", "1", "-"}
	return program(t, x, "sox", append(append(append([]string{"-D"}, raw...), raw...), effect...)...)
}

// The same filters in two programs that others wrote, on noise. A residual of
// -58.8 dB is a difference of 0.01 dB. Float64 leaves less than -250 dB, sox
// with its 32-bit integers -170 dB; -120 dB shows any fault in between.
func TestAgainstOtherPrograms(t *testing.T) {
	const atMostDB = -120.0
	x := dsptest.Noise(1, 5*44100)
	for i := range x {
		x[i] /= 8
	}
	must := must(t)
	bell := filter.New(must(filter.Bell(620, -7, 1.8, rate)))
	shelf := filter.New(must(filter.HighShelf(8000, 3, 1, rate)))
	highpass := filter.New(must(filter.Highpass(80, 12, rate)))
	for _, c := range []struct {
		name string
		own  dsp.Processor
		want func(t *testing.T) []float64
	}{
		{"ffmpeg bell", bell, func(t *testing.T) []float64 {
			return ffmpeg(t, x, "equalizer=f=620:t=q:w=1.8:g=-7:r=f64[o]")
		}},
		{"ffmpeg high shelf", shelf, func(t *testing.T) []float64 {
			return ffmpeg(t, x, "highshelf=f=8000:t=s:w=1:g=3:r=f64[o]")
		}},
		{"ffmpeg highpass", highpass, func(t *testing.T) []float64 {
			return ffmpeg(t, x, "highpass=f=80:t=q:w=0.7071067811865476:r=f64[o]")
		}},
		{"ffmpeg crossover, low", newBand(t, []float64{2600}, rate, 0), func(t *testing.T) []float64 {
			return ffmpeg(t, x, "acrossover=split=2600:order=4th:precision=double[o][h];[h]anullsink")
		}},
		{"ffmpeg crossover, high", newBand(t, []float64{2600}, rate, 1), func(t *testing.T) []float64 {
			return ffmpeg(t, x, "acrossover=split=2600:order=4th:precision=double[l][o];[l]anullsink")
		}},
		{"sox bell", bell, func(t *testing.T) []float64 { return sox(t, x, "equalizer", "620", "1.8q", "-7") }},
		{"sox highpass", highpass, func(t *testing.T) []float64 { return sox(t, x, "highpass", "80") }},
		{"sox high shelf", shelf, func(t *testing.T) []float64 { return sox(t, x, "treble", "+3", "8000", "1s") }},
	} {
		t.Run(c.name, func(t *testing.T) {
			want := c.want(t)
			if len(want) != len(x) {
				t.Fatalf("%d samples came back of %d", len(want), len(x))
			}
			c.own.Reset()
			var signal, residual float64
			at := 0
			compare := func(y []float64) {
				for _, v := range y {
					d := v - want[at]
					signal += want[at] * want[at]
					residual += d * d
					at++
				}
			}
			e := dsp.NewEngine(0, c.own)
			e.Write(x, compare)
			e.Close(compare)
			db := 10 * math.Log10(residual/signal)
			if !(db <= atMostDB) {
				t.Errorf("residual %.1f dB, want at most %.1f", db, atMostDB)
			}
			t.Logf("residual %.1f dB", db)
		})
	}
}
