package meter

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// What room tone is: our own definition, with the figures that it hangs on.
// Levels are in hundredths of a dB, times in frames of 10 ms.
const (
	toneGroup    = 5    // levels are compared over 50 ms
	toneSpread   = 600  // loudest and quietest group of a window, A-weighted; noise stays within it
	brightSpread = 400  // the same, bright: a wide band, so steadier
	toneOver     = 800  // above the base: elsewhere in a booth the floor is a few dB higher, a breath 10 and more
	toneRumble   = 1200 // above the base, plain: a knock on the stand is far more, and hardly A-weighted
	toneCrest    = 1556 // bright peak over RMS: six times, which noise reaches in one window of 10,000
	soundOver    = 800  // above the room tone around it: a sound, if for 20 ms
	clickOver    = 1500 // the same, for 10 ms
	speechOver   = 1000 // above the room tone: speech
	speechDown   = 2500 // below the mean of the speech: a breath, not speech
	fewWindows   = 4    // fewer of 0.5 s than these: windows of 0.25 s
)

// A stretch is frames [from, to) of 10 ms.
type stretch struct{ from, to int }

// Result ends the measurement. Room tone (own definition) is a window
//   - without digital silence,
//   - steady: the levels of its 50 ms, and of 50 ms on either side, lie within
//     6 dB of each other, bright within 4 dB, so that no word, breath or
//     reverberation is in it or at it,
//   - at most 8 dB above the base, which is the level that a fifth of all steady
//     0.25 s stay below (bright alike), and plain at most 12 dB above the same
//     fifth of the windows,
//   - whose highest bright peak is less than six times its RMS: no click is in it.
//
// Levels are A-weighted where nothing else is said. Where the file's mean is not
// 8 dB above what would be the room tone, and that fills less than half the file,
// it is taken for speech without pauses, and there is no room tone.
//
// A sound is what is 8 dB above the room tone nearest to it, A-weighted or bright,
// for 20 ms, or 15 dB for 10 ms. Speech is what is 10 dB above the room tone, and
// not 25 dB below the mean of all that is, for 100 ms or more.
//
// A recording of 20 minutes and more is judged in parts of 10 to 20 minutes, so
// that memory does not grow with its length; a part's room tone is its own.
func (m *RoomMeter) Result() Room {
	if len(m.pending) > 0 {
		m.add(m.pending)
		m.pending = m.pending[:0]
	}
	m.endRun(m.run, m.n)
	m.run = 0
	m.judge(len(m.frames))
	r := Room{
		Bounds: m.bounds, Tone: m.tone, Floor: floorOf(m.plain, m.weighted),
		SpeechS:         m.spoken.Seconds(m.rateHz),
		DigitalSilenceS: dsp.Frames(m.silent).Seconds(m.rateHz),
		Phrases:         m.phrases,
	}
	if m.bands {
		r.ToneSpectrum = m.spectra.mean()
		r.QuietWords = m.words.result(r.ToneSpectrum)
	}
	return r
}

// partFrames is 10 minutes: as soon as there are twice as many frames, the first
// half is judged and forgotten.
const partFrames = 10 * 60 * 100

// judge takes the first n frames for a part, adds what it says to the result,
// and forgets them.
func (m *RoomMeter) judge(n int) {
	p := roomPart{frames: m.frames[:n], frame: m.frame}
	groups := p.groups()
	tone := p.tone(groups)
	if m.bands {
		m.spectra.take(tone)
	}
	var plain, weighted []int16
	for _, w := range tone {
		plain = append(plain, p.level(w, frameLevels.ofPlain))
		weighted = append(weighted, p.level(w, frameLevels.ofWeighted))
		m.tone = append(m.tone, m.window(w))
	}
	m.plain, m.weighted = append(m.plain, plain...), append(m.weighted, weighted...)
	if b := p.bounds(tone); b.to > b.from {
		w := m.window(b)
		if m.bounds.To == 0 {
			m.bounds.From = w.From
		}
		m.bounds.To = w.To
	}
	floorA := floorOf(plain, weighted).MedianA
	m.spoken += p.speech(groups, floorA)
	phrases := p.phrases(groups, floorA)
	m.addPhrases(p, phrases)
	if m.bands {
		m.words.take(phrases, n)
	}
	m.judged += n
	m.frames = m.frames[:copy(m.frames, m.frames[n:])]
	if m.bands {
		m.spectra.forget(n)
	}
}

// window is a stretch of the part at hand in samples of the whole; the last
// frame may be short.
func (m *RoomMeter) window(s stretch) Window {
	at := func(t int) dsp.Frames { return min(dsp.Frames((m.judged+t)*m.frame), dsp.Frames(m.n)) }
	return Window{at(s.from), at(s.to)}
}

// A roomPart is a stretch of a recording that is judged as one.
type roomPart struct {
	frames []frameLevels
	frame  int // samples
}

// groupLevels are the levels of toneGroup frames, dead if one of them is.
type groupLevels struct{ weighted, bright int16 }

// groupAt is the levels of the first toneGroup frames.
func groupAt(frames []frameLevels) groupLevels {
	var weighted, bright float64
	for _, f := range frames[:toneGroup] {
		if f.weighted == dead {
			return groupLevels{dead, dead}
		}
		weighted += power(f.weighted)
		bright += power(f.bright)
	}
	return groupLevels{hundredths(powerDB(weighted / toneGroup)), hundredths(powerDB(bright / toneGroup))}
}

// power is what hundredths of a dB stand for.
func power(level int16) float64 {
	if level == dead {
		return 0
	}
	return kernel.FromPowerDB(float64(level) / 100)
}

// groups is groupAt from every frame on.
func (m roomPart) groups() []groupLevels {
	if len(m.frames) < toneGroup {
		return nil
	}
	groups := make([]groupLevels, len(m.frames)-toneGroup+1)
	for t := range groups {
		groups[t] = groupAt(m.frames[t:])
	}
	return groups
}

// steady tells whether groups are alive and near to each other, and their level.
func steady(groups []groupLevels) (level groupLevels, ok bool) {
	low, high := groups[0], groups[0]
	for _, g := range groups {
		low.weighted, high.weighted = min(low.weighted, g.weighted), max(high.weighted, g.weighted)
		low.bright, high.bright = min(low.bright, g.bright), max(high.bright, g.bright)
		if g.weighted == dead || int(high.weighted)-int(low.weighted) > toneSpread || int(high.bright)-int(low.bright) > brightSpread {
			return groupLevels{}, false
		}
	}
	var weighted, bright float64
	for _, g := range groups {
		weighted += power(g.weighted)
		bright += power(g.bright)
	}
	n := float64(len(groups))
	return groupLevels{hundredths(powerDB(weighted / n)), hundredths(powerDB(bright / n))}, true
}

// around is the groups of n frames from t, and those on either side where the
// file has them, in into.
func around(into, groups []groupLevels, t, n int) []groupLevels {
	into = into[:0]
	for at := t - toneGroup; at <= t+n; at += toneGroup {
		if at >= 0 && at < len(groups) {
			into = append(into, groups[at])
		}
	}
	return into
}

// tone finds the windows of room tone.
func (m roomPart) tone(groups []groupLevels) []stretch {
	const half, quarter = 50, 25
	var weighted, bright []int16
	var near []groupLevels
	for t := 0; t+quarter <= len(m.frames); t += toneGroup {
		near = around(near, groups, t, quarter)
		if level, ok := steady(near); ok {
			weighted, bright = append(weighted, level.weighted), append(bright, level.bright)
		}
	}
	if len(weighted) == 0 {
		return nil
	}
	base := groupLevels{quantile(weighted, 0.2), quantile(bright, 0.2)}
	tone := m.toneWindows(groups, base, half)
	if len(tone) < fewWindows {
		tone = m.toneWindows(groups, base, quarter)
	}
	if !m.standsOut(base, tone) {
		return nil
	}
	return tone
}

// toneWindows takes every window of n frames that it can, from the start on.
func (m roomPart) toneWindows(groups []groupLevels, base groupLevels, n int) []stretch {
	var tone []stretch
	var plain []int16
	var near []groupLevels
	for t := 0; t+n <= len(m.frames); {
		near = around(near, groups, t, n)
		level, ok := steady(near)
		if !ok || int(level.weighted) > int(base.weighted)+toneOver || int(level.bright) > int(base.bright)+toneOver ||
			int(m.peak(t, n)) > int(level.bright)+toneCrest {
			t++
			continue
		}
		w := stretch{t, t + n}
		tone, plain = append(tone, w), append(plain, m.level(w, frameLevels.ofPlain))
		t += n
	}
	if len(tone) == 0 {
		return nil
	}
	limit := int(quantile(slices.Clone(plain), 0.2)) + toneRumble
	kept := tone[:0]
	for i, w := range tone {
		if int(plain[i]) <= limit {
			kept = append(kept, w)
		}
	}
	return kept
}

// standsOut tells whether windows are the quiet part of a louder file, or most
// of it.
func (m roomPart) standsOut(base groupLevels, tone []stretch) bool {
	var sum float64
	alive, covered := 0, 0
	for _, f := range m.frames {
		if f.weighted != dead {
			alive++
			sum += power(f.weighted)
		}
	}
	for _, w := range tone {
		covered += w.to - w.from
	}
	return 2*covered >= alive || int(hundredths(powerDB(sum/float64(alive)))) >= int(base.weighted)+toneOver
}

// peak is the highest bright peak of n frames from t.
func (m roomPart) peak(t, n int) int16 {
	peak := int16(dead)
	for _, f := range m.frames[t : t+n] {
		peak = max(peak, f.peak)
	}
	return peak
}

func (f frameLevels) ofPlain() int16    { return f.plain }
func (f frameLevels) ofWeighted() int16 { return f.weighted }
func (f frameLevels) ofBright() int16   { return f.bright }

// level is one of the levels over a stretch.
func (m roomPart) level(w stretch, of func(frameLevels) int16) int16 {
	var sum float64
	for _, f := range m.frames[w.from:w.to] {
		sum += power(of(f))
	}
	return hundredths(powerDB(sum / float64(w.to-w.from)))
}

// floorOf is the floor of windows with these levels, which it sorts.
func floorOf(plain, weighted []int16) Floor {
	if len(plain) == 0 {
		return Floor{Median: dsp.DBFS(dsp.Unmeasured), WorstTenth: dsp.DBFS(dsp.Unmeasured), MedianA: dsp.DBFS(dsp.Unmeasured)}
	}
	at := func(levels []int16, p float64) dsp.DBFS { return dsp.DBFS(quantile(levels, p)) / 100 }
	return Floor{Median: at(plain, 0.5), WorstTenth: at(plain, 0.9), MedianA: at(weighted, 0.5), Windows: len(plain)}
}

// quantile sorts levels and is the one at a part p of them.
func quantile(levels []int16, p float64) int16 {
	slices.Sort(levels)
	return levels[int(math.Round(float64(len(levels)-1)*p))]
}

// bounds are the first and last sound, or without room tone what is alive.
func (m roomPart) bounds(tone []stretch) stretch {
	if len(tone) == 0 {
		alive := func(f frameLevels) bool { return f.weighted != dead }
		first := slices.IndexFunc(m.frames, alive)
		if first < 0 {
			return stretch{}
		}
		last := len(m.frames) - 1
		for !alive(m.frames[last]) {
			last--
		}
		return stretch{first, last + 1}
	}
	around := make([]groupLevels, len(tone))
	for i, w := range tone {
		around[i] = groupLevels{m.level(w, frameLevels.ofWeighted), m.level(w, frameLevels.ofBright)}
	}
	near := 0 // the window nearest to t
	over := func(t int, by int) bool {
		if t < 0 || t >= len(m.frames) {
			return false
		}
		f := m.frames[t]
		return int(f.weighted) > int(around[near].weighted)+by || int(f.bright) > int(around[near].bright)+by
	}
	sound := func(t, neighbour int) bool {
		for near+1 < len(tone) && distance(tone[near+1], t) <= distance(tone[near], t) {
			near++
		}
		for near > 0 && distance(tone[near-1], t) < distance(tone[near], t) {
			near--
		}
		return over(t, clickOver) || over(t, soundOver) && over(neighbour, soundOver)
	}
	first := 0
	for first < len(m.frames) && !sound(first, first+1) {
		first++
	}
	if first == len(m.frames) {
		return stretch{}
	}
	last := len(m.frames) - 1
	for last > first && !sound(last, last-1) {
		last--
	}
	return stretch{first, last + 1}
}

func distance(w stretch, t int) int { return max(w.from-t, t-w.to, 0) }

// speechLimit is the level above which a group is speech: 10 dB above the room
// tone, and 25 dB below the mean of all that is.
func (m roomPart) speechLimit(groups []groupLevels, floorA dsp.DBFS) int {
	floor := dead
	if !math.IsNaN(float64(floorA)) {
		floor = int(100*floorA) + speechOver
	}
	var sum float64
	n := 0
	for _, g := range groups {
		if int(g.weighted) > floor {
			sum += power(g.weighted)
			n++
		}
	}
	return max(floor, int(hundredths(powerDB(sum/float64(max(n, 1)))))-speechDown)
}

// speech is how many samples were spoken.
func (m roomPart) speech(groups []groupLevels, floorA dsp.DBFS) dsp.Frames {
	limit := m.speechLimit(groups, floorA)
	const shortest, gap = 10, 20
	spoken, from, until := 0, -1, 0 // frames counted; the stretch being followed
	end := func() {
		if from >= 0 && until-from >= shortest {
			spoken += until - from
		}
	}
	for t, g := range groups {
		if int(g.weighted) <= limit {
			continue
		}
		at := t + toneGroup/2 // the middle of the group
		if from < 0 || at-until >= gap {
			end()
			from = at
		}
		until = at + 1
	}
	end()
	return dsp.Frames(spoken * m.frame)
}
