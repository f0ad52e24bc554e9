package render

import (
	"fmt"
	"math"

	"chapterhouse/pipeline"
)

// Figures by which a two-channel source is told (own definitions).
const (
	deadSideDB   = 40.0 // a side so far under the other is dead
	alikeShare   = 0.98 // correlation from which two sides are one microphone
	flippedShare = -0.9 // correlation under which one side is reversed
	fallenBlocks = 5    // blocks of 100 ms without a sample, that the other side does not share: a side fell away
)

// chooseFold listens to a two-channel span and decides how it becomes one
// channel. unsure: the sides are two microphones, and an ear should confirm.
func (b *bench) chooseFold(source pipeline.Digest, span pipeline.Span, rateHz int) (f pipeline.Fold, note string, unsure bool, err error) {
	var (
		ll, rr, lr float64
		identical  = true
		left       = newSpread(rateHz)
		right      = newSpread(rateHz)
		mono       bool
	)
	err = b.channels(source, span, func(ch [][]float64) error {
		if len(ch) == 1 {
			mono = true
			return errEnough
		}
		for i, l := range ch[0] {
			r := ch[1][i]
			identical = identical && l == r
			ll += float64(l * l)
			rr += float64(r * r)
			lr += float64(l * r)
		}
		left.write(ch[0])
		right.write(ch[1])
		return nil
	})
	switch {
	case mono:
		return pipeline.FoldMono, "", false, nil
	case err != nil:
		return "", "", false, err
	case identical:
		return pipeline.FoldMono, "two identical sides: one was taken", false, nil
	case 10*math.Log10(ll/rr) > deadSideDB:
		return pipeline.FoldLeft, "the right side is dead: the left was taken", false, nil
	case 10*math.Log10(rr/ll) > deadSideDB:
		return pipeline.FoldRight, "the left side is dead: the right was taken", false, nil
	}
	switch share := lr / math.Sqrt(ll*rr); {
	case share < flippedShare:
		return pipeline.FoldFlip, "one side has its polarity reversed: it was turned back", false, nil
	case share > alikeShare && rr > ll:
		return pipeline.FoldRight, "the two sides are alike: the louder, right, was taken", false, nil
	case share > alikeShare:
		return pipeline.FoldLeft, "the two sides are alike: the louder, left, was taken", false, nil
	case right.silent >= left.silent+fallenBlocks:
		return pipeline.FoldLeft, fmt.Sprintf("two microphones: the right is digitally silent for %.1f s more, and the left was taken", right.lost(left)), true, nil
	case left.silent >= right.silent+fallenBlocks:
		return pipeline.FoldRight, fmt.Sprintf("two microphones: the left is digitally silent for %.1f s more, and the right was taken", left.lost(right)), true, nil
	case right.db() > left.db():
		return pipeline.FoldRight, fmt.Sprintf("two microphones: the right has %.1f dB more between speech and floor and was taken", right.db()-left.db()), true, nil
	case right.db() == left.db():
		return pipeline.FoldLeft, "two microphones with as much between speech and floor: the left was taken", true, nil
	default:
		return pipeline.FoldLeft, fmt.Sprintf("two microphones: the left has %.1f dB more between speech and floor and was taken", left.db()-right.db()), true, nil
	}
}

var errEnough = fmt.Errorf("enough heard")

// spread gathers the levels of 100 ms blocks: the distance of the loud to the
// quiet ones tells which of two microphones is better.
type spread struct {
	block, n int
	energy   float64
	counts   [1201]int // by tenths of a dB under full scale
	total    int
	silent   int // blocks of digital silence: they tell nothing of a floor
}

func newSpread(rateHz int) *spread { return &spread{block: rateHz / 10} }

func (s *spread) write(x []float64) {
	for _, v := range x {
		s.energy += float64(v * v)
		if s.n++; s.n == s.block {
			if s.energy > 0 {
				tenths := -100 * math.Log10(s.energy/float64(s.n)+1e-12)
				s.counts[max(0, min(len(s.counts)-1, int(tenths)))]++
				s.total++
			} else {
				s.silent++
			}
			s.energy, s.n = 0, 0
		}
	}
}

// lost is for how many seconds s is digitally silent beyond what another side is.
func (s *spread) lost(other *spread) float64 { return float64(s.silent-other.silent) / 10 }

// db is the distance of the 95th to the 10th percentile of the block levels.
func (s *spread) db() float64 {
	if s.total == 0 {
		return 0
	}
	at := func(share float64) float64 { // what a share of the blocks reach
		left := max(1, int(math.Ceil(share*float64(s.total))))
		for i, c := range s.counts {
			if left -= c; left <= 0 {
				return float64(i) / 10
			}
		}
		return 0
	}
	return at(0.90) - at(0.05)
}
