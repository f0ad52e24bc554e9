package render

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// usedDB is the change from which a stage counts as active.
const usedDB = 0.1

// useBins of 0.1 dB hold how deep a stage went, the first those where it was
// not active; the last takes all that is deeper.
const useBins = 601

// stageUses gathers how much each stage of a chain moved gain, on a 10 ms
// grid, in constant memory.
type stageUses struct {
	names []string
	grid  int // control values in 10 ms
	uses  []useCount
}

type useCount struct {
	moves  bool // the stage has a gauge
	bins   [useBins]int
	total  int
	lifted int     // of total, turned up by more than usedDB and not down
	deep   float64 // deepest in the 10 ms at hand, 0 or less
	up     float64 // highest in the 10 ms at hand, 0 or more
	upMost float64
	inGrid int
}

func newStageUses(stages []pipeline.Resolved, rateHz int) *stageUses {
	u := &stageUses{grid: max(1, rateHz/100/dsp.ControlStep(float64(rateHz))), uses: make([]useCount, len(stages))}
	for _, s := range stages {
		u.names = append(u.names, s.Stage)
	}
	return u
}

// quantum takes one quantum's gains of a stage from the engine.
func (u *stageUses) quantum(_ dsp.Frames, stage int, gainsDB []float64) {
	c := &u.uses[stage]
	c.moves = true
	for _, g := range gainsDB {
		c.deep, c.up = min(c.deep, g), max(c.up, g)
		if c.inGrid++; c.inGrid == u.grid {
			c.count(c.deep, c.up)
			c.deep, c.up, c.inGrid = 0, 0, 0
		}
	}
}

func (c *useCount) count(deep, up float64) {
	bin := 0
	if deep <= -usedDB {
		bin = int(min(-deep*10+0.5, useBins-1))
	} else if up >= usedDB {
		c.lifted++
	}
	c.upMost = max(c.upMost, up)
	c.bins[bin]++
	c.total++
}

func (c *useCount) use(name string) pipeline.StageUse {
	use := pipeline.StageUse{Stage: name}
	active := c.total - c.bins[0]
	if active+c.lifted == 0 {
		return use
	}
	use.Share = dsp.Round2(float64(active+c.lifted) / float64(c.total))
	if c.lifted > 0 {
		use.UpDB = dsp.DB(math.Round(10*c.upMost) / 10)
	}
	seen := 0
	for bin := 1; bin < useBins; bin++ {
		if c.bins[bin] == 0 {
			continue
		}
		db := dsp.DB(-dsp.Round2(float64(bin) / 10))
		before := seen
		seen += c.bins[bin]
		if before*2 < active {
			use.MedianDB = db
		}
		if float64(before) < 0.95*float64(active) {
			use.P95DB = db
		}
		use.MaxDB = db
	}
	return use
}

// numbered is a stage's name within its chain: the second compressor is compressor-2.
func numbered(name string, seen map[string]int) string {
	if seen[name]++; seen[name] > 1 {
		return fmt.Sprintf("%s-%d", name, seen[name])
	}
	return name
}

// addUses is how much each stage that moves gain did, added up over the parts
// of a chapter.
func addUses(parts []*stageUses) []pipeline.StageUse {
	var order []string
	sums := map[string]*useCount{}
	for _, u := range parts {
		seen := map[string]int{}
		for i := range u.uses {
			if !u.uses[i].moves {
				continue
			}
			name := numbered(u.names[i], seen)
			if sums[name] == nil {
				sums[name] = &useCount{}
				order = append(order, name)
			}
			for bin, n := range u.uses[i].bins {
				sums[name].bins[bin] += n
			}
			sums[name].total += u.uses[i].total
			sums[name].lifted += u.uses[i].lifted
			sums[name].upMost = max(sums[name].upMost, u.uses[i].upMost)
		}
	}
	var out []pipeline.StageUse
	for _, name := range order {
		out = append(out, sums[name].use(name))
	}
	return out
}
