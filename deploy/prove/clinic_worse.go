package main

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/level"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/clinic"
	"chapterhouse/pipeline/render"
	"chapterhouse/pipeline/spec"
	"chapterhouse/testdata/voices/speech"
)

// Limits of the rows on what drafts make worse.
const (
	essKeptDB     = 3.0  // 5 to 9 kHz in esses, under the clean voice's
	floorAllowsDB = 12.0 // over the spec's floor at the spec's level: what a chain may take at most
)

// harms gathers what drafts take that was wanted.
type harms struct {
	modulation, estoi, esses []float64
	sharp                    []float64 // esses made sharp, over the clean voice's
	whole                    []float64 // modulation lost against the mean of all
	met, allowed, refused    int
	limited                  []float64 // the most that the limiter took, dB
	lines                    []string
}

func (h *harms) add(r draftRead) error {
	retail, ok := spec.Builtin("retail")
	if !ok {
		return fmt.Errorf("there is no spec retail")
	}
	raw, clean := r.raw.Samples(), r.clean.Samples()
	before, whole, understood := syllableModulation(raw, draftHz), modulation(raw, draftHz), estoi(clean, raw, draftHz)
	rawFloor := float64(r.raw.Profile.Floor.Median) + retail.Sound.Level.Aim - float64(rmsSpoken(raw, r.raw))
	for _, d := range r.drafts {
		y, err := r.raw.Through(d.Chain.Stages, d.Chain.SpeechDBFS, nil)
		if err != nil {
			return err
		}
		lost, less := modulationLost(before, syllableModulation(y, draftHz)), understood-estoi(clean, y, draftHz)
		h.whole = append(h.whole, modulationLost(whole, modulation(y, draftHz)))
		h.modulation, h.estoi = append(h.modulation, lost), append(h.estoi, less)
		line := fmt.Sprintf("%s, %s: modulation lost %.1f dB, ESTOI %.3f less than %.3f", r.name, d.Name, lost, less, understood)
		if ess := essLevel(y, r.marks); !math.IsNaN(ess) {
			under := essLevel(clean, r.marks) - p56(clean) - ess + p56(y)
			h.esses = append(h.esses, under)
			line += fmt.Sprintf(", esses %.1f dB under the clean voice's", under)
			if r.sharp {
				h.sharp = append(h.sharp, -under)
				line += fmt.Sprintf(" (raw %.1f)", essLevel(clean, r.marks)-p56(clean)-essLevel(raw, r.marks)+p56(raw))
			}
		}
		m, most, err := mastered(y, r.raw, retail)
		if err != nil {
			return err
		}
		h.limited = append(h.limited, most)
		window, floor, limit := retail.Sound.Level.Window, float64(m.Floor.Median), float64(retail.Limits.NoiseFloorDBFS)
		level := float64(m.Levels.RMS)
		ok := level >= window[0] && level <= window[1] && float64(m.Levels.TruePeak) <= float64(retail.Sound.Peak.MaxDBTP)+0.05 && floor <= limit
		switch {
		case rawFloor > limit+floorAllowsDB:
			h.refused++
		default:
			h.allowed++
			if ok {
				h.met++
			}
		}
		h.lines = append(h.lines, line+fmt.Sprintf("; mastered %.1f dBFS, %.1f dBTP, floor %.1f (raw at that level %.1f), limiter %.1f dB", level, float64(m.Levels.TruePeak), floor, rawFloor, most))
	}
	return nil
}

// rmsSpoken is the plain RMS of x from the read's first to its last sound.
func rmsSpoken(x []float64, r *clinic.Read) dsp.DBFS {
	s := r.Profile.Cut.Speech
	return dsp.DBFS(rmsDB(x[s.From:min(dsp.Frames(len(x)), s.To)]))
}

// mastered is what a draft's output measures at the spec's level under the spec's
// peak, RMS from the first to the last sound, and the most that the limiter took.
func mastered(y []float64, r *clinic.Read, to pipeline.Spec) (pipeline.ProfileRecord, float64, error) {
	gain := math.Pow(10, (to.Sound.Level.Aim-float64(rmsSpoken(y, r)))/20)
	x := make([]float64, len(y))
	for i, v := range y {
		x[i] = v * gain
	}
	l, err := level.NewLimiter(level.LimiterSettings{CeilingDBTP: float64(to.Sound.Peak.MaxDBTP), ReleaseMS: 80}, draftHz)
	if err != nil {
		return pipeline.ProfileRecord{}, 0, err
	}
	most := 0.0
	e := dsp.NewEngine(0, l)
	e.OnQuantum(func(_ dsp.Frames, _ int, gainsDB []float64) {
		for _, g := range gainsDB {
			most = max(most, -g)
		}
	})
	listener := render.NewListener(draftHz)
	out := e.Whole(x)
	listener.Write(out)
	profile, _, _ := listener.Result()
	profile.Levels.RMS = rmsSpoken(out, r)
	return profile, most, nil
}

// essLevel is the mean level from 5 to 9 kHz in the s and z of a reading, dB; NaN
// where none are labelled.
func essLevel(x []float64, marks []speech.Mark) float64 {
	g := newFrameGrid(1024, 512, 1024)
	bins := make([]float64, 512)
	sum, n := 0.0, 0.0
	for _, m := range marks {
		if m.Kind != "ess" || m.Text != "s" && m.Text != "z" || m.To > int64(len(x)) {
			continue
		}
		power, frames := 0.0, g.frames(int(m.To-m.From))
		for i := range frames {
			g.power(x[m.From:m.To], i, bins)
			for k := binAt(5000, draftHz, 1024); k < binAt(9000, draftHz, 1024); k++ {
				power += bins[k]
			}
		}
		if frames > 0 {
			sum, n = sum+10*math.Log10(power/float64(frames)+1e-30), n+1
		}
	}
	return sum / n
}

func (h *harms) fill(t *table) {
	t.atMost("never worse: modulation of 2 to 16 Hz lost against the raw read, worst", slices.Max(h.modulation), modulationLimitDB, "%.1f dB", fmt.Sprintf("%.1f in the middle of %d", median(h.modulation), len(h.modulation)))
	t.tell("the same against the mean of the whole read, in which a loud line outweighs the page", fmt.Sprintf("%.1f dB, %.1f in the middle: lines are ridden nearer to each other", slices.Max(h.whole), median(h.whole)))
	t.atMost("never worse: ESTOI under the raw read's, worst", slices.Max(h.estoi), estoiLimit, "%.3f", fmt.Sprintf("%.3f in the middle", median(h.estoi)))
	t.hold("never worse: retail met", fmt.Sprintf("%d of %d; of %d more the raw floor doesn't allow it", h.met, h.allowed, h.refused), "all", h.met == h.allowed)
	t.tell("never worse: the most that the spec's limiter takes", fmt.Sprintf("%.1f dB, %.1f in the middle", slices.Max(h.limited), median(h.limited)))
	if len(h.esses) > 0 {
		t.atMost("never worse: 5 to 9 kHz in esses under the clean voice's, worst", slices.Max(h.esses), essKeptDB, "%.1f dB", fmt.Sprintf("%.1f in the middle", median(h.esses)))
	}
	if len(h.sharp) > 0 {
		t.tell(fmt.Sprintf("5 to 9 kHz in esses made %.0f dB sharper, over the clean voice's, worst", draftSharpEss), fmt.Sprintf("%.1f dB, %.1f in the middle", slices.Max(h.sharp), median(h.sharp)))
	}
	for _, l := range h.lines {
		t.note("%s", l)
	}
}

// syllableModulation is how strongly the intensity in each octave moves from 2 to 16 Hz
// against its mean in the same 3 s, dB: as modulation, but a line that is brought
// nearer to the next one as a whole has lost none of it. Stretches 25 dB under the
// loudest don't count.
func syllableModulation(x []float64, rate int) (db [4]float64) {
	envelopes := octaveEnvelopes(x, rate)
	n := len(envelopes[0])
	m := newFrameGrid(512, 256, 512)
	frameHz := float64(rate) / 256
	from, to := int(math.Ceil(2*512/frameHz)), int(math.Floor(16*512/frameHz))
	spectrum, part := make([]float64, to+1), make([]float64, 512)
	for c, e := range envelopes {
		means := make([]float64, m.frames(n))
		for i := range means {
			for _, v := range e[i*m.hop:][:512] {
				means[i] += v / 512
			}
		}
		sum, count := 0.0, 0.0
		for i, mean := range means {
			if mean < slices.Max(means)*math.Pow(10, -2.5) {
				continue
			}
			for k, v := range e[i*m.hop:][:512] {
				part[k] = v/mean - 1
			}
			m.power(part, 0, spectrum)
			for _, p := range spectrum[from:] {
				sum += p
			}
			count++
		}
		db[c] = 10 * math.Log10(sum/count)
	}
	return db
}
