package main

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
)

// dynamicsRows holds compressor, expander and dynamic bands of eq, through their
// registered stages, to their times, splits and gains.
func dynamicsRows(ctx context.Context, s *site, t *table) error {
	d := &dynamicsProof{random: rand.New(rand.NewPCG(s.seed, 21)), t: t}
	for _, rows := range []func() error{d.workedStep, d.times, d.program, d.splits, d.parallel, d.expander, d.dynamicBands, d.plateau} {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := rows(); err != nil {
			return err
		}
	}
	t.note("Dynamics: through the stages and the engine, from random frames, in random blocks. A release is counted from where the held detector lets")
	t.note("go; program: from the end of the loud stretch to 63.2 %% of the way back in dB. What leaks is 1 less the gain beside the split.")
	return nil
}

type dynamicsProof struct {
	random *rand.Rand
	t      *table
}

func (d *dynamicsProof) run(stage string, rateHz float64, x []float64) ([]float64, error) {
	ps, err := staged("  - "+stage+"\n", rateHz, -80)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", stage, err)
	}
	return cutAtRandom(ps, x, d.random), nil
}

// levelSteps is a square wave whose level goes through levels, peak dBFS, each as long
// as its seconds.
func levelSteps(rateHz float64, levelsAndS ...float64) []float64 {
	var x []float64
	for i := 0; i < len(levelsAndS); i += 2 {
		for range int(levelsAndS[i+1] * rateHz) {
			x = append(x, math.Pow(10, levelsAndS[i]/20)*(1-2*float64(len(x)/20%2)))
		}
	}
	return x
}

// gainsDB is the gain of each sample.
func gainsDB(x, y []float64) []float64 {
	g := make([]float64, len(x))
	for i := range x {
		g[i] = inDB(math.Abs(y[i] / x[i]))
	}
	return g
}

// wayMS is how long after sample from the gain has gone 63.2 % of the way from
// one gain to another.
func wayMS(g []float64, from int, start, end, rateHz float64) float64 {
	want := end + (start-end)/math.E
	for i := from; i < len(g); i++ {
		if (g[i]-want)*(end-start) >= 0 {
			return 1000 * float64(i-from) / rateHz
		}
	}
	return math.Inf(1)
}

// workedStep is from the formulas of Giannoulis, Massberg and Reiss 2012.
func (d *dynamicsProof) workedStep() error {
	worst := 0.0
	for _, rate := range []float64{44100, 48000, 96000} {
		x := levelSteps(rate, -26, 0.5, -6, 0.5)
		y, err := d.run("compressor: {threshold_over_speech_db: 3, ratio: 4, knee_db: 0, attack_ms: 10, release_ms: 100, detector: peak}", rate, x)
		if err != nil {
			return err
		}
		g, start := gainsDB(x, y), int(0.5*rate)
		for _, p := range [][2]float64{{10, -6.637}, {20, -9.079}, {16.58, -8.5}, {200, -10.5}} {
			at := start + int(math.Round(p[0]/1000*rate))
			// The course begins with the control step that the level steps in,
			// which lasts 0.18 ms.
			least := math.Inf(1)
			for i := at - int(0.0002*rate); i <= at+int(0.0002*rate); i++ {
				least = min(least, math.Abs(g[i]-p[1]))
			}
			worst = max(worst, least)
		}
	}
	d.t.atMost("compressor, worked step -26 to -6 dBFS, 4:1 at -20: gain at 10, 16.58, 20, 200 ms", worst, 0.02, "%.4f dB", "within 0.2 ms of each, 3 rates")
	return nil
}

// times are attack and release, measured in processed audio.
func (d *dynamicsProof) times() error {
	for _, rate := range []float64{44100, 48000, 96000} {
		worst, worstText, met := 0.0, "", true
		for _, c := range [][2]float64{{1, 40}, {2, 100}, {10, 150}, {50, 400}, {5, 800}} {
			loudS := 0.3 + 12*c[0]/1000
			x := levelSteps(rate, -26, 0.3, -6, loudS, -26, 0.1+2*c[1]/1000)
			y, err := d.run(fmt.Sprintf("compressor: {threshold_over_speech_db: 3, ratio: 4, knee_db: 0, attack_ms: %g, release_ms: %g, detector: peak}", c[0], c[1]), rate, x)
			if err != nil {
				return err
			}
			g := gainsDB(x, y)
			attack := wayMS(g, int(0.3*rate), 0, -10.5, rate)
			letGo := int(0.3*rate) + int(loudS*rate)
			for g[letGo] < -10.49 {
				letGo++
			}
			release := wayMS(g, letGo, g[letGo], 0, rate)
			for _, m := range [][2]float64{{attack, c[0]}, {release, c[1]}} {
				off := math.Abs(m[0] - m[1])
				met = met && off <= max(0.05*m[1], 0.2)
				if share := off / max(0.05*m[1], 0.2); share >= worst {
					worst, worstText = share, fmt.Sprintf("%.2f ms for %g", m[0], m[1])
				}
			}
		}
		d.t.hold(fmt.Sprintf("compressor, attack 1 to 50 ms and release 40 to 800 ms at %g Hz", rate), "worst "+worstText, "±5 % or ±0.2 ms", met)
	}
	return nil
}

func (d *dynamicsProof) program() error {
	back := func(loudS float64, timing, detector string, releaseMS, rate float64) (float64, error) {
		x := levelSteps(rate, -60, 0.2, -6, loudS, -60, 4)
		y, err := d.run(fmt.Sprintf("compressor: {threshold_over_speech_db: 3, ratio: 3, attack_ms: 5, release_ms: %g, detector: %s, timing: %s}", releaseMS, detector, timing), rate, x)
		if err != nil {
			return 0, err
		}
		g, end := gainsDB(x, y), int(0.2*rate)+int(loudS*rate)
		return wayMS(g, end, g[end-1], 0, rate) / 1000, nil
	}
	longest, shortest, rest := 0.0, math.Inf(1), math.Inf(-1)
	course := ""
	for _, rate := range []float64{44100, 48000, 96000} {
		for _, detector := range []string{"peak", "rms"} {
			for _, releaseMS := range []float64{20, 120, 250} {
				a, err := back(0.2, "program", detector, releaseMS, rate)
				if err != nil {
					return err
				}
				b, err := back(5, "program", detector, releaseMS, rate)
				if err != nil {
					return err
				}
				f, err := back(5, "fixed", detector, releaseMS, rate)
				if err != nil {
					return err
				}
				longest, shortest, rest = max(longest, a), min(shortest, b), max(rest, f)
			}
		}
	}
	for _, loudS := range []float64{0.2, 0.5, 1, 2, 5} {
		v, err := back(loudS, "program", "rms", 120, 44100)
		if err != nil {
			return err
		}
		course += fmt.Sprintf("%.2f s after %g s; ", v, loudS)
	}
	d.t.atMost("compressor, program timing, 63.2 % back after 0.2 s of compression", longest, 0.3, "%.3f s", "longest of release 20 to 250 ms, both detectors, 3 rates")
	d.t.hold("compressor, program timing, 63.2 % back after 5 s of compression", fmt.Sprintf("%.3f s, shortest of the same", shortest), "at least 1.2 s", shortest >= 1.2)
	d.t.tell("compressor, program timing, release 120 ms", course+fmt.Sprintf("fixed timing %.2f s at most", rest))
	return nil
}

// toneGain is the gain of a sine in the second half of 2 s, with another sine or
// none beside it.
func (d *dynamicsProof) toneGain(stage string, hz, peakDBFS, besideHz, besideDBFS float64) (float64, error) {
	const rate = 44100
	x := sineWave(hz, peakDBFS, rate, 2*rate)
	if besideHz > 0 {
		for i, v := range sineWave(besideHz, besideDBFS, rate, 2*rate) {
			x[i] += v
		}
	}
	y, err := d.run(stage, rate, x)
	if err != nil {
		return 0, err
	}
	return inDB(takeSine(y[rate:], hz, rate)) - peakDBFS, nil
}

func (d *dynamicsProof) splits() error {
	const rate = 44100
	flat := 0.0
	for _, edges := range []string{"above_hz: 150", "above_hz: 3000", "below_hz: 250", "above_hz: 200, below_hz: 400", "above_hz: 300, below_hz: 3000"} {
		ps, err := staged("  - compressor: {threshold_over_speech_db: 23, ratio: 2, attack_ms: 1, release_ms: 50, "+edges+"}\n", rate, -80)
		if err != nil {
			return err
		}
		h := impulseResponse(ps, rate, d.random)
		for hz := 20.0; hz < 20000; hz *= 1.07 {
			flat = max(flat, math.Abs(inDB(cmplx.Abs(fourier(h, hz, rate)))))
		}
	}
	d.t.atMost("compressor, split at rest, 20 Hz to 20 kHz", flat, 0.01, "%.5f dB", "5 splits")
	at100, slope, whole := 0.0, math.Inf(1), 0.0
	for _, above := range []float64{200, 500, 1000, 3000, 5000} {
		stage := fmt.Sprintf("compressor: {threshold_over_speech_db: 3, ratio: 20, range_db: 10, knee_db: 0, attack_ms: 1, release_ms: 50, detector: peak, above_hz: %g}", above)
		in := min(3*above, 12000.0)
		moved := func(hz float64) (float64, error) { return d.toneGain(stage, hz, -70, in, -6) }
		low, err := moved(100)
		if err != nil {
			return err
		}
		near, err := moved(math.Round(above * 0.6))
		if err != nil {
			return err
		}
		far, err := moved(math.Round(above * 0.3))
		if err != nil {
			return err
		}
		middle, err := d.toneGain(stage, in, -6, 0, 0)
		if err != nil {
			return err
		}
		leak := func(db float64) float64 { return inDB(max(1e-12, 1-math.Pow(10, db/20))) }
		at100, whole = max(at100, math.Abs(low)), max(whole, math.Abs(middle+10))
		slope = min(slope, leak(near)-leak(far))
	}
	d.t.atMost("compressor above 200 Hz to 5 kHz, 10 dB of reduction: 100 Hz moves", at100, 0.1, "%.4f dB", "")
	d.t.hold("compressor above 200 Hz to 5 kHz: leakage below the split falls", fmt.Sprintf("%.1f dB per octave", slope), "at least 24 dB", slope >= 24)
	d.t.atMost("compressor, range 10 dB, reduction in the part", whole, 0.05, "%.3f dB off", "")
	return nil
}

func (d *dynamicsProof) parallel() error {
	worst := 0.0
	want := inDB(0.4 + 0.6*math.Pow(10, -10.5/20))
	for _, extra := range []string{"", ", look_ahead_ms: 7", ", above_hz: 400, look_ahead_ms: 3"} {
		for hz := 2003.0; hz < 16000; hz = math.Round(hz * 1.31) {
			got, err := d.toneGain("compressor: {threshold_over_speech_db: 3, ratio: 4, knee_db: 0, attack_ms: 1, release_ms: 100, detector: peak, parallel_percent: 40"+extra+"}", hz, -6, 0, 0)
			if err != nil {
				return err
			}
			worst = max(worst, math.Abs(got-want))
		}
	}
	d.t.atMost("compressor, 40 % untouched beside 10.5 dB of reduction, 2 to 16 kHz: the sum's gain", worst, 0.05, "%.3f dB", fmt.Sprintf("from %.2f dB; with and without look-ahead and split", want))
	return nil
}

// expander holds the open bands' sum.
func (d *dynamicsProof) expander() error {
	const rate = 44100
	flat := 0.0
	for n, crossovers := range []string{"", "crossovers_hz: [900], ", "crossovers_hz: [300, 3000], ", "crossovers_hz: [160, 1800, 6000], "} {
		bands := ""
		for range n + 1 {
			bands += "{over_room_tone_db: 6, ratio: 1, range_db: 6}, "
		}
		ps, err := staged("  - expander: {"+crossovers+"bands: ["+bands[:len(bands)-2]+"]}\n", rate, -80)
		if err != nil {
			return err
		}
		h := impulseResponse(ps, rate, d.random)
		for hz := 20.0; hz < 20000; hz *= 1.07 {
			flat = max(flat, math.Abs(inDB(cmplx.Abs(fourier(h, hz, rate)))))
		}
	}
	d.t.atMost("expander, sum of 1 to 4 bands that take nothing, 20 Hz to 20 kHz", flat, 0.01, "%.5f dB", "")
	return nil
}

// dynamicBands holds each shape at rest and at full gain against the standing one.
func (d *dynamicsProof) dynamicBands() error {
	const rate = 44100
	rest, full := 0.0, 0.0
	for _, band := range []struct {
		shape  string
		middle float64 // where a tone brings it in
	}{
		{"shape: bell, centre_hz: 1200, q: 3, gain_db: -9", 1200},
		{"shape: bell, centre_hz: 3000, q: 1, gain_db: 6", 3000},
		{"shape: low-shelf, corner_hz: 300, gain_db: -8", 50},
		{"shape: low-shelf, corner_hz: 300, gain_db: 5", 50},
		{"shape: high-shelf, corner_hz: 5000, gain_db: -10", 16000},
		{"shape: high-shelf, corner_hz: 5000, gain_db: 4", 16000},
		{"shape: plateau, from_hz: 560, to_hz: 780, gain_db: -6", 661},
		{"shape: plateau, from_hz: 2000, to_hz: 5000, gain_db: 3", 3162},
	} {
		shape, middle := band.shape, band.middle
		standing, err := staged("  - eq: [{"+shape+"}]\n", rate, -80)
		if err != nil {
			return err
		}
		h := impulseResponse(standing, rate, d.random)
		for hz := 50.0; hz < 18000; hz = math.Round(hz * 1.47) {
			atRest, err := d.toneGain("eq: [{"+shape+", dynamic: {threshold_over_speech_db: 20}}]", hz, -23, 0, 0)
			if err != nil {
				return err
			}
			// A loud tone in the band's middle brings it in; a soft one shows what it does.
			if math.Abs(hz-middle) < 2 {
				continue
			}
			got, err := d.toneGain("eq: [{"+shape+", dynamic: {threshold_over_speech_db: -40, attack_ms: 1, release_ms: 100}}]", hz, -70, middle, -12)
			if err != nil {
				return err
			}
			want := inDB(cmplx.Abs(fourier(h, hz, rate)))
			rest, full = max(rest, math.Abs(atRest)), max(full, math.Abs(got-want))
		}
	}
	d.t.atMost("eq, dynamic bands at rest: bell, shelves, plateau", rest, 0.01, "%.5f dB", "8 bands, 50 Hz to 18 kHz")
	d.t.atMost("eq, dynamic bands at full gain beside the static band", full, 0.1, "%.4f dB", "the same")
	return nil
}

func (d *dynamicsProof) plateau() error {
	const rate = 44100
	floor, outside := 0.0, 0.0
	for _, p := range [][3]float64{{560, 780, -3}, {200, 500, -6}, {2000, 5000, 6}, {120, 240, -12}} {
		ps, err := staged(fmt.Sprintf("  - eq: [{shape: plateau, from_hz: %g, to_hz: %g, gain_db: %g}]\n", p[0], p[1], p[2]), rate, -80)
		if err != nil {
			return err
		}
		h := impulseResponse(ps, rate, d.random)
		margin, third := math.Pow(p[1]/p[0], 0.1), math.Pow(2, 1./3)
		for hz := 25.0; hz < 19000; hz *= 1.01 {
			db := inDB(cmplx.Abs(fourier(h, hz, rate)))
			switch {
			case hz >= p[0]*margin && hz <= p[1]/margin:
				floor = max(floor, math.Abs(db-p[2]))
			case hz <= p[0]/third || hz >= p[1]*third:
				outside = max(outside, math.Abs(db))
			}
		}
	}
	d.t.atMost("eq, plateau, floor over the inner 80 % of its width", floor, 0.25, "%.3f dB", "4 plateaus")
	d.t.atMost("eq, plateau, a third of an octave outside and beyond", outside, 0.5, "%.3f dB", "the same")
	return nil
}
