package clinic

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/resample"
	"chapterhouse/pipeline"
)

// A Match is the chain that best turns one recording into another.
type Match struct {
	Draft      Draft      `json:"draft"`
	Confidence Confidence `json:"confidence"`
	Why        string     `json:"why"` // of the confidence
	Alignment  Alignment  `json:"alignment,omitzero"`
	// GainDB is by how much the finished is louder than the draft's output: level
	// comes at the end of a night.
	GainDB dsp.DB `json:"gain_db"`
	// Left is what is left between the draft's output and the finished, by third
	// octave, then by the raw's level while speaking.
	Left []Distance `json:"left"`
	// Unexplained is what none of our stages does, one sentence each.
	Unexplained []string `json:"unexplained,omitempty"`
}

// A Distance is what is left in a part of the spectrum or at a level, finished
// less draft.
type Distance struct {
	Hz        float64  `json:"hz,omitempty"`         // middle of a third octave; 0: all of them
	LevelDBFS dsp.DBFS `json:"level_dbfs,omitempty"` // of the raw after the fit, middle of 6 dB; 0: all
	Pauses    bool     `json:"pauses,omitempty"`     // while nobody speaks
	MeanDB    dsp.DB   `json:"mean_db"`
	RMSDB     dsp.DB   `json:"rms_db"` // of 46 ms frames
	Frames    int      `json:"frames"`
}

const (
	likeReference = -23.0 // dBFS that drafts' thresholds count from
	leastAlikeS   = 8.0   // of speech that must be found in both
	splitLike     = 0.02  // by which a wave is more alike through crossovers that were there
)

// Like finds the chain that best turns a raw read into a finished one of the
// same performance. The finished may be delayed, trimmed, at another gain and
// rate, and its pauses edited. Where the two can't be laid beside each other,
// what LikeEarlier finds is returned, and why.
func Like(raw, finished *Read) (Match, error) {
	fin, err := atRate(finished, raw.RateHz)
	if err != nil {
		return Match{}, err
	}
	pieces, lie := align(raw.x, fin, raw.RateHz, raw.Marks.Phrases)
	if len(pieces) == 0 || lie.FoundS < leastAlikeS {
		m, err := LikeEarlier(raw, finished)
		m.Alignment = lie
		m.Unexplained = append(misaligned(lie), m.Unexplained...)
		return m, err
	}
	f, brief := fitters(raw, fin, pieces)
	s := f.sight()
	c, err := f.start(s)
	if err != nil {
		return Match{}, err
	}
	if c, _, err = brief.search(c, pairRounds/2); err != nil {
		return Match{}, err
	}
	// Filters and crossovers turn the phase, by which a wave seems to come earlier
	// or later, or upside down: beside the raw through the chain it lies where it
	// belongs, and tells by its phase whether an expander had crossovers.
	if t, ok := f.splitExpander(s, c); ok {
		_, one, err := f.laid(c, fin)
		if err != nil {
			return Match{}, err
		}
		if _, more, err := f.laid(t, fin); err != nil {
			return Match{}, err
		} else if more.Likeness > one.Likeness+splitLike {
			c = t
		}
	}
	for range 2 {
		better, closer, err := f.laid(c, fin)
		if err != nil {
			return Match{}, err
		}
		if closer.FoundS > 0.9*lie.FoundS && len(better) > 0 {
			pieces, lie = better, closer
			f, brief = fitters(raw, fin, pieces)
			s = f.sight()
		}
		var cost float64
		if c, cost, err = f.choose(brief, s, c); err != nil {
			return Match{}, err
		}
		if math.Sqrt(cost) < pairGoodDB && lie.Likeness > sameWave {
			break
		}
	}
	if c, err = f.finish(c); err != nil {
		return Match{}, err
	}
	return f.match(c, lie, pieces, fin, finished)
}

// fitters compare all of the stretches, and a brief part.
func fitters(raw *Read, fin []float64, pieces []piece) (all, brief *fitter) {
	all = newFitter(newBench(raw, newGrid(raw, fin, pieces, stretches(len(raw.x), raw.RateHz)), likeReference))
	brief = all
	if g := newGrid(raw, fin, pieces, telling(raw)); len(g.at) > 4*leastFrames {
		brief = newFitter(newBench(raw, g, likeReference))
	}
	return all, brief
}

// laid are the pieces of the raw through a candidate in the finished.
func (f *fitter) laid(c candidate, fin []float64) ([]piece, Alignment, error) {
	y, err := f.whole(c)
	if err != nil {
		return nil, Alignment{}, err
	}
	pieces, lie := align(y, fin, f.g.rateHz, f.r.Marks.Phrases)
	return pieces, lie, nil
}

// splitExpander is the candidate with an expander of four bands in the place of
// one.
func (f *fitter) splitExpander(s sighting, c candidate) (candidate, bool) {
	if c.module("expander") == nil {
		return c, false
	}
	m, ok := f.startExpander(s, true)
	return c.put(m, ""), ok
}

// whole is the whole raw through a candidate.
func (f *fitter) whole(c candidate) ([]float64, error) {
	var stages []pipeline.Resolved
	for _, m := range c.modules {
		r, err := m.now().resolved()
		if err != nil {
			return nil, err
		}
		stages = append(stages, r)
	}
	return f.r.Through(stages, likeReference, nil)
}

// atRate is a read's samples at a rate.
func atRate(r *Read, rateHz int) ([]float64, error) {
	if r.RateHz == rateHz {
		return r.x, nil
	}
	s, err := resample.New(r.RateHz, rateHz)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Source, r.File, "its rate of %d Hz can't be brought to %d Hz: export it at one of the usual rates", r.RateHz, rateHz)
	}
	var y []float64
	emit := func(part []float64) { y = append(y, part...) }
	s.Write(r.x, emit)
	s.Close(emit)
	return y, nil
}

// choose looks for the chain from one that the levels speak for, by what each
// choice that has no scale leaves, on a brief part of the read.
func (f *fitter) choose(brief *fitter, s sighting, c candidate) (candidate, float64, error) {
	c, cost, err := brief.search(c, pairRounds)
	if err != nil {
		return c, cost, err
	}
	for _, choice := range []func(sighting, candidate) (other, bool){f.otherDetector, f.otherExpander, f.otherRide, f.otherOrder} {
		if math.Sqrt(cost) < pairGoodDB {
			break
		}
		other, ok := choice(s, c)
		if !ok {
			continue
		}
		t, its, err := brief.search(other.candidate, other.rounds, other.only...)
		if err != nil {
			return c, cost, err
		}
		if its < 2*cost {
			if t, its, err = brief.search(t, 3); err != nil {
				return c, cost, err
			}
		}
		if its < cost {
			c, cost = t, its
		}
	}
	return c, cost, nil
}

// finish searches on all stretches, and again without what is not worth a stage.
func (f *fitter) finish(c candidate) (candidate, error) {
	c, _, err := f.search(c, pairRounds)
	if err != nil {
		return c, err
	}
	if c, err = f.deEssed(c); err != nil {
		return c, err
	}
	c, cost, err := f.search(c, pairRounds)
	if err != nil {
		return c, err
	}
	spared, err := f.spared(c, cost)
	if err != nil || len(spared.modules) == len(c.modules) {
		return c, err
	}
	c, _, err = f.search(spared, pairRounds)
	return c, err
}

// spared is the candidate, which costs so much, without stages that take away too
// little; a de-esser is deEssed's to leave out.
func (f *fitter) spared(c candidate, cost float64) (candidate, error) {
	for _, name := range []string{"ride", "expander", "compressor", "eq", "highpass"} {
		if c.module(name) == nil {
			continue
		}
		t := c.without(name)
		its, err := f.cost(t)
		if err != nil {
			return c, err
		}
		if math.Sqrt(its)-math.Sqrt(cost) > stageClearDB {
			continue
		}
		if t, its, err = f.search(t, 2); err != nil {
			return c, err
		}
		if math.Sqrt(its)-math.Sqrt(cost) < stageWorth {
			c, cost = t, its
		}
	}
	return c, nil
}

// rounded is a step with settings as a person types them: what is less isn't
// heard.
func (s step) rounded() step {
	s.params = s.params.rounded()
	s.items = slices.Clone(s.items)
	for i := range s.items {
		s.items[i] = s.items[i].rounded()
	}
	return s
}

func (fs fields) rounded() fields {
	out := slices.Clone(fs)
	for i := range out {
		switch v := out[i].value.(type) {
		case float64:
			out[i].value = typed(v)
		case []float64:
			w := make([]float64, len(v))
			for j := range v {
				w[j] = typed(v[j])
			}
			out[i].value = w
		case []fields:
			w := make([]fields, len(v))
			for j := range v {
				w[j] = v[j].rounded()
			}
			out[i].value = w
		}
	}
	return out
}

// typed is a number to three figures, and to a tenth where it has fewer before
// the point.
func typed(v float64) float64 {
	switch {
	case math.Abs(v) >= 1000:
		return math.Round(v/10) * 10
	case math.Abs(v) >= 30:
		return math.Round(v)
	case math.Abs(v) >= 3:
		return math.Round(v*10) / 10
	}
	return math.Round(v*100) / 100
}
