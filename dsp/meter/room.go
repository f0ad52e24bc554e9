package meter

import (
	"math"
	"math/bits"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
)

// A Window is a stretch of frames [From, To) of the signal.
type Window struct {
	From dsp.Frames `json:"from"`
	To   dsp.Frames `json:"to"`
}

// Room is what a narration says about the room it was spoken in.
type Room struct {
	// Bounds run from the start of the first sound that is not room tone to the
	// end of the last, to about 10 ms; empty where there is none. Where no room
	// tone was found they are what is not digital silence.
	Bounds Window `json:"bounds"`
	// Tone are stretches of room tone that do not overlap, in order: of 0.5 s,
	// or of 0.25 s where there are fewer than four of those.
	Tone  []Window `json:"tone"`
	Floor Floor    `json:"floor"`
	// ToneSpectrum is the mean power of Tone in each band of
	// spectrum.SixthOctaves; nil where it was not measured.
	ToneSpectrum []dsp.DBFS `json:"tone_spectrum"`
	// SpeechS is the time spent speaking, in seconds, gaps under 0.2 s included.
	SpeechS float64 `json:"speech_s"`
	// DigitalSilenceS is the time in which the same sample value was repeated for
	// 10 ms or longer, in seconds.
	DigitalSilenceS float64 `json:"digital_silence_s"`
	// Phrases are what is spoken between two pauses, in order.
	Phrases []Phrase `json:"phrases"`
	// QuietWords is how loud the quietest words are in each band of
	// spectrum.SixthOctaves: the level that all but a twentieth of the seconds of
	// speech reach for 93 ms; nil where less than five seconds were spoken.
	QuietWords []dsp.DBFS `json:"quiet_words"`
}

// Floor is the level of the room tone, over the windows of Room.Tone. Levels are
// NaN where there are none.
type Floor struct {
	Median     dsp.DBFS `json:"median_dbfs"`      // plain RMS, DC included
	WorstTenth dsp.DBFS `json:"worst_tenth_dbfs"` // the level that a tenth of the windows exceed
	MedianA    dsp.DBFS `json:"median_a_dbfs"`    // A-weighted
	Windows    int      `json:"windows"`
}

// A RoomMeter finds the room tone of a mono narration in one pass.
//
// Write keeps four levels for each 10 ms of the last 20 minutes, 1 MB: plain, A-weighted, and
// bright, which is A-weighted above 2 kHz, with its peak. Plain levels are not
// compared: the rumble under 100 Hz that often rules a quiet booth wanders by
// 10 dB within a second. Breaths and mouth clicks hide under the rest of a poor
// booth's noise, and stand out in the bright part of it. Write also keeps the
// spectrum of some stretches that may be room tone; which of them are is known
// only at the end. Result decides: see there.
type RoomMeter struct {
	rateHz, frame int // a frame is 10 ms of samples
	weighting     *kernel.Cascade
	brightness    *kernel.Cascade
	scratch       []float64
	frames        []frameLevels // that are not judged yet
	judged        int           // frames before them
	n             int64         // samples in all frames

	pending []float64 // the samples that do not fill a frame yet
	last    float64   // the last sample, and how often it was repeated
	run     int64
	silent  int64 // samples in runs of 10 ms and longer

	bands   bool // whether levels in bands are kept
	spectra toneSpectra
	words   quietWords

	// What the judged parts said.
	tone            []Window
	plain, weighted []int16 // levels of tone
	bounds          Window
	spoken          dsp.Frames
	phrases         []Phrase
}

// frameLevels are the levels of 10 ms in hundredths of a dB.
type frameLevels struct {
	plain, weighted, bright int16
	peak                    int16 // of bright
}

// dead is the level of a frame that digital silence touches, and of silence.
const dead = math.MinInt16

// NewRoom returns a meter before its first sample. Rates from 8 kHz up work; the
// A-weighting is right from 16 kHz up.
func NewRoom(rateHz int) *RoomMeter {
	m := NewFloor(rateHz)
	m.bands = true
	m.spectra = newToneSpectra(rateHz, m.frame)
	m.words = newQuietWords(rateHz, m.frame)
	return m
}

// NewFloor is NewRoom without ToneSpectrum and QuietWords, which take half of
// its time.
func NewFloor(rateHz int) *RoomMeter {
	m := &RoomMeter{rateHz: rateHz, frame: (rateHz + 50) / 100}
	m.weighting = kernel.NewCascade(AWeighting(float64(rateHz)))
	// A Butterworth high-pass at 2 kHz.
	k := kernel.Tan(math.Pi * 2000 / float64(rateHz))
	kk := float64(k * k)
	d := 1 + float64(math.Sqrt2*k) + kk
	m.brightness = kernel.NewCascade([]kernel.Biquad{{
		B0: 1 / d, B1: -2 / d, B2: 1 / d, A1: 2 * (kk - 1) / d, A2: (1 - float64(math.Sqrt2*k) + kk) / d,
	}})
	m.scratch = make([]float64, m.frame)
	m.pending = make([]float64, 0, m.frame)
	m.last = math.NaN()
	return m
}

// Write takes the next samples, in blocks of any length.
func (m *RoomMeter) Write(x []float64) {
	for len(x) > 0 {
		if len(m.pending) == 0 && len(x) >= m.frame {
			m.add(x[:m.frame])
			x = x[m.frame:]
			continue
		}
		n := min(m.frame-len(m.pending), len(x))
		m.pending = append(m.pending, x[:n]...)
		x = x[n:]
		if len(m.pending) == m.frame {
			m.add(m.pending)
			m.pending = m.pending[:0]
		}
	}
}

// add takes a frame.
func (m *RoomMeter) add(x []float64) {
	n := float64(len(x))
	filtered := m.scratch[:len(x)]
	copy(filtered, x)
	m.weighting.Process(filtered)
	weighted := squares(filtered)
	m.brightness.Process(filtered)
	var bright amplitude
	bright.add(filtered)
	m.frames = append(m.frames, frameLevels{
		plain:    hundredths(powerDB(squares(x) / n)),
		weighted: hundredths(powerDB(weighted / n)),
		bright:   hundredths(powerDB(bright.squares / n)),
		peak:     hundredths(amplitudeDB(math.Float64frombits(bright.peak))),
	})
	m.findRuns(x)
	m.n += int64(len(x))
	if m.bands {
		m.spectra.add(x, m.frames)
		m.words.add(x, len(m.frames)-1)
	}
	if len(m.frames) == 2*partFrames {
		if m.run >= int64(m.frame) { // it goes on, but what it touched so far is judged now
			m.markRun(m.run, m.n)
		}
		m.judge(partFrames)
	}
}

// findRuns counts repeated samples, and marks the frames of runs that ended.
func (m *RoomMeter) findRuns(x []float64) {
	last, run := m.last, m.run
	for i, v := range x {
		if v == last {
			run++
			continue
		}
		m.endRun(run, m.n+int64(i))
		last, run = v, 1
	}
	m.last, m.run = last, run
}

// endRun marks the frames of a run of n samples before sample end, if it is long
// enough for no microphone to have made it.
func (m *RoomMeter) endRun(n, end int64) {
	if n < int64(m.frame) {
		return
	}
	m.silent += n
	m.markRun(n, end)
}

// markRun makes the frames that a run touches dead, those that are still here.
func (m *RoomMeter) markRun(n, end int64) {
	for t := max((end-n)/int64(m.frame), int64(m.judged)); t*int64(m.frame) < end; t++ {
		m.frames[t-int64(m.judged)] = frameLevels{dead, dead, dead, dead}
	}
}

// hundredths is a level as it is kept.
func hundredths(db float64) int16 {
	return int16(math.Round(min(max(100*db, dead), math.MaxInt16)))
}

// toneSpectra keeps the band levels of stretches of about 0.18 s that may be room
// tone, half overlapping, under a Hann window (Welch 1967). There are never more
// than maxSpectra: when they are, every other one goes, and half as many come.
type toneSpectra struct {
	bandLevels
	frames, hop int       // of a stretch, and between two
	recent      []float64 // the samples of the stretch that is being filled
	first       int       // its first frame
	stride      int       // only every stride-th stretch is kept
	kept        []toneSpectrum
	sums        []float64 // band powers of what lay in room tone, and of how many
	taken       float64
	levels      [levelClasses]int // how many steady stretches had each A-weighted level, in dB below 0
}

// bandLevels finds the levels of bands in one window.
type bandLevels struct {
	rateHz, frame int
	fft           *spectrum.FFT
	bands         []spectrum.Band
	window        []float64
	product       []float64
	bins          []complex128
	power         []float64
}

type toneSpectrum struct {
	first  int // frame
	levels []int16
}

const (
	maxSpectra   = 2048
	levelClasses = 160
)

// newBandLevels takes windows of the largest power of two within so many frames.
func newBandLevels(rateHz, frame, frames int) bandLevels {
	size := 1 << (bits.Len(uint(frames*frame)) - 1)
	fft, err := spectrum.NewFFT(size)
	if err != nil {
		panic(err) // only for rates that no file has
	}
	return bandLevels{
		rateHz: rateHz, frame: frame, fft: fft, bands: spectrum.SixthOctaves(), window: spectrum.Hann(size),
		product: make([]float64, size), bins: make([]complex128, size/2+1), power: make([]float64, size/2+1),
	}
}

// newToneSpectra takes windows of 8192 samples at 44.1 and 48 kHz.
func newToneSpectra(rateHz, frame int) toneSpectra {
	s := toneSpectra{bandLevels: newBandLevels(rateHz, frame, 19), stride: 1}
	s.frames = (s.fft.Size() + frame - 1) / frame
	s.sums = make([]float64, len(s.bands))
	s.hop = (s.frames + 1) / 2
	s.recent = make([]float64, 0, s.frames*frame)
	return s
}

// add takes a frame; all are those of the meter with this one the last.
func (s *toneSpectra) add(x []float64, all []frameLevels) {
	s.recent = append(s.recent, x...)
	if len(s.recent) < s.frames*s.frame {
		return
	}
	if s.first/s.hop%s.stride == 0 && s.mayBeTone(all[s.first:]) {
		s.keep()
	}
	n := copy(s.recent, s.recent[s.hop*s.frame:])
	s.recent = s.recent[:n]
	s.first += s.hop
}

// mayBeTone tells whether a stretch is steady, and not 16 dB louder than the
// quieter fifth of the steady ones so far. It only saves time: what it lets
// pass is judged again when all is known.
func (s *toneSpectra) mayBeTone(stretch []frameLevels) bool {
	groups := make([]groupLevels, 0, 8)
	for at := 0; at+toneGroup <= len(stretch); at += toneGroup {
		groups = append(groups, groupAt(stretch[at:]))
	}
	level, ok := steady(groups)
	if !ok {
		return false
	}
	class := min(max(-int(level.weighted)/100, 0), levelClasses-1)
	s.levels[class]++
	total, quieter := 0, 0
	for _, count := range s.levels {
		total += count
	}
	for c := levelClasses - 1; ; c-- {
		if quieter += s.levels[c]; 5*quieter >= total {
			return class >= c-16
		}
	}
}

// keep takes the spectrum of the stretch in recent.
func (s *toneSpectra) keep() {
	s.kept = append(s.kept, toneSpectrum{s.first, s.of(s.recent)})
	if len(s.kept) < maxSpectra {
		return
	}
	s.stride *= 2
	kept := s.kept[:0]
	for _, one := range s.kept {
		if one.first/s.hop%s.stride == 0 {
			kept = append(kept, one)
		}
	}
	s.kept = kept
}

// of is the levels of the bands over the first window of x.
func (s *bandLevels) of(x []float64) []int16 {
	size := s.fft.Size()
	for i, v := range x[:size] {
		s.product[i] = v * s.window[i]
	}
	s.fft.Forward(s.bins, s.product)
	scale := 2 / (float64(size) * 0.375 * float64(size)) // both halves of the spectrum; the squared window's mean is 3/8
	for k, v := range s.bins {
		s.power[k] = scale * (float64(real(v)*real(v)) + float64(imag(v)*imag(v)))
	}
	levels := make([]int16, len(s.bands))
	for i, level := range spectrum.Levels(s.power, s.rateHz, s.bands) {
		levels[i] = hundredths(float64(level))
	}
	return levels
}

// take adds the band powers of the stretches that lie within windows of the
// part at hand to the sums; tone is sorted and in its frames of 10 ms.
func (s *toneSpectra) take(tone []stretch) {
	for _, one := range s.kept {
		for len(tone) > 0 && tone[0].to < one.first+s.frames {
			tone = tone[1:]
		}
		if len(tone) == 0 {
			break
		}
		if tone[0].from > one.first {
			continue
		}
		s.taken++
		for i, level := range one.levels {
			s.sums[i] += power(level)
		}
	}
}

// forget drops the first n frames.
func (s *toneSpectra) forget(n int) {
	kept := s.kept[:0]
	for _, one := range s.kept {
		if one.first >= n {
			one.first -= n
			kept = append(kept, one)
		}
	}
	clear(s.kept[len(kept):])
	s.kept = kept
	s.first -= n
}

// mean is the mean power in each band of what was taken; nil where nothing was.
func (s *toneSpectra) mean() []dsp.DBFS {
	if s.taken == 0 {
		return nil
	}
	levels := make([]dsp.DBFS, len(s.sums))
	for i, sum := range s.sums {
		levels[i] = rounded[dsp.DBFS](powerDB(sum / s.taken))
	}
	return levels
}
