package render

import (
	"fmt"

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
	deep   float64 // deepest in the 10 ms at hand
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
		c.deep = min(c.deep, g)
		if c.inGrid++; c.inGrid == u.grid {
			c.count(c.deep)
			c.deep, c.inGrid = 0, 0
		}
	}
}

func (c *useCount) count(db float64) {
	bin := 0
	if db <= -usedDB {
		bin = int(min(-db*10+0.5, useBins-1))
	}
	c.bins[bin]++
	c.total++
}

func (c *useCount) use(name string) pipeline.StageUse {
	use := pipeline.StageUse{Stage: name}
	active := c.total - c.bins[0]
	if active == 0 {
		return use
	}
	use.Share = dsp.Round2(float64(active) / float64(c.total))
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
		}
	}
	var out []pipeline.StageUse
	for _, name := range order {
		out = append(out, sums[name].use(name))
	}
	return out
}
