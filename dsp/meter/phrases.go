package meter

import (
	"math"

	"chapterhouse/dsp"
)

// What a phrase is: our own definition. Levels are in hundredths of a dB, times
// in frames of 10 ms.
const (
	phraseGap      = 25   // without sound for longer: a pause
	phraseShortest = 10   // shorter sounds are clicks and knocks
	phraseUnder    = 3300 // below the middle phrase's loudest 50 ms: a breath
	phraseBefore   = 3    // soft beginnings, which lie under the limit still
	phraseAfter    = 6    // and endings
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
