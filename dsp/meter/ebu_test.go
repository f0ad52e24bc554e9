package meter

import (
	"fmt"
	"math"
	"testing"

	"chapterhouse/dsp"
)

// The signals are those of EBU Tech 3341 Table 1 and Tech 3342 Table 1; cases 7
// and 8, 5 and 6 are recorded programmes that can't be made here.

var silence = math.Inf(-1)

// expect is a row's expectation and tolerance.
type expect struct{ want, minus, plus float64 }

func expected(t *testing.T, row map[string]string) expect {
	t.Helper()
	return expect{number(t, row["expected"]), number(t, row["tol_minus"]), number(t, row["tol_plus"])}
}

func (e expect) check(t *testing.T, what string, got float64) {
	t.Helper()
	if !(got >= e.want-e.minus && got <= e.want+e.plus) {
		t.Errorf("%s: %.3f, want %.2f -%.2f +%.2f", what, got, e.want, e.minus, e.plus)
	}
}

// row checks one value as a test named after its row of the table.
func (e expect) row(t *testing.T, name string, got float64) {
	t.Helper()
	t.Run(name, func(t *testing.T) {
		e.check(t, name, got)
		t.Logf("%.3f, want %.2f -%.2f +%.2f", got, e.want, e.minus, e.plus)
	})
}

func stereo(rateHz int, x []float64) Levels {
	m := New(rateHz, 2)
	m.Write(x, x)
	return m.Levels()
}

func atRates(t *testing.T, f func(t *testing.T, rateHz int)) {
	for _, rate := range []int{44100, 48000} {
		t.Run(fmt.Sprint(rate), func(t *testing.T) { f(t, rate) })
	}
}

func TestEBU3341Integrated(t *testing.T) {
	atRates(t, func(t *testing.T, rate int) {
		for _, id := range []string{"1", "2", "3", "4", "5"} {
			row := caseRow(t, "ebu3341.csv", id)
			l := stereo(rate, tone(rate, segments(t, row["segments"])...))
			e := expected(t, row)
			e.row(t, "case "+id+" I", float64(l.Integrated))
			if row["metric"] == "M S I" {
				e.row(t, "case "+id+" M", float64(l.MaxMomentary))
				e.row(t, "case "+id+" S", float64(l.MaxShortTerm))
			}
		}
	})
}

func TestEBU3341Surround(t *testing.T) {
	row := caseRow(t, "ebu3341.csv", "6")
	const rate = 48000
	front, centre, surround := tone(rate, segment{20, -28}), tone(rate, segment{20, -24}), tone(rate, segment{20, -30})
	m := New(rate, 5)
	m.Write(front, front, centre, surround, surround)
	expected(t, row).row(t, "case 6 I", float64(m.Levels().Integrated))
	six := New(rate, 6) // the LFE channel is left out
	six.Write(front, front, centre, tone(rate, segment{20, -3}), surround, surround)
	expected(t, row).row(t, "case 6 with LFE, I", float64(six.Levels().Integrated))
}

// watch writes both channels in steps of 10 ms and looks after each.
func watch(rateHz int, x []float64, look func(seconds float64, l *Loudness)) {
	m := New(rateHz, 2)
	step := rateHz / 100
	for from := 0; from+step <= len(x); from += step {
		m.Write(x[from:from+step], x[from:from+step])
		look(float64(from+step)/float64(rateHz), m.loudness)
	}
}

func TestEBU3341Constant(t *testing.T) {
	atRates(t, func(t *testing.T, rate int) {
		short, momentary := caseRow(t, "ebu3341.csv", "9"), caseRow(t, "ebu3341.csv", "12")
		t.Run("case 9 S", func(t *testing.T) {
			watch(rate, tone(rate, segments(t, short["segments"])...), func(at float64, l *Loudness) {
				if at >= 3 {
					expected(t, short).check(t, fmt.Sprintf("case 9 S at %.2f s", at), float64(l.ShortTerm()))
				}
			})
		})
		t.Run("case 12 M", func(t *testing.T) {
			watch(rate, tone(rate, segments(t, momentary["segments"])...), func(at float64, l *Loudness) {
				if at >= 1 {
					expected(t, momentary).check(t, fmt.Sprintf("case 12 M at %.2f s", at), float64(l.Momentary()))
				}
			})
		})
	})
}

func TestEBU3341MaxOfFiles(t *testing.T) {
	atRates(t, func(t *testing.T, rate int) {
		for i := range 20 {
			short := stereo(rate, tone(rate, segment{float64(i) * 0.15, silence}, segment{3, -23}, segment{1, silence}))
			expected(t, caseRow(t, "ebu3341.csv", "10")).row(t, fmt.Sprintf("case 10 file %d max S", i), float64(short.MaxShortTerm))
			momentary := stereo(rate, tone(rate, segment{float64(i) * 0.02, silence}, segment{0.4, -23}, segment{1, silence}))
			expected(t, caseRow(t, "ebu3341.csv", "13")).row(t, fmt.Sprintf("case 13 file %d max M", i), float64(momentary.MaxMomentary))
		}
	})
}

func TestEBU3341MaxOfStream(t *testing.T) {
	for _, c := range []struct {
		id               string
		delay, on, total float64
		max              func(*Loudness) dsp.LUFS
	}{
		{"11", 0.15, 3, 6, (*Loudness).MaxShortTerm},
		{"14", 0.02, 0.4, 0.8, (*Loudness).MaxMomentary},
	} {
		atRates(t, func(t *testing.T, rate int) {
			row := caseRow(t, "ebu3341.csv", c.id)
			if row["expected"] != "-38+i" {
				t.Fatalf("case %s expects %q", c.id, row["expected"])
			}
			minus, plus := number(t, row["tol_minus"]), number(t, row["tol_plus"])
			var stream []segment
			for i := range 20 {
				delay := c.delay * float64(i)
				stream = append(stream, segment{delay, silence}, segment{c.on, -38 + float64(i)}, segment{c.total - c.on - delay, silence})
			}
			next := 1
			watch(rate, tone(rate, stream...), func(at float64, l *Loudness) {
				// The maximum of one step stands when the next begins.
				if at >= c.total*float64(next)-0.001 && next <= 20 {
					e := expect{-38 + float64(next-1), minus, plus}
					e.row(t, fmt.Sprintf("case %s step %d", c.id, next-1), float64(c.max(l)))
					next++
				}
			})
			if next != 21 {
				t.Errorf("case %s: %d steps seen, want 20", c.id, next-1)
			}
		})
	}
}

// fadedSine is a second of sine with fades of 10 ms.
func fadedSine(rateHz int, perRate, amplitude, degrees float64) []float64 {
	x := make([]float64, rateHz)
	fade := rateHz / 100
	for i := range x {
		edge := math.Min(1, float64(min(i, len(x)-1-i))/float64(fade))
		x[i] = edge * amplitude * math.Sin(2*math.Pi*float64(i)*perRate+degrees*math.Pi/180)
	}
	return x
}

func TestEBU3341TruePeak(t *testing.T) {
	for _, c := range []struct {
		id                          string
		perRate, amplitude, degrees float64
	}{
		{"15", 1. / 4, 0.50, 0}, {"16", 1. / 4, 0.50, 45}, {"17", 1. / 6, 0.50, 60}, {"18", 1. / 8, 0.50, 67.5}, {"19", 1. / 4, 1.41, 45},
	} {
		atRates(t, func(t *testing.T, rate int) {
			l := stereo(rate, fadedSine(rate, c.perRate, c.amplitude, c.degrees))
			expected(t, caseRow(t, "ebu3341.csv", c.id)).row(t, "case "+c.id+" TP", float64(l.TruePeak))
		})
	}
}

// TestEBU3341TruePeakBetween makes the signal of cases 20 to 23 at four times the
// rate: in a sine of a sixth of the rate one period of a quarter of the rate at
// twice the amplitude, low-passed and decimated at each of four offsets.
func TestEBU3341TruePeakBetween(t *testing.T) {
	const rate, over = 48000, 4
	var x []float64
	sine := func(period, samples int, amplitude float64) {
		for i := range samples {
			x = append(x, amplitude*math.Sin(2*math.Pi*float64(i)/float64(period)))
		}
	}
	sine(6*over, 200*6*over, 0.5)
	sine(4*over, 4*over, 1)
	sine(6*over, 200*6*over, 0.5)
	fade := rate * over / 100
	for i := range fade {
		x[i] *= float64(i) / float64(fade)
		x[len(x)-1-i] *= float64(i) / float64(fade)
	}
	h := lowPass(257, 0.45/over)
	for offset := range over {
		var y []float64
		for at := offset; at < len(x); at += over {
			var v float64
			for k, w := range h {
				if i := at + k - len(h)/2; i >= 0 && i < len(x) {
					v += w * x[i]
				}
			}
			y = append(y, v)
		}
		id := fmt.Sprint(20 + offset)
		expected(t, caseRow(t, "ebu3341.csv", id)).row(t, "case "+id+" TP", float64(stereo(rate, y).TruePeak))
	}
}

// lowPass is a sinc under a Kaiser window, β = 10, gain 1 at 0.
func lowPass(taps int, cutoff float64) []float64 {
	bessel := func(x float64) float64 {
		sum, term := 1.0, 1.0
		for k := 1.0; k < 60; k++ {
			term *= x * x / 4 / (k * k)
			sum += term
		}
		return sum
	}
	h := make([]float64, taps)
	var total float64
	for i := range h {
		m := float64(i - taps/2)
		s := 2 * cutoff
		if m != 0 {
			s = math.Sin(2*math.Pi*cutoff*m) / (math.Pi * m)
		}
		u := m / float64(taps/2)
		h[i] = s * bessel(10*math.Sqrt(1-u*u))
		total += h[i]
	}
	for i := range h {
		h[i] /= total
	}
	return h
}

func TestEBU3342Range(t *testing.T) {
	atRates(t, func(t *testing.T, rate int) {
		for _, id := range []string{"1", "2", "3", "4"} {
			row := caseRow(t, "ebu3342.csv", id)
			x := tone(rate, segments(t, row["segments"])...)
			tol := number(t, row["tol_lu"])
			e := expect{number(t, row["expected_lra_lu"]), tol, tol}
			e.row(t, "case "+id+" LRA", float64(stereo(rate, x).RangeLU))
			// Tech 3342: repeating the whole signal must not change the result.
			if rate == 48000 {
				e.row(t, "case "+id+" twice", float64(stereo(rate, append(x[:len(x):len(x)], x...)).RangeLU))
			}
		}
	})
}
