package resample

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
)

// pairs are the changes that every proof of quality runs over.
var pairs = [][2]int{
	{48000, 44100}, {44100, 48000}, {96000, 44100}, {192000, 48000}, {22050, 44100},
	{44100, 22050}, {88200, 44100}, {176400, 44100}, {192000, 44100}, {32000, 44100}, {24000, 48000}, {44100, 96000},
}

func newResampler(t testing.TB, from, to int) *Resampler {
	t.Helper()
	r, err := New(from, to)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// through gives all of x in blocks of a length and gathers the whole output.
func through(r *Resampler, x []float64, block int) []float64 {
	var y []float64
	gather := func(b []float64) { y = append(y, b...) }
	for i := 0; i < len(x); i += block {
		r.Write(x[i:min(i+block, len(x))], gather)
	}
	r.Close(gather)
	return y
}

func noise(seed uint64, n int) []float64 {
	r := rand.New(rand.NewPCG(seed, 2))
	x := make([]float64, n)
	for i := range x {
		x[i] = 2*r.Float64() - 1
	}
	return x
}

func sine(hz, dbfs float64, rateHz, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		// Reduced in hertz·samples, so that the tone itself is exact.
		x[i] = math.Pow(10, dbfs/20) * math.Sin(2*math.Pi*math.Mod(hz*float64(i), float64(rateHz))/float64(rateHz))
	}
	return x
}

// fade takes the ends of x softly in and out over n samples: a tone that
// starts at once is no tone.
func fade(x []float64, n int) []float64 {
	for i := range n {
		g := 0.5 - 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(n))
		x[i] *= g
		x[len(x)-1-i] *= g
	}
	return x
}

// tone fits a·sin + b·cos + c at a frequency to y, whose first sample is at
// index start, by least squares. It returns the amplitude, the phase in radians
// and the RMS of what is left.
func tone(y []float64, start int, hz float64, rateHz int) (amplitude, phase, rest float64) {
	var m [3][4]float64
	basis := func(i int) [3]float64 {
		angle := 2 * math.Pi * math.Mod(hz*float64(start+i), float64(rateHz)) / float64(rateHz)
		s, c := math.Sincos(angle)
		return [3]float64{s, c, 1}
	}
	for i, v := range y {
		b := basis(i)
		for r := range 3 {
			for c := range 3 {
				m[r][c] += b[r] * b[c]
			}
			m[r][3] += b[r] * v
		}
	}
	for p := range 3 { // Gauss and Jordan
		for r := range 3 {
			if r == p {
				continue
			}
			k := m[r][p] / m[p][p]
			for c := range 4 {
				m[r][c] -= k * m[p][c]
			}
		}
	}
	var fit [3]float64
	for r := range 3 {
		fit[r] = m[r][3] / m[r][r]
	}
	for i, v := range y {
		b := basis(i)
		d := v - fit[0]*b[0] - fit[1]*b[1] - fit[2]
		rest += d * d
	}
	return math.Hypot(fit[0], fit[1]), math.Atan2(fit[1], fit[0]), math.Sqrt(rest / float64(len(y)))
}

func db(ratio float64) float64 { return 20 * math.Log10(ratio) }

func peak(x []float64) float64 {
	var p float64
	for _, v := range x {
		p = math.Max(p, math.Abs(v))
	}
	return p
}

func TestEveryRatioOfUsualRates(t *testing.T) {
	rates := []int{8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000, 176400, 192000}
	for _, from := range rates {
		for _, to := range rates {
			r := newResampler(t, from, to)
			x := make([]float64, 5000)
			for i := range x {
				x[i] = 0.5
			}
			y := through(r, x, 999)
			if want := (len(x)*to + from - 1) / from; len(y) != want || r.Length(5000) != dsp.Frames(want) {
				t.Errorf("%d → %d: %d samples, announced %d, want %d", from, to, len(y), r.Length(5000), want)
			}
			if v := y[len(y)/2]; math.Abs(v-0.5) > 1e-6 && r.taps < 5000 {
				t.Errorf("%d → %d: a constant 0.5 became %g", from, to, v)
			}
		}
	}
}

func TestLength(t *testing.T) {
	for _, pair := range pairs {
		from, to := pair[0], pair[1]
		r := newResampler(t, from, to)
		for _, n := range []int{0, 1, 2, 3, 146, 147, 148, 160, 161, 4095, 4096, 4097, 10007} {
			want := (n*to + from - 1) / from
			if got := len(through(r, make([]float64, n), 1000)); got != want {
				t.Errorf("%d → %d: %d samples became %d, want %d", from, to, n, got, want)
			}
		}
	}
	r := newResampler(t, 48000, 44100)
	if got := r.Length(1 << 60); got <= 0 {
		t.Errorf("length of a very long signal overflows: %d", got)
	}
}

func TestRefusals(t *testing.T) {
	for _, pair := range [][2]int{{0, 44100}, {7999, 44100}, {44100, 192001}, {-44100, 44100}, {44100, 44101}, {191999, 192000}} {
		if _, err := New(pair[0], pair[1]); err == nil {
			t.Errorf("%d → %d was accepted", pair[0], pair[1])
		}
	}
}

func TestEqualRatesPassUntouched(t *testing.T) {
	x := noise(1, 10000)
	y := through(newResampler(t, 44101, 44101), x, 777)
	if len(y) != len(x) {
		t.Fatalf("%d samples became %d", len(x), len(y))
	}
	for i := range x {
		if x[i] != y[i] {
			t.Fatalf("sample %d: %g became %g", i, x[i], y[i])
		}
	}
}

func TestBlocksDoNotMatter(t *testing.T) {
	for _, pair := range pairs {
		r := newResampler(t, pair[0], pair[1])
		x := noise(2, 15000)
		want := through(r, x, len(x))
		for _, block := range []int{1, 7, 1024, 4095, 4096, 4097} {
			got := through(r, x, block) // after a Close: as new
			for k := range want {
				if got[k] != want[k] {
					t.Fatalf("%d → %d in blocks of %d: output %d is %g, want %g", pair[0], pair[1], block, k, got[k], want[k])
				}
			}
		}
	}
}

func TestResetIsNew(t *testing.T) {
	r := newResampler(t, 48000, 44100)
	r.Write(noise(3, 5000), func([]float64) {})
	r.Reset()
	got, want := through(r, noise(4, 5000), 512), through(newResampler(t, 48000, 44100), noise(4, 5000), 512)
	for k := range want {
		if got[k] != want[k] {
			t.Fatalf("output %d differs after Reset", k)
		}
	}
}

func TestWriteDoesNotAllocate(t *testing.T) {
	for _, pair := range pairs {
		r, x := newResampler(t, pair[0], pair[1]), noise(5, 3000)
		emit := func([]float64) {}
		if n := testing.AllocsPerRun(10, func() { r.Write(x, emit) }); n != 0 {
			t.Errorf("%d → %d: %v allocations", pair[0], pair[1], n)
		}
	}
}

func TestImpulseIsSymmetric(t *testing.T) {
	for _, pair := range pairs {
		r := newResampler(t, pair[0], pair[1])
		// Input i and output k fall on the same time.
		times := (r.taps + r.m) / r.m
		i, k := times*r.m, times*r.l
		x := make([]float64, 2*i+1)
		x[i] = 1
		y := through(r, x, 1000)
		var biggest float64
		for d := 0; d <= k && k+d < len(y); d++ {
			if y[k-d] != y[k+d] {
				t.Fatalf("%d → %d: %g before and %g after the middle", pair[0], pair[1], y[k-d], y[k+d])
			}
			biggest = math.Max(biggest, math.Abs(y[k+d]))
		}
		if biggest != y[k] || y[k] < 0.1 {
			t.Errorf("%d → %d: %g in the middle, %g at most", pair[0], pair[1], y[k], biggest)
		}
	}
}

// TestAgainstTheDefinition computes outputs as a sum over all input samples
// with the filter evaluated from its formula.
func TestAgainstTheDefinition(t *testing.T) {
	i0 := func(x float64) float64 {
		sum, term := 1.0, 1.0
		for k := 1.0; k < 100; k++ {
			term *= x / 2 / k
			sum += term * term
		}
		return sum
	}
	for _, pair := range pairs {
		r := newResampler(t, pair[0], pair[1])
		x := noise(6, 1500)
		y := through(r, x, 100)
		ratio := math.Min(1, float64(pair[1])/float64(pair[0]))
		cut, half, beta := ratio*(1+20/22.05)/2, float64(r.taps)/2, 0.1102*(125-8.7)
		for k := 0; k < len(y); k += 1 + len(y)/50 {
			var want float64
			for i, v := range x {
				u := float64(k)*float64(pair[0])/float64(pair[1]) - float64(i)
				if math.Abs(u) >= half {
					continue
				}
				sinc := 1.0
				if u != 0 {
					sinc = math.Sin(math.Pi*cut*u) / (math.Pi * cut * u)
				}
				want += v * cut * sinc * i0(beta*math.Sqrt(1-u*u/half/half)) / i0(beta)
			}
			if math.Abs(y[k]-want) > 3e-6 { // the formula's own gain at 0 Hz is off by as much
				t.Errorf("%d → %d output %d: %g, want %g", pair[0], pair[1], k, y[k], want)
			}
		}
	}
}

// TestSameBits holds float64 digests of the output. They are the same under
// GOAMD64=v1, GOAMD64=v3 and GODEBUG=cpu.fma=off; another digest means that
// everything resampled must be made again.
func TestSameBits(t *testing.T) {
	for pair, want := range map[[2]int]string{
		{48000, 44100}:  "151ca27c76ba447a",
		{44100, 48000}:  "eb41fa6e51cd993d",
		{96000, 44100}:  "45bababc8e8521b4",
		{192000, 48000}: "ca4fa8c156eada52",
		{22050, 44100}:  "34578101a96c089e",
	} {
		if got := digest(t, through(newResampler(t, pair[0], pair[1]), noise(7, 20000), 1024)); got != want {
			t.Errorf("%d → %d: %s, want %s", pair[0], pair[1], got, want)
		}
	}
}

func name(pair [2]int) string { return fmt.Sprintf("%d-%d", pair[0], pair[1]) }
