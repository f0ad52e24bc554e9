package meter

import (
	"math"
	"slices"

	"chapterhouse/dsp"
)

// What a phrase is: our own definition. Levels are in hundredths of a dB, times
// in frames of 10 ms.
const (
	phraseGap      = 25   // without sound for longer: a pause
	phraseShortest = 10   // shorter sounds are clicks and knocks
	phraseUnder    = 3300 // below the middle phrase's loudest 50 ms: a breath
	phraseBefore   = 4    // soft beginnings, which lie under the limit still
	phraseAfter    = 8    // and endings
	activeUnder    = 1590 // ITU-T P.56: active is what lies less than 15.9 dB under the level
	activeHangover = 20   // and 0.2 s after it
)

// phrases finds what is spoken between two pauses: sounds with gaps of 0.25 s at
// most that lie, A-weighted over 50 ms, 10 dB above the part's room tone and at
// most 33 dB below the loudest moment of the middle phrase. So a whisper is a
// phrase, and a breath is not, nor does it join two.
func (m roomPart) phrases(groups []groupLevels, floorA dsp.DBFS) []stretch {
	limit := m.speechLimit(groups, floorA)
	if !math.IsNaN(float64(floorA)) {
		limit = int(100*floorA) + speechOver
	}
	var loudest []int16 // of each phrase, once for every 0.1 s of it
	for _, s := range sounds(groups, limit) {
		most := int16(dead)
		for _, g := range groups[s.from-toneGroup/2 : s.to-toneGroup/2] {
			most = max(most, g.weighted)
		}
		for range (s.to - s.from) / phraseShortest {
			loudest = append(loudest, most)
		}
	}
	if len(loudest) == 0 {
		return nil
	}
	all := sounds(groups, max(limit, int(quantile(loudest, 0.5))-phraseUnder))
	for i, s := range all {
		s = stretch{max(0, s.from-phraseBefore), min(len(m.frames), s.to+phraseAfter)}
		if i > 0 && s.from < all[i-1].to {
			s.from = all[i-1].to
		}
		all[i] = s
	}
	return all
}

// sounds are the stretches above a limit, with the gaps in them.
func sounds(groups []groupLevels, limit int) (all []stretch) {
	from, until := -1, 0
	end := func() {
		if from >= 0 && until-from >= phraseShortest {
			all = append(all, stretch{from, until})
		}
	}
	for t, g := range groups {
		if int(g.weighted) <= limit {
			continue
		}
		at := t + toneGroup/2
		if from < 0 || at-until >= phraseGap {
			end()
			from = at
		}
		until = at + 1
	}
	end()
	return all
}

// active is the level of a stretch while it is spoken, as ITU-T P.56 has it: the
// mean power over what lies less than 15.9 dB below that level, with 0.2 s after
// it. P.56 follows an envelope of single samples; this takes 10 ms.
func (m roomPart) active(w stretch) int16 {
	frames := m.frames[w.from:w.to]
	limit := math.MinInt
	level := int16(dead)
	for range 8 {
		var sum float64
		n, left := 0, 0
		for _, f := range frames {
			if int(f.plain) >= limit {
				left = activeHangover + 1
			}
			if left > 0 {
				left--
				n++
				sum += power(f.plain)
			}
		}
		next := hundredths(powerDB(sum / float64(max(n, 1))))
		if next == level {
			break
		}
		level, limit = next, int(next)-activeUnder
	}
	return level
}

// addPhrases adds a part's phrases to those before it. One that goes on over
// the border of two parts is one.
func (m *RoomMeter) addPhrases(p roomPart, phrases []stretch) {
	gap := dsp.Frames(phraseGap * m.frame)
	for i, s := range phrases {
		w := m.window(s)
		phrase := Phrase{w.From, w.To, dsp.DBFS(p.active(s)) / 100}
		if n := len(m.phrases); i == 0 && n > 0 && w.From-m.phrases[n-1].To < gap {
			before := &m.phrases[n-1]
			a, b := float64(before.To-before.From), float64(phrase.To-phrase.From)
			sum := float64(a*power(int16(math.Round(100*float64(before.Level))))) + float64(b*power(int16(math.Round(100*float64(phrase.Level)))))
			*before = Phrase{before.From, phrase.To, dsp.DBFS(hundredths(powerDB(sum/(a+b)))) / 100}
			continue
		}
		m.phrases = append(m.phrases, phrase)
	}
}

// A quietWords gathers how loud the quietest words are in each sixth octave:
// spectra of 93 ms, every 186 ms, of which each second of speech gives the
// highest level in each band.
type quietWords struct {
	levels   bandLevels
	from     int // first frame of the window at hand
	recent   []float64
	kept     []toneSpectrum
	reached  [][levelClasses]int // by band: how many seconds reached a level, in dB below 0
	highest  []int16             // of the second at hand, by band
	inSecond int
}

const (
	wordHop       = 19 // frames between two windows, about two of their lengths
	wordsInSecond = 6  // windows
	quietShare    = 0.05
	leastSeconds  = 5
)

func newQuietWords(rateHz, frame int) quietWords {
	q := quietWords{levels: newBandLevels(rateHz, frame, 10)}
	q.reached = make([][levelClasses]int, len(q.levels.bands))
	q.highest = make([]int16, len(q.levels.bands))
	q.recent = make([]float64, 0, wordHop*frame)
	q.forgetSecond()
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

// take counts what lies in phrases of the part at hand, and forgets what lies
// before frame n.
func (q *quietWords) take(phrases []stretch, n int) {
	kept := q.kept[:0]
	for _, one := range q.kept {
		i, _ := slices.BinarySearchFunc(phrases, one.first, func(s stretch, t int) int { return s.to - t - 1 })
		if i < len(phrases) && phrases[i].from <= one.first {
			for b, l := range one.levels {
				q.highest[b] = max(q.highest[b], l)
			}
			if q.inSecond++; q.inSecond == wordsInSecond {
				for b, l := range q.highest {
					q.reached[b][min(max(-int(l)/100, 0), levelClasses-1)]++
				}
				q.forgetSecond()
			}
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

func (q *quietWords) forgetSecond() {
	q.inSecond = 0
	for b := range q.highest {
		q.highest[b] = dead
	}
}

// result is the level that all but a twentieth of the seconds reach in each
// band; nil where there are fewer than five.
func (q *quietWords) result() []dsp.DBFS {
	levels := make([]dsp.DBFS, len(q.reached))
	for b := range q.reached {
		total := 0
		for _, n := range q.reached[b] {
			total += n
		}
		if total < leastSeconds {
			return nil
		}
		below, class := 0, levelClasses-1
		for ; class > 0; class-- {
			if below += q.reached[b][class]; float64(below) > float64(quietShare*float64(total)) {
				break
			}
		}
		levels[b] = dsp.DBFS(-class - 1) // the lower end of the class
	}
	return levels
}
