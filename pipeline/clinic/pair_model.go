package clinic

import (
	"encoding/json"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
)

// A knob is one number of a chain that is looked for, on a scale on which
// neighbouring settings sound about as different everywhere: frequencies and
// times in octaves, ratios as 1 - 1/ratio.
type knob struct {
	at, low, high float64
	nudge         float64 // a change that is small but can be measured
}

// A module is a stage whose settings are looked for.
type module struct {
	name  string // of the stage
	knobs []knob
	step  func(v []float64) step // the stage as its knobs stand
}

// values are where the knobs stand.
func (m module) values() []float64 {
	v := make([]float64, len(m.knobs))
	for i, k := range m.knobs {
		v[i] = k.at
	}
	return v
}

// with is a copy with other values, within bounds.
func (m module) with(v []float64) module {
	m.knobs = append([]knob(nil), m.knobs...)
	for i := range m.knobs {
		k := &m.knobs[i]
		k.at = max(k.low, min(k.high, v[i]))
	}
	return m
}

// now is the stage as its knobs stand.
func (m module) now() step { return m.step(m.values()) }

// resolved is a step as a chain has it, with no rounding.
func (s step) resolved() (pipeline.Resolved, error) {
	var raw []byte
	var err error
	if s.items != nil {
		list := make([]map[string]any, len(s.items))
		for i, item := range s.items {
			list[i] = item.object()
		}
		raw, err = json.Marshal(list)
	} else {
		raw, err = json.Marshal(s.params.object())
	}
	if err != nil {
		return pipeline.Resolved{}, err
	}
	for _, stage := range chain.Builtin() {
		if stage.Name != s.stage {
			continue
		}
		params, faults := stage.Resolve(raw)
		if len(faults) > 0 {
			return pipeline.Resolved{}, pipeline.Errorf(pipeline.Bug, "stage "+s.stage, "%s: %s", faults[0].Path, faults[0].Text)
		}
		return pipeline.Resolved{Stage: s.stage, Rev: stage.Rev, Params: params}, nil
	}
	return pipeline.Resolved{}, pipeline.Errorf(pipeline.Bug, "stage "+s.stage, "there is no such stage")
}

// object is the fields as JSON has them; reasons are left out.
func (fs fields) object() map[string]any {
	o := make(map[string]any, len(fs))
	for _, f := range fs {
		switch v := f.value.(type) {
		case []fields:
			list := make([]map[string]any, len(v))
			for i, item := range v {
				list[i] = item.object()
			}
			o[f.key] = list
		default:
			if f.key != "why" {
				o[f.key] = v
			}
		}
	}
	return o
}

// A bench renders the stretches of the raw read through stages as a night would.
type bench struct {
	r     *Read
	g     *grid
	fit   pipeline.FitRecord
	facts chain.Facts
	x     stretched // the raw after the fit's gain
}

func newBench(r *Read, g *grid, reference dsp.DBFS) *bench {
	b := &bench{r: r, g: g, fit: r.Fit(reference)}
	b.facts = chain.FactsAt(b.fit.Facts, r.Marks, b.fit.GainDB)
	gain := kernel.FromDB(float64(b.fit.GainDB))
	whole := make([]float64, len(r.x))
	for i, v := range r.x {
		whole[i] = v * gain
	}
	b.x = g.cut(whole)
	return b
}

// through is x through one stage, in the memory of y where that has some; x is
// left alone.
func (b *bench) through(y, x stretched, s step) (stretched, error) {
	r, err := s.resolved()
	if err != nil {
		return nil, err
	}
	if y == nil {
		y = make(stretched, len(x))
		for i, part := range x {
			y[i] = make([]float64, len(part))
		}
	}
	for i, part := range x {
		procs, err := chain.New([]pipeline.Resolved{r}, float64(b.r.RateHz), b.facts)
		if err != nil {
			return nil, err
		}
		at := 0
		emit := func(z []float64) { at += copy(y[i][at:], z) }
		e := dsp.NewEngine(b.g.spans[i].From, procs...)
		e.Write(part, emit)
		e.Close(emit)
	}
	return y, nil
}

// hzOf is the frequency of a knob in octaves over 1 Hz, and octaves its inverse;
// so are milliseconds and Q.
func hzOf(v float64) float64     { return math.Exp2(v) }
func octaves(hz float64) float64 { return math.Log2(hz) }

// ratioOf is the ratio of a knob that takes so much of what is over the
// threshold.
func ratioOf(share float64) float64 { return 1 / (1 - share) }

func hzKnob(hz, low, high float64) knob {
	return knob{octaves(max(low, min(high, hz))), octaves(low), octaves(high), 0.03}
}
func dbKnob(db, low, high float64) knob { return knob{max(low, min(high, db)), low, high, 0.15} }
func msKnob(ms, low, high float64) knob {
	return knob{octaves(max(low, min(high, ms))), octaves(low), octaves(high), 0.15}
}

// highpassModule looks for a cutoff.
func highpassModule(cutoffHz float64, slope int) module {
	return module{"highpass", []knob{hzKnob(cutoffHz, 15, 400)}, func(v []float64) step {
		return step{stage: "highpass", corrective: true, params: fields{{"cutoff_hz", hzOf(v[0])}, {"slope_db_per_octave", slope}}}
	}}
}

// highestShare of the rate is as high as a band is put.
const highestShare = 0.43

// eqModule looks for bands of eq.
func eqModule(bands []curveBand, rateHz float64) module {
	m := module{name: "eq"}
	shapes := make([]string, len(bands))
	for i, b := range bands {
		shapes[i] = b.shape
		width, most := knob{octaves(b.q), octaves(0.3), octaves(12), 0.06}, mostBellDB
		if b.shape != "bell" {
			width, most = knob{octaves(b.q), octaves(0.4), 0, -0.06}, mostShelfDB
		}
		m.knobs = append(m.knobs, hzKnob(b.hz, lowestBandHz, min(16000, highestShare*rateHz)), dbKnob(b.db, -most, most), width)
	}
	m.step = func(v []float64) step {
		s := step{stage: "eq", corrective: true}
		for i, shape := range shapes {
			b := curveBand{shape, hzOf(v[3*i]), v[3*i+1], hzOf(v[3*i+2])}
			s.items = append(s.items, b.fields())
		}
		return s
	}
	return m
}

// compressorModule looks for all that is heard of a compressor over the whole
// spectrum.
func compressorModule(detector string, overSpeechDB, ratio, kneeDB, attackMS, releaseMS float64) module {
	return module{"compressor", []knob{
		dbKnob(overSpeechDB, -30, 15), {1 - 1/ratio, 0.02, 0.93, 0.01}, {kneeDB, 0, 20, 0.5}, msKnob(attackMS, 0.5, 150), msKnob(releaseMS, 10, 790),
	}, func(v []float64) step {
		return step{stage: "compressor", params: fields{
			{"threshold_over_speech_db", v[0]}, {"ratio", ratioOf(v[1])}, {"knee_db", v[2]},
			{"attack_ms", hzOf(v[3])}, {"release_ms", hzOf(v[4])}, {"detector", detector}}}
	}}
}

// expanderModule looks for bands of an expander, and how long it holds and lets
// go, which they share.
func expanderModule(crossoversHz []float64, over, ratio, rangeDB []float64) module {
	m := module{name: "expander", knobs: []knob{msKnob(120, 10, 500), msKnob(200, 20, 445), msKnob(3, 0.5, 30)}}
	for i := range over {
		m.knobs = append(m.knobs, dbKnob(over[i], 0, 30), knob{1 - 1/ratio[i], 0.02, 0.85, 0.01}, dbKnob(rangeDB[i], 0, 40))
	}
	for _, hz := range crossoversHz {
		m.knobs = append(m.knobs, hzKnob(hz, hz/1.4, hz*1.4))
	}
	n := len(over)
	m.step = func(v []float64) step {
		var bands []fields
		for i := range n {
			w := v[3+3*i:]
			bands = append(bands, fields{{"over_room_tone_db", w[0]}, {"ratio", ratioOf(w[1])}, {"range_db", w[2]}})
		}
		s := step{stage: "expander", corrective: true}
		if crossovers := v[3+3*n:]; len(crossovers) > 0 {
			hz := make([]float64, len(crossovers))
			for i, o := range crossovers {
				hz[i] = hzOf(o)
			}
			s.params = fields{{"crossovers_hz", hz}}
		}
		s.params = append(s.params, fields{{"bands", bands}, {"attack_ms", hzOf(v[2])}, {"hold_ms", hzOf(v[0])}, {"release_ms", hzOf(v[1])}}...)
		return s
	}
	return m
}

// deEsserModule looks for a band, how far it is turned down, and from where on.
func deEsserModule(fromHz, toHz, overSpeechDB, mostDB, rateHz float64) module {
	top := min(19000, highestShare*rateHz)
	return module{"de-esser", []knob{
		hzKnob(fromHz, 3000, min(9000, top/1.3)), {octaves(toHz / fromHz), octaves(1.3), octaves(3), 0.03}, dbKnob(overSpeechDB, -35, 10), dbKnob(mostDB, 0, 20), msKnob(1, 0.3, 15), msKnob(40, 5, 148),
	}, func(v []float64) step {
		from := hzOf(v[0])
		return step{stage: "de-esser", params: fields{
			{"from_hz", from}, {"to_hz", min(top, from*hzOf(v[1]))}, {"threshold_over_speech_db", v[2]}, {"max_cut_db", v[3]},
			{"attack_ms", hzOf(v[4])}, {"release_ms", hzOf(v[5])}}}
	}}
}

// rideModule looks for the share of a ride.
func rideModule(sharePercent float64) module {
	return module{"ride", []knob{{sharePercent, 0, 90, 2}, dbKnob(6, 0, 6)}, func(v []float64) step {
		return step{stage: "ride", params: fields{{"share_percent", v[0]}, {"max_db", v[1]}}}
	}}
}
