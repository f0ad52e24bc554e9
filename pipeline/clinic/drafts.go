package clinic

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// An Order is what drafts are asked to be beside what the read needs.
type Order struct {
	Wishes []Wish
	Habits Habits
	// Earlier is a recording of this narrator that was approved, whose broad tone
	// drafts go for; nil: there is none.
	Earlier *Read
}

// draftReference is the speech level that a draft's thresholds count on, plain
// RMS; common practice.
const draftReference dsp.DBFS = -23

// What audiobook retail asks for, plain RMS (common practice; the built-in spec
// retail has the same): the level a chapter is brought to, and the noise floor.
const (
	retailLevelDBFS = -20.0
	retailFloorDBFS = -60.0
)

// Drafts proposes two chains for a read: spare, which changes as little as it
// can, and round, which is denser. Both correct what booth, microphone and noise
// did, and sweeten: a narrow cut has two kinds of evidence, a broad one rests on
// speech on average alone, of which it takes little, or goes by the earlier
// recording. Amounts come from the read's own levels and are bounded. The same
// read gives the same drafts. An error of kind Source says that too little is
// spoken; any other is a bug's.
func Drafts(r *Read, o Order) ([]Draft, error) {
	d, err := newDrafter(r, o)
	if err != nil {
		return nil, err
	}
	var all []Draft
	for _, of := range []func(*drafter) (Draft, error){spare, round} {
		one, err := of(d)
		if err != nil {
			return nil, err
		}
		all = append(all, one)
	}
	return all, nil
}

// A drafter knows what drafts count from. Levels are as recorded, but for x and
// facts, which stand at the chain's input, after the fit's gain.
type drafter struct {
	r     *Read
	o     Order
	fit   pipeline.FitRecord
	voice lowered   // pitch
	still still     // what stays where it is while the pitch moves
	fine  []float64 // speech in the bands of still, dB over the octave around
	tone  []float64 // room tone in them
	third []float64 // speech in third octaves, dB against the speech level
	loud  []float64 // plain RMS of 50 ms while speaking, dB against the speech level
	esses *esses    // nil: too few
	// earlier is the power spectrum of the earlier recording while somebody speaks;
	// nil: there is none, or nobody does.
	earlier []float64
	told    []string // of the draft under work, what it leaves undone and why
}

func newDrafter(r *Read, o Order) (*drafter, error) {
	power := powerSpeaking(r.x, r.Marks.Phrases)
	if power == nil || math.IsInf(float64(r.speech()), 0) || math.IsNaN(float64(r.speech())) {
		return nil, pipeline.Errorf(pipeline.Source, r.File, "too little is spoken in it to draft a chain: a test read has a page of normal reading")
	}
	d := &drafter{r: r, o: o, fit: r.Fit(draftReference), voice: lower(r), esses: essesOf(r)}
	if e := o.Earlier; e != nil {
		d.earlier = powerSpeaking(e.x, e.Marks.Phrases)
	}
	d.still = stillOf(d.voice)
	d.fine = overTrend(bandsDB(power, r.RateHz, d.still.bands), stillPer)
	if tone := r.roomTonePower(); tone != nil {
		d.tone = overTrend(bandsDB(tone, r.RateHz, d.still.bands), stillPer)
	}
	for _, v := range bandsDB(power, r.RateHz, spectrum.ThirdOctaves()) {
		d.third = append(d.third, v-float64(r.speech()))
	}
	for _, v := range levelsSpeaking(r.x, r, 0.05) {
		d.loud = append(d.loud, v-float64(r.speech()))
	}
	return d, nil
}

// wants tells whether something was wished.
func (d *drafter) wants(w Wish) bool { return slices.Contains(d.o.Wishes, w) }

// found is whether the diagnosis asks for processing by one of the names, or,
// where it says nothing of one, a check of that name found something; and what
// was measured, in words.
func (d *drafter) found(names ...string) (says string, ok bool) {
	for _, name := range names {
		signs := d.r.signsNamed(name)
		for _, s := range signs {
			if s.Remedy == Processing {
				return s.Says, true
			}
		}
		if len(signs) > 0 {
			continue
		}
		for _, f := range d.r.Findings {
			if f.Check == name {
				return fmt.Sprintf("%s at %.1f s", f.Measured, f.StartS), true
			}
		}
	}
	return "", false
}

// finish writes a draft, with what was settled between wishes and what is left
// undone.
func (d *drafter) finish(name, does string, steps []step) (Draft, error) {
	out, err := draft(name, does, d.r.Form, draftReference, steps)
	out.Notes, d.told = append(tensions(d.o.Wishes), d.told...), nil
	return out, err
}

// sounded is the read through steps, and the gain that a night's level would give
// it after, without the trim of a file.
func (d *drafter) sounded(steps []step) (y []float64, levelDB float64, err error) {
	probe, err := draft("probe", "", d.r.Form, draftReference, steps)
	if err != nil {
		return nil, 0, err
	}
	y, err = d.r.Through(probe.Chain.Stages, draftReference, nil)
	if err != nil {
		return nil, 0, err
	}
	spoken := d.r.Profile.Cut.Speech
	return y, retailLevelDBFS - decibelsRMS(y[max(0, spoken.From):min(dsp.Frames(len(y)), spoken.To)]), nil
}

// roomTonePower is the power spectrum of the room tone; nil where there is none.
func (r *Read) roomTonePower() []float64 {
	w, err := spectrum.NewWelch(speechSize)
	if err != nil {
		panic(err) // a power of two
	}
	for i, t := range r.Room.Tone {
		if i > 0 && r.Room.Tone[i-1].To != t.From {
			w.Break()
		}
		w.Write(r.x[max(0, t.From):min(dsp.Frames(len(r.x)), t.To)])
	}
	return w.Power()
}

// levelsSpeaking are the plain RMS levels of x over so many seconds each, while
// the read speaks.
func levelsSpeaking(x []float64, r *Read, seconds float64) (db []float64) {
	n := max(1, int(seconds*float64(r.RateHz)))
	for _, p := range r.Marks.Phrases {
		for at := int(p.From); at+n <= min(int(p.To), len(x)); at += n {
			db = append(db, decibelsRMS(x[at:at+n]))
		}
	}
	return active(db)
}

// active leaves out what lies 15.9 dB under the mean power and more, as ITU-T
// P.56 does: the gaps within phrases.
func active(db []float64) (out []float64) {
	sum := 0.0
	for _, v := range db {
		sum += math.Pow(10, v/10)
	}
	mean := 10 * math.Log10(sum/float64(len(db)))
	for _, v := range db {
		if v > mean-15.9 {
			out = append(out, v)
		}
	}
	return out
}

// decibelsRMS is the plain RMS of x in dBFS.
func decibelsRMS(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return 10 * math.Log10(sum/float64(max(1, len(x))))
}

// half is v to half a dB, round1 to a tenth: what a person would type.
func half(v float64) float64   { return math.Round(2*v) / 2 }
func round1(v float64) float64 { return math.Round(10*v) / 10 }

// bounded is v within bounds.
func bounded(v, low, high float64) float64 { return max(low, min(high, v)) }
