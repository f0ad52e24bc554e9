package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
)

// Limits of the restoration proof.
const (
	modulationLimitDB = 1.5  // 2 to 16 Hz, against the clean recording
	estoiLimit        = 0.01 // under the raw input's
	cleanLimitDB      = 1.0  // log-spectral distance of a recording that needs nothing
	gapLimitDB        = 1.0  // between the two sides
	gapLimitRate      = 0.05
)

// A restorer is a chain that takes something away, and the bodies that it is
// tried on.
type restorer struct {
	name   string
	stages string // YAML of the chain's stages
	bodies []string
}

func restorers() []restorer {
	noisy := []string{"noise at 10 dB", "noise at 20 dB", "noise at 30 dB"}
	const (
		expander  = "  - expander: {bands: [{over_room_tone_db: 7, ratio: 1.5, range_db: 8}]}\n"
		roomNoise = "  - room-noise: {}\n"
		clicks    = "  - clicks: {}\n"
		hum       = "  - hum: {}\n"
		plosives  = "  - plosives: {}\n"
	)
	return []restorer{
		{"expander", expander, noisy},
		{"room-noise", roomNoise, noisy},
		{"hum", hum, []string{"hum at 10 dB", "hum at 20 dB", "hum at 30 dB"}},
		{"clicks", clicks, []string{"clicks"}},
		{"plosives", plosives, []string{"plosives"}},
		{"breaths", "  - breaths: {}\n", nil},
		{"all stages", hum + clicks + plosives + roomNoise + expander, []string{"all of it"}},
	}
}

// chainYAML is a chain file of stages.
func chainYAML(stages string) []byte {
	return []byte("chain: proof\nnarrator: reader\nsetup: booth\nstages:\n" + stages)
}

// restoration measures what every stage that restores gives and takes, against
// the clean recordings that are known.
func restoration(ctx context.Context, s *site, t *table) error {
	if err := need("espeak-ng"); err != nil {
		return err
	}
	sides := []side{tuneSide(s.seed), printSide(s.seed)}
	readings := make([][]material, len(sides))
	for i, side := range sides {
		s.say("reading %v", side.voices)
		var err error
		if readings[i], err = side.materials(restorationS); err != nil {
			return err
		}
	}
	for _, b := range bodies() {
		if err := ctx.Err(); err != nil {
			return err
		}
		if !slices.ContainsFunc(restorers(), func(r restorer) bool { return r.wants(b.name) }) {
			continue
		}
		s.say("%s", b.name)
		found := make([]map[string]figures, len(sides))
		for i, side := range sides {
			var err error
			if found[i], err = tried(restorers(), b, side, readings[i]); err != nil {
				return err
			}
		}
		for _, r := range restorers() {
			if tune, ok := found[0][r.name]; ok {
				hold(t, r.name+", "+b.name+": ", b, tune, found[1][r.name])
			}
		}
	}
	t.note("Each figure is that of voices %v, of one engine, and in brackets that of %v, of the", sides[1].voices, sides[0].voices)
	t.note("other, on which settings may be fixed: other booths, kinds of noise and seeds. Means over voices and kinds of noise.")
	t.note("Segmental SNR after Hansen and Pellom 1998; log-spectral distance above -50 dB, 50 Hz to 8 kHz; modulation of 2 to 16 Hz in")
	t.note("octaves from 500 Hz to 4 kHz, of the octave that has lost most against the clean recording, of which noise itself hides some;")
	t.note("ESTOI after Jensen and Taal 2016. A recording that needs nothing has noise %d dB under its speech.", cleanSNR)
	for _, rows := range []func(context.Context, *site, *table) error{noiseRows, clickRows, plosiveRows, humRows, breathRows} {
		if err := rows(ctx, s, t); err != nil {
			return err
		}
	}
	return nil
}

// tried sends a body's recordings through every chain that asks for it, two at a
// time; figures are means over the recordings.
func tried(all []restorer, b body, s side, readings []material) (map[string]figures, error) {
	var recordings []spoilt
	for _, m := range readings {
		recordings = append(recordings, b.make(s, m)...)
	}
	found := map[string]figures{}
	var errs []error
	var mu sync.Mutex
	var work sync.WaitGroup
	turn := make(chan struct{}, 2)
	each := make([]map[string]figures, len(recordings))
	for i, c := range recordings {
		turn <- struct{}{}
		work.Go(func() {
			defer func() { <-turn }()
			raw := measured(c.clean, c.x)
			each[i] = map[string]figures{}
			for _, r := range all {
				if !r.wants(b.name) {
					continue
				}
				f, err := fit(c.x, restorationHz, chainYAML(r.stages))
				if err != nil {
					mu.Lock()
					errs = append(errs, fmt.Errorf("%s, %s: %w", r.name, c.voice, err))
					mu.Unlock()
					return
				}
				out := f.process(f.amplified(c.x), nil)
				amplify(out, 1/f.gain)
				each[i][r.name] = compared(raw, measured(c.clean, out))
			}
		})
	}
	work.Wait()
	for _, r := range all {
		if r.wants(b.name) {
			var of []figures
			for _, e := range each {
				of = append(of, e[r.name])
			}
			found[r.name] = meanFigures(of)
		}
	}
	return found, errors.Join(errs...)
}

func (r restorer) wants(body string) bool {
	return body == cleanBody || slices.Contains(r.bodies, body)
}

// A measure is a recording held against the clean one.
type measure struct {
	snr, distance float64    // dB
	modulation    [4]float64 // dB lost, by octave
	estoi         float64
	power, pauses float64 // mean square, of all and where nobody speaks
	difference    float64 // mean square of what is not the clean recording
}

func measured(clean, x []float64) measure {
	m := measure{
		snr: segmentalSNR(clean, x, restorationHz), distance: logSpectralDistance(clean, x, restorationHz),
		estoi: estoi(clean, x, restorationHz), power: power(x), pauses: pausePower(clean, x, restorationHz), difference: differencePower(clean, x),
		modulation: modulation(clean, restorationHz),
	}
	for c, v := range modulation(x, restorationHz) {
		m.modulation[c] -= v
	}
	return m
}

// figures are what a chain gave and took.
type figures struct {
	snrGained, distanceGained float64 // dB
	distance                  float64 // dB, that is left
	changed, lowered          float64 // level of all, and of pauses, dB
	nearer                    float64 // fall of the difference to the clean recording, dB
	lost, rawLost             float64 // modulation, against the clean recording, dB
	estoiLost, worstESTOI     float64 // under the raw input
}

func compared(raw, out measure) figures {
	worst := func(of [4]float64) float64 { return max(of[0], of[1], of[2], of[3]) }
	return figures{
		snrGained: out.snr - raw.snr, distanceGained: raw.distance - out.distance, distance: out.distance,
		changed: 10 * math.Log10(out.power/raw.power), lowered: 10 * math.Log10(raw.pauses/out.pauses),
		nearer: 10 * math.Log10((raw.difference+1e-30)/(out.difference+1e-30)),
		lost:   worst(out.modulation), rawLost: worst(raw.modulation),
		estoiLost: raw.estoi - out.estoi, worstESTOI: raw.estoi - out.estoi,
	}
}

// meanFigures is the mean of figures, and the worst of the worst.
func meanFigures(all []figures) figures {
	mean := figures{worstESTOI: math.Inf(-1)}
	for _, f := range all {
		n := float64(len(all))
		mean.snrGained += f.snrGained / n
		mean.distanceGained += f.distanceGained / n
		mean.distance += f.distance / n
		mean.changed += f.changed / n
		mean.lowered += f.lowered / n
		mean.nearer += f.nearer / n
		mean.lost += f.lost / n
		mean.rawLost += f.rawLost / n
		mean.estoiLost += f.estoiLost / n
		mean.worstESTOI = max(mean.worstESTOI, f.worstESTOI)
	}
	return mean
}

// hold adds a body's rows: the print side's figures count, and how far the tune
// side's are from them.
func hold(t *table, name string, b body, tune, printed figures) {
	both := func(format string, of func(figures) float64) string {
		return fmt.Sprintf(format+" ("+format+")", of(printed), of(tune))
	}
	gap := func(of func(figures) float64) float64 { return math.Abs(of(tune) - of(printed)) }
	if b.name == cleanBody {
		distance := func(f figures) float64 { return f.distance }
		t.hold(name+"log-spectral distance", both("%.2f", distance)+" dB, level "+both("%+.2f", func(f figures) float64 { return f.changed })+" dB",
			fmt.Sprintf("at most %g dB, sides within %g", cleanLimitDB, gapLimitDB), distance(printed) <= cleanLimitDB && gap(distance) <= gapLimitDB)
		return
	}
	snr, distance := func(f figures) float64 { return f.snrGained }, func(f figures) float64 { return f.distanceGained }
	nearer := func(f figures) float64 { return f.nearer }
	gained := func(what string, of func(figures) float64) {
		t.hold(name+what, both("%+.1f", of)+" dB", fmt.Sprintf("at least 0 dB, sides within %g", gapLimitDB), of(printed) >= -0.05 && gap(of) <= gapLimitDB)
	}
	differs := both("%+.1f", func(f figures) float64 { return -f.nearer }) + " dB, pauses " + both("%+.1f", func(f figures) float64 { return -f.lowered }) + " dB"
	if b.rare {
		// Frames without a fault count 35 dB while nothing touches them, and a trace
		// of a touch is lower: the whole difference says more.
		t.tell(name+"segmental SNR gained", both("%+.1f", snr)+" dB")
		t.hold(name+"difference to the clean recording", differs, "falls", nearer(printed) > 0)
	} else {
		gained("segmental SNR gained", snr)
		t.tell(name+"difference to the clean recording", differs)
	}
	gained("log-spectral distance gained", distance)
	lost, given := func(f figures) float64 { return f.lost }, func(f figures) float64 { return f.rawLost }
	byChain := func(f figures) float64 { return f.lost - f.rawLost }
	limit := max(modulationLimitDB, printed.rawLost)
	t.hold(name+"modulation lost", both("%.1f", lost)+" dB, raw "+both("%.1f", given),
		fmt.Sprintf("at most %.1f dB, sides within %g", limit, gapLimitDB), lost(printed) <= limit && gap(byChain) <= gapLimitDB)
	less := func(f figures) float64 { return f.estoiLost }
	// What is gained hangs on what the fault had hidden: only losses are compared.
	loss := func(f figures) float64 { return max(0, f.estoiLost) }
	t.hold(name+"ESTOI lost", both("%+.3f", less)+", worst "+both("%+.3f", func(f figures) float64 { return f.worstESTOI }),
		fmt.Sprintf("at most %g, losses within %g", estoiLimit, gapLimitRate), printed.worstESTOI <= estoiLimit && gap(loss) <= gapLimitRate)
}
