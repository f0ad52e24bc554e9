package main

import (
	"context"
	"fmt"
	"math"

	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline/render"
	"chapterhouse/testdata/voices/narration"
)

// Limits of the hum rows.
const (
	humTrackHz  = 0.02
	humDownDB   = 15.0
	humNearDB   = 3.0 // over what is beside a harmonic
	humVoiceDB  = 0.3
	humOrders   = 8
	humDrift    = 0.2 // Hz a minute
	humReadingS = 50.0
	humPieceS   = 4.0
)

// A humCount is what the hum stage did to one side's recordings.
type humCount struct {
	recordings, found int     // with hum
	off               float64 // worst error of the course, Hz
	left              int     // harmonics that neither went down nor lie among their neighbours
	harmonics         int
	down              []float64 // dB, by harmonic, those of the least
	voice             float64   // worst change of 85 to 150 Hz, dB
	clean, changed    int       // without hum
}

// humRows prove the hum stage with its defaults, on hum that drifts.
func humRows(ctx context.Context, s *site, t *table) error {
	if err := need("espeak-ng"); err != nil {
		return err
	}
	for i, f := range faultySides(s.seed) {
		s.say("hum: %v", f.voices)
		readings, err := f.read(humReadingS, "", narration.Microphone{})
		if err != nil {
			return err
		}
		c := humCount{}
		for _, r := range readings {
			if err := c.spare(r.clean); err != nil {
				return err
			}
			for _, hz := range []float64{50, 60} {
				if err := ctx.Err(); err != nil {
					return err
				}
				hum, err := side{booth: f.booth}.alone(fmt.Sprintf("hum:-60@%g+%g", hz, humDrift), f.seed, len(r.clean))
				if err != nil {
					return err
				}
				if err := c.take(r.clean, hum, hz); err != nil {
					return err
				}
			}
		}
		c.fill(t, f.name, i > 0)
	}
	t.note("Hum at -60 dBFS, 50 and 60 Hz and up by %g Hz a minute, in room tone of about -70 dBFS; harmonics 1 to %d, in pieces of %g s.", humDrift, humOrders, humPieceS)
	return nil
}

// humCourse is the frequency at a time.
func humCourse(hz, at float64) float64 { return hz + humDrift/60*at }

// humDB is the mean power of what turns with a harmonic, shifted by so many Hz.
func humDB(x []float64, hz float64, order int, shiftHz float64) float64 {
	n := int(humPieceS * restorationHz)
	sum, pieces := 0.0, 0.0
	for from := 0; from+n <= len(x); from += n {
		var re, im float64
		for i, v := range x[from : from+n] {
			at := float64(from+i) / restorationHz
			turns := float64(order)*(hz*at+humDrift/60*at*at/2) + shiftHz*at
			sin, cos := math.Sincos(2 * math.Pi * math.Mod(turns, 1))
			w := 1 - math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n))
			re += w * v * cos
			im += w * v * sin
		}
		sum += re*re + im*im
		pieces++
	}
	return 10 * math.Log10(sum/pieces+1e-30)
}

// take adds hum to a recording and takes it out.
func (c *humCount) take(clean, hum []float64, hz float64) error {
	x := mixed(clean, hum)
	c.recordings++
	l := render.NewListener(restorationHz)
	l.Write(x)
	_, marks, _ := l.Result()
	if len(marks.Mains) > 0 {
		c.found++
	}
	c.track(marks.Mains, hz)
	y, err := throughStage(x, "hum")
	if err != nil {
		return err
	}
	left := make([]float64, len(x))
	for i := range left {
		left[i] = y[i] - clean[i]
	}
	for k := 1; k <= humOrders; k++ {
		down := humDB(hum, hz, k, 0) - humDB(left, hz, k, 0)
		beside := (humDB(y, hz, k, -2) + humDB(y, hz, k, 2)) / 2
		c.harmonics++
		if down < humDownDB && humDB(y, hz, k, 0) > beside+humNearDB {
			c.left++
		}
		if len(c.down) < k {
			c.down = append(c.down, down)
		}
		c.down[k-1] = min(c.down[k-1], down)
	}
	was, err := voicePower(clean)
	if err != nil {
		return err
	}
	is, err := voicePower(y)
	if err != nil {
		return err
	}
	c.voice = max(c.voice, math.Abs(10*math.Log10(is/was)))
	return nil
}

// track holds a course against the hum's own.
func (c *humCount) track(points []meter.MainsPoint, hz float64) {
	for _, p := range points {
		c.off = max(c.off, math.Abs(p.Hz-humCourse(hz, p.At.Seconds(restorationHz))))
	}
}

// voicePower is that of 85 to 150 Hz, nearly all of it a low voice's.
func voicePower(x []float64) (float64, error) {
	high, err := filter.Highpass(85, 24, restorationHz)
	if err != nil {
		return 0, err
	}
	low, err := filter.Lowpass(150, 24, restorationHz)
	if err != nil {
		return 0, err
	}
	y := append([]float64(nil), x...)
	kernel.NewCascade(append(high, low...)).Process(y)
	return power(y), nil
}

// spare sends a recording without hum through the stage.
func (c *humCount) spare(clean []float64) error {
	f, err := fit(clean, restorationHz, chainYAML("  - hum: {}\n"))
	if err != nil {
		return err
	}
	x := f.amplified(clean)
	c.clean++
	for i, v := range f.process(x, nil) {
		if math.Float64bits(v) != math.Float64bits(x[i]) {
			c.changed++
			break
		}
	}
	return nil
}

// fill adds the rows; those of voices that were tuned on only tell.
func (c *humCount) fill(t *table, voices string, judged bool) {
	row := func(what, measured, limit string, met bool) {
		if judged {
			t.hold("hum, "+voices+": "+what, measured, limit, met)
		} else {
			t.tell("hum, "+voices+": "+what, measured)
		}
	}
	row("found", fmt.Sprintf("%d of %d", c.found, c.recordings), "all", c.found == c.recordings && c.found > 0)
	row("course off", fmt.Sprintf("%.4f Hz", c.off), fmt.Sprintf("at most %g Hz", humTrackHz), c.off <= humTrackHz)
	row("harmonics that stay", fmt.Sprintf("%d of %d, least down %.0f dB", c.left, c.harmonics, c.down), fmt.Sprintf("none: %g dB down or within %g dB of what is beside", humDownDB, humNearDB), c.left == 0 && c.harmonics > 0)
	row("85 to 150 Hz of the voice", fmt.Sprintf("%.2f dB", c.voice), fmt.Sprintf("at most %g dB", humVoiceDB), c.voice <= humVoiceDB)
	row("recordings without hum that change a bit", fmt.Sprintf("%d of %d", c.changed, c.clean), "none", c.changed == 0 && c.clean > 0)
}
