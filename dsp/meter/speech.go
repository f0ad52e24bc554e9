package meter

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// speechThresholds is the number of thresholds of ITU-T P.56: 2^−1 to 2^−23, one
// for each bit of 24-bit samples but the sign, as the recommendation's own
// software has 15 for 16 bits.
const speechThresholds = 23

// speech is the speech voltmeter of ITU-T P.56 (12/2011), method B: the level of
// speech while it is active, its pauses left out, and the share of the time that
// it is. An envelope (two one-poles of 30 ms) is above each threshold or within
// 200 ms after for some time; the active level is the one that lies 15.9 dB over
// the threshold that gives it.
//
// The envelope crosses thresholds a few times a second, so the time above each
// is counted when it does, not sample by sample.
type speech struct {
	g, p, q  float64
	hangover int64
	n        int64
	lowest   int                     // thresholds lowest..23 are at or below the envelope; 24: none
	since    [speechThresholds]int64 // at or below the envelope: when it rose there; else when it fell
	active   [speechThresholds]int64 // samples counted up to since; of a hangover, what ended
}

func newSpeech(rateHz int) speech {
	s := speech{
		g:        kernel.Exp(-1 / (float64(rateHz) * 0.03)),
		hangover: int64(math.Round(0.2 * float64(rateHz))),
		lowest:   speechThresholds + 1,
	}
	for j := range s.since {
		s.since[j] = math.MinInt32 // fell long ago, and was counted
		s.active[j] = -s.hangover  // the hangover that the first rise adds
	}
	return s
}

// add takes a block. Callers cut blocks on a fixed grid.
func (s *speech) add(x []float64) {
	g, h, p, q := s.g, 1-s.g, s.p, s.q
	const bias, mantissa = 1023, 52
	current := uint64(bias - s.lowest) // exponent of the envelope, as far as it matters
	for i, v := range x {
		p = float64(g*p) + float64(h*math.Abs(v))
		q = float64(g*q) + float64(h*p)
		if e := math.Float64bits(q) >> mantissa; e != current {
			if lowest := min(max(bias-int(e), 1), speechThresholds+1); lowest != s.lowest {
				s.cross(lowest, s.n+int64(i))
			}
			current = e
		}
	}
	s.p, s.q = flushed(p), flushed(q)
	s.n += int64(len(x))
}

// flushed ends a decay before it reaches numbers that processors handle slowly.
func flushed(v float64) float64 {
	if v < 1e-30 {
		return 0
	}
	return v
}

// cross notes that from sample t on the thresholds from lowest are reached.
func (s *speech) cross(lowest int, t int64) {
	for ; s.lowest > lowest; s.lowest-- {
		j := s.lowest - 2 // the threshold 2^−(lowest−1) is reached now
		s.active[j] += min(t-s.since[j], s.hangover)
		s.since[j] = t
	}
	for ; s.lowest < lowest; s.lowest++ {
		j := s.lowest - 1
		s.active[j] += t - s.since[j]
		s.since[j] = t
	}
}

// level is the active speech level and the activity, 0 to 1, of what was
// written, given the sum of its squares. Silence is −Inf and 0, nothing written NaN.
func (s *speech) level(squares float64) (dsp.DBFS, float64) {
	if s.n == 0 {
		return dsp.DBFS(dsp.Unmeasured), 0
	}
	const margin = 15.9
	found, above := dsp.Silence, 0.0 // level at the last threshold, and how far it lies above it
	for t := speechThresholds; t >= 1; t-- {
		count := s.active[t-1]
		if t >= s.lowest {
			count += s.n - s.since[t-1]
		} else {
			count += min(s.n-s.since[t-1], s.hangover)
		}
		if count == 0 {
			break // never as loud as this threshold
		}
		level := powerDB(squares / float64(count))
		over := level - amplitudeDB(math.Ldexp(1, -t))
		if over <= margin {
			if above > margin {
				// Straight line between the two thresholds.
				level = found + float64((level-found)*((above-margin)/(above-over)))
			}
			found = level
			break
		}
		found, above = level, over
	}
	if math.IsInf(found, -1) {
		return dsp.DBFS(found), 0
	}
	return dsp.DBFS(found), squares / float64(s.n) / kernel.FromPowerDB(found)
}

// A SpeechMeter is Levels.Speech alone, of one channel.
type SpeechMeter struct {
	speech  speech
	squares float64
}

// NewSpeech returns a meter before its first sample.
func NewSpeech(rateHz int) *SpeechMeter { return &SpeechMeter{speech: newSpeech(rateHz)} }

// Write takes the next samples.
func (m *SpeechMeter) Write(x []float64) {
	m.speech.add(x)
	m.squares += squares(x)
}

// Level is the active level of what was written, ITU-T P.56 method B; −Inf for
// silence, NaN for nothing.
func (m *SpeechMeter) Level() dsp.DBFS {
	level, _ := m.speech.level(m.squares)
	return level
}
