package kernel

import "math"

// DBToAmplitudes writes 10^(dB/20) of each level of src to dst, which may be
// src. Levels are held to ±6000 dB. The relative error is below 3e-9
// (2e-8 dB); 0 dB gives 1 exactly.
//
// The whole octaves go into the exponent; the rest, f within ±½, is
// 2^f = 1 + f·q(f) with q the minimax polynomial of degree 5 (Remez exchange).
func DBToAmplitudes(dst, src []float64) {
	const (
		mantissaBits = 52
		roundToWhole = 0x1.8p52 // added to a small number, it leaves no bits behind the point
		limit        = 6000

		c0 = 0.6931472028547621795
		c1 = 0.2402264791350980789
		c2 = 0.0555033247167530887
		c3 = 0.00961843737818305294
		c4 = 0.001339887425307311906
		c5 = 0.0001535335567636346931
	)
	dst = dst[:len(src)]
	if whole := len(src) &^ 3; vectors && whole > 0 {
		exps4(&dst[0], &src[0], whole/4)
		dst, src = dst[whole:], src[whole:]
	}
	for i, v := range src {
		if !(v >= -limit) {
			v = -limit
		}
		if v > limit {
			v = limit
		}
		octaves := float64(v * (1 / amplitudeOctaveDB))
		shifted := octaves + roundToWhole
		f := octaves - (shifted - roundToWhole)
		f2 := float64(f * f)
		f4 := float64(f2 * f2)
		q := (c0 + float64(c1*f)) + float64(f2*(c2+float64(c3*f))) + float64(f4*(c4+float64(c5*f)))
		p := 1 + float64(f*q)
		dst[i] = math.Float64frombits(math.Float64bits(p) + math.Float64bits(shifted)<<mantissaBits)
	}
}
