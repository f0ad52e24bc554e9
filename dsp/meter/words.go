package meter

import (
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// A quietWords gathers how loud the quietest words are in each sixth octave:
// spectra of 93 ms, every 100 ms, of which each second of speech gives the highest
// level in the octave around each band. An octave, for a word that is soft in a
// sixth of one is loud in the next, and it is wide bands that are asked for.
type quietWords struct {
	levels   bandLevels
	from     int // first frame of the window at hand
	recent   []float64
	kept     []toneSpectrum
	powers   []float64           // by band, of the window at hand
	sums     []float64           // by band, of all windows
	reached  [][levelClasses]int // by band: how many seconds reached a level in its octave, in dB below 0
	highest  []float64           // by band, of the second at hand
	inSecond int
	seconds  int
}

const (
	wordHop       = 10 // frames between two windows, about their length
	wordsInSecond = 10 // windows
	quietShare    = 0.05
	leastSeconds  = 5
	octaveSide    = 3  // sixths to either side
	wordOverTone  = 10 // dB: rumble itself reaches 8 dB over its mean in 93 ms
)

func newQuietWords(rateHz, frame int) quietWords {
	q := quietWords{levels: newBandLevels(rateHz, frame, 10), recent: make([]float64, 0, wordHop*frame)}
	n := len(q.levels.bands)
	q.powers, q.sums, q.highest = make([]float64, n), make([]float64, n), make([]float64, n)
	q.reached = make([][levelClasses]int, n)
	return q
}

// add takes a frame; n is its number among those that are not judged yet.
func (q *quietWords) add(x []float64, n int) {
	if len(q.recent) == 0 {
		q.from = n
	}
	q.recent = append(q.recent, x...)
	if len(q.recent) < wordHop*q.levels.frame {
		return
	}
	q.kept = append(q.kept, toneSpectrum{q.from, q.levels.of(q.recent)})
	q.recent = q.recent[:0]
}

// take counts what lies in phrases of the part at hand, its first n frames, and
// forgets it.
func (q *quietWords) take(phrases []stretch, n int) {
	kept := q.kept[:0]
	for _, one := range q.kept {
		i, _ := slices.BinarySearchFunc(phrases, one.first, func(s stretch, t int) int { return s.to - t - 1 })
		if i < len(phrases) && phrases[i].from <= one.first {
			q.count(one.levels)
		}
		if one.first >= n {
			one.first -= n
			kept = append(kept, one)
		}
	}
	clear(q.kept[len(kept):])
	q.kept = kept
	q.from -= n
}

func (q *quietWords) count(levels []int16) {
	for b, l := range levels {
		q.powers[b] = power(l)
		q.sums[b] += q.powers[b]
	}
	for b := range q.highest {
		q.highest[b] = max(q.highest[b], octave(q.powers, b))
	}
	if q.inSecond++; q.inSecond < wordsInSecond {
		return
	}
	for b, p := range q.highest {
		q.reached[b][min(max(-int(powerDB(p)), 0), levelClasses-1)]++
		q.highest[b] = 0
	}
	q.inSecond = 0
	q.seconds++
}

// octave is the power in the octave around a band.
func octave(powers []float64, band int) float64 {
	var sum float64
	for _, p := range powers[max(0, band-octaveSide):min(len(powers), band+octaveSide+1)] {
		sum += p
	}
	return sum
}

// result is, in each band, its usual part of the level that all but a twentieth
// of the seconds reach in the octave around it; nil where there are fewer than
// five. A second that does not stand out of the room tone there has no words
// there: a whisper has none below 200 Hz. tone is the room tone in each band, or
// nil.
func (q *quietWords) result(tone []dsp.DBFS) []dsp.DBFS {
	levels := make([]dsp.DBFS, len(q.reached))
	room := make([]float64, len(q.reached))
	for b, l := range tone {
		room[b] = kernel.FromPowerDB(float64(l))
	}
	for b := range q.reached {
		softest := levelClasses - 1 // class of the softest level that can be a word
		if tone != nil {
			softest = min(max(-int(powerDB(octave(room, b))+wordOverTone), 0), softest)
		}
		total, class := 0, levelClasses-1
		for c, n := range q.reached[b] {
			if n > 0 && class == levelClasses-1 {
				class = c // the loudest: where there are hardly any words, all that counts
			}
			if c <= softest {
				total += n
			}
		}
		if b == 0 && q.seconds < leastSeconds {
			return nil
		}
		if total >= leastSeconds {
			below := 0
			for class = softest; class > 0; class-- {
				if below += q.reached[b][class]; float64(below) > float64(quietShare*float64(total)) {
					break
				}
			}
		}
		part := powerDB(q.sums[b]) - powerDB(octave(q.sums, b))
		levels[b] = rounded[dsp.DBFS](float64(-class-1) + part) // from the lower end of the class
	}
	return levels
}
