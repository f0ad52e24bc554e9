package pipeline

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

// trimMarginDB is how far inside a window a trim puts a file: the limiter and
// the encoder may still move it a little. Of a narrow window it is a quarter.
const trimMarginDB = 0.3

// within is a window less its margin.
func within(w [2]float64) (lo, hi float64) {
	margin := min(trimMarginDB, float64(w[1]-w[0])/4)
	return w[0] + margin, w[1] - margin
}

// A LeveledPart is a part's weigh with what the level step needs to know of it.
type LeveledPart struct {
	Narrator string
	RateHz   int
	Weigh    WeighRecord
}

// LevelGains finds one gain per narrator: the parts of all chapters of at
// least poolMinS are pooled, so that chapters keep their relation, and the
// pool is set to the level's aim in the level's own measure. Gains have steps
// of 0.1 dB; a standing gain that is within KeepDB and inside the window stays.
func LevelGains(chapters [][]LeveledPart, level Level, edges Edges, poolMinS float64, standing map[string]dsp.DB) LevelRecord {
	var counted, short [][]LeveledPart
	for _, parts := range chapters {
		if bodyS(parts) >= poolMinS {
			counted = append(counted, parts)
		} else {
			short = append(short, parts)
		}
	}
	pools := pool(counted, edges)
	rec := LevelRecord{GainDB: map[string]dsp.DB{}}
	for who, p := range pool(short, edges) {
		if pools[who] == nil {
			pools[who] = p
			rec.Notes = append(rec.Notes, fmt.Sprintf("%s has no chapter of %.0f s or more: the gain comes from shorter ones", nameOf(who), poolMinS))
		}
	}
	for _, who := range sortedKeys(pools) {
		at := pools[who].level(level)
		if math.IsInf(at, 0) || math.IsNaN(at) {
			rec.GainDB[who] = 0
			rec.Notes = append(rec.Notes, nameOf(who)+" has nothing to level: silence")
			continue
		}
		gain := dsp.DB(round1(level.Aim - at))
		if old, ok := standing[who]; ok && near(gain, old) && inside(at+float64(old), level.Window) {
			gain = old
		}
		rec.GainDB[who] = gain
	}
	return rec
}

// GainTo is the gain that brings what measures levels to a level's aim, in
// steps of 0.1 dB; 0 where nothing can be told.
func GainTo(level Level, levels meter.Levels) dsp.DB {
	at := level.Of(levels)
	if math.IsInf(at, 0) || math.IsNaN(at) {
		return 0
	}
	return dsp.DB(round1(level.Aim - at))
}

// Trim is the gain that a spec's window forces on one file beside its
// narrators' gains, 0 where the file lies inside by itself.
func Trim(parts []LeveledPart, gains map[string]dsp.DB, level Level, edges Edges) dsp.DB {
	var sum tally
	frames := edgeFrames(parts, edges)
	for _, p := range parts {
		sum.add(p.Weigh, float64(gains[p.Narrator]), float64(p.Weigh.Levels.Frames))
	}
	sum.frames += frames
	at := sum.level(level)
	lo, hi := within(level.Window)
	switch {
	case math.IsInf(at, 0) || math.IsNaN(at):
		return 0
	case at < lo:
		return dsp.DB(math.Ceil(float64((lo-at)*10)-1e-9) / 10)
	case at > hi:
		return dsp.DB(math.Floor(float64((hi-at)*10)+1e-9) / 10)
	}
	return 0
}

func inside(at float64, window [2]float64) bool {
	lo, hi := within(window)
	return at >= lo && at <= hi
}

// tally adds up parts: energy for plain RMS, gated blocks for loudness.
type tally struct {
	energy, frames float64
	gated, blocks  float64
}

func (t *tally) add(w WeighRecord, gainDB, frames float64) {
	g := squareFromDB(gainDB)
	t.energy += float64(w.Levels.SumSquares * g)
	t.frames += frames
	if l := float64(w.Levels.Integrated); w.Levels.GatedBlocks > 0 && !math.IsInf(l, 0) {
		n := float64(w.Levels.GatedBlocks)
		t.gated += float64(float64(n*squareFromDB(l)) * g)
		t.blocks += n
	}
}

// level is what a level's measure reads in the parts, which are of one channel.
func (t *tally) level(l Level) float64 {
	if l.Measure == MeasureLoudness {
		return 10*math.Log10(t.gated/t.blocks) + l.monoLU()
	}
	return 10 * math.Log10(t.energy/t.frames)
}

// pool tallies every narrator's parts; a chapter's edges count with each of
// its parts by length.
func pool(chapters [][]LeveledPart, edges Edges) map[string]*tally {
	pools := map[string]*tally{}
	for _, parts := range chapters {
		var body float64
		for _, p := range parts {
			body += float64(p.Weigh.Levels.Frames)
		}
		edge := edgeFrames(parts, edges)
		for _, p := range parts {
			t := pools[p.Narrator]
			if t == nil {
				t = &tally{}
				pools[p.Narrator] = t
			}
			n := float64(p.Weigh.Levels.Frames)
			if body > 0 {
				t.add(p.Weigh, 0, n+float64(edge*n)/body)
			}
		}
	}
	return pools
}

func edgeFrames(parts []LeveledPart, edges Edges) float64 {
	if len(parts) == 0 {
		return 0
	}
	return math.Round((edges.HeadAimS + edges.TailAimS) * float64(parts[0].RateHz))
}

func bodyS(parts []LeveledPart) float64 {
	var s float64
	for _, p := range parts {
		s += p.Weigh.Levels.Frames.Seconds(p.RateHz)
	}
	return s
}

func nameOf(narrator string) string {
	if narrator == "" {
		return "the narrator"
	}
	return narrator
}
