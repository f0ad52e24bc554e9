package meter

import (
	"fmt"
	"math"
	"testing"

	"chapterhouse/dsp/kernel"
)

// ITU-R BS.1770-5 Annex 1 tables 1 and 2 at 48 kHz; other rates as libebur128
// derives them.
func TestKWeightingCoefficients(t *testing.T) {
	for _, row := range reference(t, "k_weighting_48k.csv") {
		sections := KWeighting(number(t, row["fs"]))
		q := sections[0]
		if row["stage"] != "pre_shelf" {
			q = sections[1]
		}
		got, ok := map[string]float64{"b0": q.B0, "b1": q.B1, "b2": q.B2, "a1": q.A1, "a2": q.A2}[row["coef"]]
		if !ok {
			t.Fatalf("coefficient %q", row["coef"])
		}
		t.Run(fmt.Sprintf("BS.1770 %s Hz %s %s", row["fs"], row["stage"], row["coef"]), func(t *testing.T) {
			// The table's 15 digits.
			if want := number(t, row["value"]); math.Abs(got-want) > 1e-14 {
				t.Errorf("%.17g, want %.17g", got, want)
			}
		})
	}
}

func TestKWeightingResponse(t *testing.T) {
	for _, row := range reference(t, "k_weighting_response.csv") {
		for column, rate := range map[string]float64{"mag_db_48k": 48000, "mag_db_44k1": 44100} {
			t.Run(fmt.Sprintf("K at %s Hz, rate %v", row["freq_hz"], rate), func(t *testing.T) {
				got, _ := kernel.Response(KWeighting(rate), number(t, row["freq_hz"]), rate)
				if want := number(t, row[column]); math.Abs(got-want) > 0.0001 {
					t.Errorf("%.4f dB, want %.4f", got, want)
				}
			})
		}
	}
}

// TestKWeightedTone reads 997 Hz at 0 dBFS: −3.01 LKFS in one channel says
// BS.1770, and channels add as energy whatever their polarity.
func TestKWeightedTone(t *testing.T) {
	const rate = 48000
	x := make([]float64, 5*rate)
	negative := make([]float64, len(x))
	for i := range x {
		x[i] = math.Sin(2 * math.Pi * 997 * float64(i) / rate)
		negative[i] = -x[i]
	}
	mono := New(rate, 1)
	mono.Write(x)
	for what, c := range map[string]struct{ got, want float64 }{
		"mono":      {float64(mono.Levels().Integrated), -3.01},
		"in phase":  {float64(stereo(rate, x).Integrated), 0},
		"antiphase": {func() float64 { m := New(rate, 2); m.Write(x, negative); return float64(m.Levels().Integrated) }(), 0},
	} {
		if math.Abs(c.got-c.want) > 0.005 {
			t.Errorf("997 Hz at 0 dBFS, %s: %.2f LUFS, want %.2f", what, c.got, c.want)
		}
	}
}

// IEC 61672-1, at the exact frequencies. The limit is ours and far inside
// class 1 (±0.7 dB at 1 kHz, +2.6 −3.6 dB at 10 kHz; from memory).
func TestAWeighting(t *testing.T) {
	for _, rate := range []float64{16000, 22050, 44100, 48000, 88200, 96000} {
		t.Run(fmt.Sprint(rate), func(t *testing.T) {
			for _, row := range reference(t, "a_weighting.csv") {
				f := number(t, row["exact_hz"])
				if f > 0.37*rate {
					continue // too close to half the rate for a filter of order 6
				}
				limit := 0.1
				if f > 5000 {
					limit = 0.3
				}
				t.Run(fmt.Sprintf("A at %.0f Hz", f), func(t *testing.T) {
					got, _ := kernel.Response(AWeighting(rate), f, rate)
					if want := number(t, row["a_calc_db"]); math.Abs(got-want) > limit {
						t.Errorf("%.3f dB, want %.3f", got, want)
					}
				})
			}
		})
	}
}
