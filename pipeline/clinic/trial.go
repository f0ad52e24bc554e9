package clinic

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/codec"
)

const (
	// trialLUFS is where every version lies, so that none seems better for being
	// louder (the target level of EBU R 128), lower where the highest peak of one,
	// or of what a stage takes, would come over trialPeakDBTP.
	trialLUFS     = -23.0
	trialPeakDBTP = -1.0
	trialFadeS    = 0.03
	trialBits     = 16
	trialTracesS  = 0.05 // a step of a gain's picture

	quietMostS, pageMostS, loudMostS, toneMostS = 8.0, 20.0, 8.0, 2.0
)

// A Trial is a test read and what chains make of it, at one loudness: the
// passages that tell most, one after the other.
type Trial struct {
	Read     string    `json:"read"`
	Narrator string    `json:"narrator"`
	RateHz   int       `json:"rate_hz"`
	LUFS     dsp.LUFS  `json:"lufs"` // where all versions lie, as one channel
	Passages []Passage `json:"passages"`
	Versions []Version `json:"versions"` // raw first
}

// A Passage is a stretch of the trial, in seconds.
type Passage struct {
	Name    string  `json:"name"`
	FromS   float64 `json:"from_s"`
	ToS     float64 `json:"to_s"`
	SourceS float64 `json:"source_s"` // where it begins in the read
}

// A Version is one way that the read can sound.
type Version struct {
	Name  string   `json:"name"` // raw, a draft's, or master
	Does  string   `json:"does"`
	Sound []byte   `json:"-"`         // FLAC, one channel, 16 bits, at Trial.LUFS
	LUFS  dsp.LUFS `json:"lufs"`      // as Sound measures
	Moved dsp.DB   `json:"moved_db"`  // that brought it there: from the recording, after a chain from the chain's reference
	Peak  dsp.DBTP `json:"peak_dbtp"` // of Sound
	// Tenths are mean squares of 100 ms after the K-weighting: what levels a
	// passage that is heard by itself.
	Tenths   []float64         `json:"tenths"`
	Spectrum pipeline.Spectrum `json:"spectrum,omitempty"` // sixth octaves, of Sound
	Stages   []TrialStage      `json:"stages,omitempty"`
}

// A TrialStage is a stage of a draft, to be heard by itself.
type TrialStage struct {
	Stage    string   `json:"stage"`
	Settings string   `json:"settings"`
	Why      []string `json:"why,omitempty"`
	Idle     bool     `json:"idle,omitempty"` // it changes nothing here
	// Taken is what the stage takes away: the version with the stage left out,
	// less the version. Sound and Taken together are the version without it, but for
	// the rounding of either.
	Taken     []byte    `json:"-"`
	WithoutDB dsp.DB    `json:"without_db"`         // that brings the version without it to the same loudness
	GainsDB   []float64 `json:"gains_db,omitempty"` // a gain every 50 ms; empty: it moves none
}

// Compare makes a trial of a read, drafts of it and, if it is not nil, the present
// master of the same reading, as many samples long and in step with it.
func Compare(r *Read, drafts []Draft, master []float64) (Trial, error) {
	spans := trialSpans(r)
	t := Trial{Read: r.File, Narrator: r.Form.Name, RateHz: r.RateHz}
	at := 0.0
	for _, s := range spans {
		length := s.span.Len().Seconds(r.RateHz)
		t.Passages = append(t.Passages, Passage{Name: s.name, FromS: dsp.Round2(at), ToS: dsp.Round2(at + length), SourceS: dsp.Round2(s.span.From.Seconds(r.RateHz))})
		at += length
	}
	cut := func(x []float64) []float64 { return passages(x, spans, r.RateHz) }
	mixes := []mix{{version: Version{Name: "raw", Does: "as it was recorded"}, sound: cut(r.x)}}
	if master != nil {
		mixes = append(mixes, mix{version: Version{Name: "master", Does: "the present master"}, sound: cut(master)})
	}
	for _, d := range drafts {
		m, err := r.mixOf(d, spans, cut)
		if err != nil {
			return t, err
		}
		mixes = append(mixes, m)
	}
	t.LUFS = trialLUFS
	for i := range mixes {
		m := &mixes[i]
		loudness, peak := levelsOf(m.sound, r.RateHz)
		if math.IsInf(float64(loudness), 0) || math.IsNaN(float64(loudness)) {
			return t, pipeline.Errorf(pipeline.Source, r.File, "%s holds too little speech to be levelled", m.version.Name)
		}
		m.loudness = loudness
		t.LUFS = min(t.LUFS, loudness-dsp.LUFS(peak)+trialPeakDBTP)
		for _, taken := range m.taken { // which may be louder than what is left
			if taken != nil {
				_, peak := levelsOf(taken, r.RateHz)
				t.LUFS = min(t.LUFS, loudness-dsp.LUFS(peak)+trialPeakDBTP)
			}
		}
	}
	t.LUFS = dsp.LUFS(math.Floor(10*float64(t.LUFS)) / 10)
	dir, err := os.MkdirTemp("", "trial-")
	if err != nil {
		return t, pipeline.Errorf(pipeline.Infra, "trial", "%w", err)
	}
	defer os.RemoveAll(dir)
	for _, m := range mixes {
		if err := m.write(&t, filepath.Join(dir, "sound.flac")); err != nil {
			return t, err
		}
	}
	return t, nil
}

// A mix is a version before it is levelled.
type mix struct {
	version  Version
	sound    []float64
	taken    [][]float64 // of its stages; nil: nothing
	loudness dsp.LUFS
}

// write levels a mix and adds it to the trial.
func (m mix) write(t *Trial, path string) error {
	v := m.version
	v.Moved = dsp.DB(dsp.Round2(float64(t.LUFS - m.loudness)))
	gain := kernel.FromDB(float64(t.LUFS - m.loudness))
	level := func(x []float64) []float64 {
		y := make([]float64, len(x))
		for i, s := range x {
			y[i] = s * gain
		}
		return y
	}
	sound := level(m.sound)
	var err error
	if v.Sound, err = flacOf(sound, t.RateHz, path); err != nil {
		return err
	}
	v.LUFS, v.Peak = levelsOf(sound, t.RateHz)
	v.Tenths, v.Spectrum = tenthsOf(sound, t.RateHz), sixthsOf(sound, t.RateHz)
	for i, taken := range m.taken {
		s := &v.Stages[i]
		if s.Idle = taken == nil; s.Idle {
			continue
		}
		taken = level(taken)
		if s.Taken, err = flacOf(taken, t.RateHz, path); err != nil {
			return err
		}
		for k := range taken {
			taken[k] += sound[k]
		}
		if without, _ := levelsOf(taken, t.RateHz); !math.IsInf(float64(without), 0) {
			s.WithoutDB = dsp.DB(dsp.Round2(float64(t.LUFS - without)))
		}
	}
	t.Versions = append(t.Versions, v)
	return nil
}

// mixOf puts the read through a draft, and through it with each stage left out.
func (r *Read) mixOf(d Draft, spans []passage, cut func([]float64) []float64) (mix, error) {
	m := mix{version: Version{Name: d.Name, Does: d.Does}}
	gains := make([]trace, len(d.Chain.Stages))
	y, err := r.Through(d.Chain.Stages, d.Chain.SpeechDBFS, func(at dsp.Frames, stage int, db []float64) { gains[stage].take(at, db, r.RateHz) })
	if err != nil {
		return m, err
	}
	m.sound = cut(y)
	for i, s := range d.Chain.Stages {
		m.version.Stages = append(m.version.Stages, TrialStage{
			Stage: s.Stage, Settings: strings.Join(chain.Settings(s), "; "), Why: chain.ReasonsOf(d.Chain, i), GainsDB: gains[i].over(spans, r.RateHz),
		})
		z, err := r.Through(slices.Delete(slices.Clone(d.Chain.Stages), i, i+1), d.Chain.SpeechDBFS, nil)
		if err != nil {
			return m, err
		}
		taken, heard := cut(z), false
		for k := range taken {
			taken[k] -= m.sound[k]
			heard = heard || math.Abs(taken[k]) > 1e-6 // under a step of 16 bits, and of the steps' noise
		}
		if !heard {
			taken = nil
		}
		m.taken = append(m.taken, taken)
	}
	return m, nil
}

// A trace is a stage's gain, dB, every trialTracesS from the read's start.
type trace struct{ db []float64 }

// take keeps the gain furthest from none of each step.
func (t *trace) take(at dsp.Frames, db []float64, rateHz int) {
	step := dsp.FramesIn(trialTracesS, rateHz)
	each := dsp.Frames(dsp.ControlStep(float64(rateHz)))
	for i, g := range db {
		k := int((at + dsp.Frames(i)*each) / step)
		if at+dsp.Frames(i)*each < 0 {
			continue
		}
		for len(t.db) <= k {
			t.db = append(t.db, 0)
		}
		if math.Abs(g) > math.Abs(t.db[k]) {
			t.db[k] = g
		}
	}
}

// over is the trace along the trial's passages; nil for a stage that moves none.
func (t *trace) over(spans []passage, rateHz int) (out []float64) {
	if len(t.db) == 0 {
		return nil
	}
	step := dsp.FramesIn(trialTracesS, rateHz)
	for _, s := range spans {
		for at := s.span.From; at < s.span.To; at += step {
			g := 0.0
			if k := int(at / step); k < len(t.db) {
				g = dsp.Round2(t.db[k])
			}
			out = append(out, g)
		}
	}
	return out
}

// A passage is a stretch of the read that the trial has.
type passage struct {
	name string
	span pipeline.Span
}

// trialSpans are the passages of a read: a quiet line, a piece of the page, a loud
// line, and some of the room, in the order of the read.
func trialSpans(r *Read) (out []passage) {
	add := func(name string, s pipeline.Span, mostS float64) {
		if s.Len() <= 0 {
			return
		}
		s.To = min(s.To, s.From+dsp.FramesIn(mostS, r.RateHz))
		for _, o := range out {
			if s.From < o.span.To && o.span.From < s.To {
				return // heard there
			}
		}
		out = append(out, passage{name, s})
	}
	p := r.Places
	add("quiet line", p.Quiet, quietMostS)
	add("loud line", p.Loud, loudMostS)
	add("page", p.Page, pageMostS)
	for _, tone := range p.RoomTone {
		if tone.Len() >= dsp.FramesIn(toneMostS, r.RateHz) || len(p.RoomTone) == 1 {
			add("room tone", tone, toneMostS)
			break
		}
	}
	slices.SortFunc(out, func(a, b passage) int { return int(a.span.From - b.span.From) })
	return out
}

// passages cuts x, each piece faded in and out.
func passages(x []float64, spans []passage, rateHz int) (out []float64) {
	fade := int(dsp.FramesIn(trialFadeS, rateHz))
	for _, s := range spans {
		from := len(out)
		out = append(out, x[s.span.From:min(s.span.To, dsp.Frames(len(x)))]...)
		piece := out[from:]
		for i := range min(fade, len(piece)) {
			g := float64(i) / float64(fade)
			piece[i] *= g
			piece[len(piece)-1-i] *= g
		}
	}
	return out
}

// levelsOf is the loudness and true peak of one channel.
func levelsOf(x []float64, rateHz int) (dsp.LUFS, dsp.DBTP) {
	m := meter.New(rateHz, 1)
	m.Write(x)
	l := m.Levels()
	return l.Integrated, l.TruePeak
}

// tenthsOf are the K-weighted mean squares of 100 ms.
func tenthsOf(x []float64, rateHz int) (out []float64) {
	weighted := slices.Clone(x)
	kernel.NewCascade(meter.KWeighting(float64(rateHz))).Process(weighted)
	for tenth := rateHz / 10; len(weighted) >= tenth; weighted = weighted[tenth:] {
		sum := 0.0
		for _, v := range weighted[:tenth] {
			sum += float64(v * v)
		}
		out = append(out, sum/float64(tenth))
	}
	return out
}

// sixthsOf is the mean spectrum in sixth octaves.
func sixthsOf(x []float64, rateHz int) pipeline.Spectrum {
	w, err := spectrum.NewWelch(1 << 13)
	if err != nil {
		return nil
	}
	w.Write(x)
	if w.Segments() == 0 {
		return nil
	}
	return pipeline.Spectrum(spectrum.Levels(w.Power(), rateHz, spectrum.SixthOctaves()))
}

// flacOf is x as a FLAC file, made at path.
func flacOf(x []float64, rateHz int, path string) ([]byte, error) {
	w, err := codec.CreateFLAC(path, rateHz, 1, trialBits)
	if err != nil {
		return nil, err
	}
	if err := w.Write([][]float64{x}); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Infra, "trial", "%w", err)
	}
	return b, nil
}
