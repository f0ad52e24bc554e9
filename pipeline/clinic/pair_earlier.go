package clinic

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// A manner is how a recording sounds over all, whatever its text; levels are
// against that of its speech.
type manner struct {
	bands   []spectrum.Band
	longDB  []float64 // third octaves while speaking
	levelDB []float64 // levels of frames of speech that mannerShares lie under
	essDB   float64   // level from 5 to 9.5 kHz that the loudest twelfth of frames reach
	floorDB float64   // room tone; NaN without
}

// mannerShares are where distributions of levels are compared.
func mannerShares() []float64 { return []float64{0.1, 0.25, 0.5, 0.75, 0.9, 0.97} }

// mannerOf listens to a signal by the phrases and the room tone of its read.
func mannerOf(x []float64, rateHz int, phrases []meter.Phrase, tone []meter.Window) manner {
	s := newBandScale(spectrum.ThirdOctaves(), pairLowHz, pairHighHz, pairFrameS, rateHz)
	m := manner{bands: s.bands, longDB: make([]float64, len(s.bands))}
	hop := int(pairHopS * float64(rateHz))
	var levels, tops, floor []float64
	sum := 0.0
	take := func(from, to dsp.Frames, each func(row []float64, wide float64)) {
		for at := int(from); at+s.size() <= min(int(to), len(x)); at += hop {
			row, wide := make([]float64, len(s.bands)), 0.0
			s.powers(row, x, at)
			for _, p := range row {
				wide += p
			}
			each(row, wide)
		}
	}
	for _, p := range phrases {
		take(p.From, p.To, func(row []float64, wide float64) {
			top := 0.0
			for b, p := range row {
				m.longDB[b] += p
				if hz := s.bands[b].Mid; hz > 5000 && hz < 9500 {
					top += p
				}
			}
			sum += wide
			levels, tops = append(levels, powerDB(wide)), append(tops, powerDB(top))
		})
	}
	for _, w := range tone {
		take(w.From, w.To, func(_ []float64, wide float64) { floor = append(floor, powerDB(wide)) })
	}
	n := float64(max(1, len(levels)))
	speech := powerDB(sum / n)
	for b, p := range m.longDB {
		m.longDB[b] = powerDB(p/n) - speech
	}
	for _, part := range mannerShares() {
		m.levelDB = append(m.levelDB, share(levels, part)-speech)
	}
	m.essDB, m.floorDB = share(tops, essShare)-speech, share(floor, 0.5)-speech
	return m
}

const (
	earlierS         = 12.0 // of speech that each must have
	earlierLongS     = 60.0 // from which on averages of two texts of a voice agree within 1 dB
	earlierMostBands = 4
	earlierDB        = 6.0 // the most that a band moves,
	earlierQ         = 1.4 // and how narrow it is: what is narrower is the text's
	earlierSpread    = 0.5 // dB of levels that make a compressor,
	earlierEsses     = 1.0 // of esses a de-esser,
	earlierFloor     = 1.0 // of room tone an expander
	earlierRangeDB   = 10.0
)

// LikeEarlier finds the chain that brings a raw read to the sound of a recording
// of another text, as an earlier title that the narrator approved: by what long
// averages and distributions say, which is less sure than a pair. Only its
// response, its spread of levels, its esses and its floor are known.
func LikeEarlier(raw, approved *Read) (Match, error) {
	for _, r := range []*Read{raw, approved} {
		if r.Profile.SpeechS < earlierS {
			return Match{}, pipeline.Errorf(pipeline.Source, r.File, "it has %.0f s of speech, and %.0f s are needed to tell how it sounds: give a longer recording", r.Profile.SpeechS, earlierS)
		}
	}
	want := mannerOf(approved.x, approved.RateHz, approved.Marks.Phrases, approved.Room.Tone)
	e := earlier{r: raw, want: want}
	for range 2 { // what follows an eq moves what it is judged by
		if err := e.equalise(); err != nil {
			return Match{}, err
		}
		for _, seek := range []func() error{e.compress, e.deEss, e.expand} {
			if err := seek(); err != nil {
				return Match{}, err
			}
		}
	}
	return e.match(approved)
}

// An earlier is a chain by which a raw read is brought to a manner.
type earlier struct {
	r    *Read
	want manner

	eq         []curveBand
	eqWhy      []string
	expander   *step
	compressor *step
	deEsser    *step
}

// steps are the stages in the order of a chain.
func (e *earlier) steps() (all []step) {
	if e.expander != nil {
		all = append(all, *e.expander)
	}
	if len(e.eq) > 0 {
		s := step{stage: "eq", corrective: true}
		for i, b := range e.eq {
			s.items = append(s.items, append(b.fields().rounded(), field{"why", e.eqWhy[i]}))
		}
		all = append(all, s)
	}
	for _, s := range []*step{e.compressor, e.deEsser} {
		if s != nil {
			all = append(all, *s)
		}
	}
	return all
}

// now is how the raw sounds through the chain so far.
func (e *earlier) now() (manner, error) {
	var stages []pipeline.Resolved
	for _, s := range e.steps() {
		r, err := s.resolved()
		if err != nil {
			return manner{}, err
		}
		stages = append(stages, r)
	}
	y, err := e.r.Through(stages, likeReference, nil)
	return mannerOf(y, e.r.RateHz, e.r.Marks.Phrases, e.r.Room.Tone), err
}

// equalise makes the eq from what is left of the long-term spectrum.
func (e *earlier) equalise() error {
	eq := e.eq
	e.eq = nil
	is, err := e.now()
	if e.eq = eq; err != nil {
		return err
	}
	c := curve{rateHz: float64(e.r.RateHz), most: earlierMostBands, mostDB: earlierDB, mostQ: earlierQ}
	for b, band := range is.bands {
		if b >= len(e.want.bands) {
			break
		}
		c.band, c.db, c.worth = append(c.band, band), append(c.db, e.want.longDB[b]-is.longDB[b]), append(c.worth, 1)
	}
	f := c.withBands(curveFit{})
	e.eq, e.eqWhy = f.bands, nil
	for _, band := range f.bands {
		best := 0
		for b := range c.band {
			if math.Abs(math.Log(c.band[b].Mid/band.hz)) < math.Abs(math.Log(c.band[best].Mid/band.hz)) {
				best = b
			}
		}
		word := "more"
		if c.db[best] < 0 {
			word = "less"
		}
		e.eqWhy = append(e.eqWhy, fmt.Sprintf("while speaking, the approved recording has %.1f dB %s at %.0f Hz, against its speech level", math.Abs(c.db[best]), word, c.band[best].Mid))
	}
	return nil
}

// spread is how far the loudest frames lie over middling ones.
func (m manner) spread() float64 { return m.levelDB[5] - m.levelDB[2] }

// compress finds the ratio at which levels are spread as they should be.
func (e *earlier) compress() error {
	e.compressor = nil
	is, err := e.now()
	if err != nil || is.spread()-e.want.spread() < earlierSpread {
		return err
	}
	why := fmt.Sprintf("the loudest words of the approved recording lie %.1f dB over middling ones, the raw's %.1f", e.want.spread(), is.spread())
	return e.halve(1, 4, func(ratio float64) {
		e.compressor = &step{stage: "compressor", why: why, params: fields{{"threshold_over_speech_db", 0.0}, {"ratio", typed(ratio)}, {"knee_db", 8.0}, {"attack_ms", 10.0}, {"release_ms", 150.0}, {"detector", "rms"}}}
	}, func(m manner) bool { return m.spread() > e.want.spread() })
}

// deEss finds the cut at which esses are as loud as they should be.
func (e *earlier) deEss() error {
	e.deEsser = nil
	is, err := e.now()
	if err != nil || is.essDB-e.want.essDB < earlierEsses {
		return err
	}
	why := fmt.Sprintf("from 5 to 9.5 kHz the approved recording reaches %.1f dB against its speech level, the raw %.1f", e.want.essDB, is.essDB)
	return e.halve(0.5, 8, func(db float64) {
		e.deEsser = &step{stage: "de-esser", why: why, params: fields{{"from_hz", 5500.0}, {"to_hz", 9600.0}, {"threshold_over_speech_db", -12.0}, {"max_cut_db", typed(db)}}}
	}, func(m manner) bool { return m.essDB > e.want.essDB })
}

// expand finds the range at which the room tone lies where it should.
func (e *earlier) expand() error {
	e.expander = nil
	is, err := e.now()
	if err != nil || math.IsNaN(is.floorDB) || math.IsNaN(e.want.floorDB) || is.floorDB-e.want.floorDB < earlierFloor {
		return err
	}
	why := fmt.Sprintf("the room tone of the approved recording lies %.1f dB under its speech, the raw's %.1f", -e.want.floorDB, -is.floorDB)
	return e.halve(0.5, earlierRangeDB, func(db float64) {
		band := fields{{"over_room_tone_db", 7.0}, {"ratio", typed(1.2 + db/8)}, {"range_db", typed(db)}}
		e.expander = &step{stage: "expander", corrective: true, why: why, params: fields{{"bands", []fields{band}}}}
	}, func(m manner) bool { return m.floorDB > e.want.floorDB })
}

// halve sets a stage by an amount between low and high, the one at which what
// was heard is no longer too much.
func (e *earlier) halve(low, high float64, set func(v float64), tooMuch func(manner) bool) error {
	for range 5 {
		mid := (low + high) / 2
		set(mid)
		m, err := e.now()
		if err != nil {
			return err
		}
		if tooMuch(m) {
			low = mid
		} else {
			high = mid
		}
	}
	set((low + high) / 2)
	return nil
}

// match says what was found, and what is left of both distributions.
func (e *earlier) match(approved *Read) (Match, error) {
	m := Match{Confidence: Unsure, Why: "the two are other texts: their averages were brought together, and what a stage does from moment to moment is not seen in them"}
	var err error
	if m.Draft, err = likeDraft("brings the raw read to the long-term sound of the approved recording", e.r.Form, e.steps()); err != nil {
		return m, err
	}
	is, err := e.now()
	if err != nil {
		return m, err
	}
	if e.r.Profile.SpeechS > 3*earlierLongS && approved.Profile.SpeechS > earlierLongS {
		m.Confidence = Likely
	}
	for b := range min(len(is.bands), len(e.want.bands)) {
		db := dsp.DB(dsp.Round2(e.want.longDB[b] - is.longDB[b]))
		m.Left = append(m.Left, Distance{Hz: math.Round(is.bands[b].Mid), MeanDB: db, RMSDB: dsp.DB(math.Abs(float64(db)))})
	}
	for i, level := range is.levelDB {
		db := dsp.DB(dsp.Round2(e.want.levelDB[i] - level))
		m.Left = append(m.Left, Distance{LevelDBFS: dsp.DBFS(dsp.Round2(likeReference + level)), MeanDB: db, RMSDB: dsp.DB(math.Abs(float64(db)))})
	}
	if !math.IsNaN(is.floorDB) && !math.IsNaN(e.want.floorDB) {
		db := dsp.DB(dsp.Round2(e.want.floorDB - is.floorDB))
		m.Left = append(m.Left, Distance{Pauses: true, MeanDB: db, RMSDB: dsp.DB(math.Abs(float64(db)))})
		if db < -pauseDB {
			m.Unexplained = append(m.Unexplained, fmt.Sprintf("its room tone is %.1f dB softer than an expander of common practice makes it: another room, or its noise was taken in another way", -db))
		}
	}
	a, b := e.r.Likeness.ReverbS, approved.Likeness.ReverbS
	if b-a > 0.1 && b > 0.25 {
		m.Unexplained = append(m.Unexplained, fmt.Sprintf("it rings longer than the raw, about %.1f s: another room, or reverberation was added", b))
	}
	if heardIn(approved.Findings, "once-lossy") && !heardIn(e.r.Findings, "once-lossy") {
		m.Unexplained = append(m.Unexplained, "it was once coded with loss: no stage does that")
	}
	if slices.Max(absolute(m.Left)) > 3 {
		m.Unexplained = append(m.Unexplained, "parts of its spectrum or its levels lie more than 3 dB off still: the table tells which")
	}
	return m, nil
}

func absolute(left []Distance) []float64 {
	v := make([]float64, len(left))
	for i, d := range left {
		v[i] = math.Abs(float64(d.MeanDB))
	}
	return v
}
