package pipeline

import (
	"cmp"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
)

// Likeness is how a part, a chapter or a title of one narrator sounds, before
// any gain, to be held against others.
type Likeness struct {
	Speech   dsp.DBFS `json:"speech"`              // ITU-T P.56
	Floor    dsp.DBFS `json:"floor"`               // median of the room tone, plain RMS
	SNR      dsp.DB   `json:"snr_db"`              // Speech over Floor
	Spectrum Spectrum `json:"spectrum,omitempty"`  // third octaves while speaking, dB against Speech
	Pace     float64  `json:"pace,omitempty"`      // syllables a second while speaking; 0: not measured
	ReverbS  float64  `json:"reverb_s,omitempty"`  // seconds to -60 dB, as far as a blind measure says; 0: not measurable
	DirectDB dsp.DB   `json:"direct_db,omitempty"` // how far the voice falls in 60 ms, the drier the more; 0: not measured. See meter.Reverb
	Pauses   Habit    `json:"pauses,omitzero"`
	// SyllableS is how long a syllable of the text takes, pauses and all, where
	// the text is known; 0: it is not.
	SyllableS float64 `json:"syllable_s,omitempty"`
}

// Habit is how somebody pauses inside text, by the pauses of half a second and
// more: where sentences end.
type Habit struct {
	MedianS  float64 `json:"median_s"`
	HighS    float64 `json:"high_s"` // 95 % are shorter
	Count    int     `json:"count"`
	HeadingS float64 `json:"heading_s,omitempty"` // the first, where it comes within headingS: after the heading
}

const (
	headingS    = 15.0
	mostLongest = 5
)

// HabitOf is the habit that the pauses of a part show between its first and its
// last sound, and the longest of them, the longest first. All are in frames of
// the source at rateHz.
func HabitOf(pauses []Span, spoken Span, rateHz int) (h Habit, longest []Span) {
	var lengths []float64
	for _, p := range pauses {
		if p.From <= spoken.From || p.To >= spoken.To {
			continue
		}
		lengths = append(lengths, p.Len().Seconds(rateHz))
		longest = append(longest, p)
		if len(lengths) == 1 && (p.From-spoken.From).Seconds(rateHz) <= headingS {
			h.HeadingS = dsp.Round2(lengths[0])
		}
	}
	if h.Count = len(lengths); h.Count == 0 {
		return h, nil
	}
	slices.Sort(lengths)
	h.MedianS, h.HighS = dsp.Round2(lengths[len(lengths)/2]), dsp.Round2(lengths[len(lengths)*95/100])
	slices.SortStableFunc(longest, func(a, b Span) int { return cmp.Compare(b.Len(), a.Len()) })
	return h, longest[:min(len(longest), mostLongest)]
}

// Past is an earlier title of a narrator, or one session of it, as a plan pins
// it.
type Past struct {
	Title    string     `json:"title"`
	Run      string     `json:"run"`
	Setup    string     `json:"setup"`
	Session  string     `json:"session"`
	Chapters int        `json:"chapters"`
	Likeness Likeness   `json:"likeness"`
	Stages   []StageUse `json:"stages,omitempty"`
}

// LikenessOf is the middle of several: the median of each number among those
// that have it.
func LikenessOf(all []Likeness) Likeness {
	middle := func(of func(Likeness) float64) float64 {
		var v []float64
		for _, l := range all {
			if x := of(l); x != 0 && !math.IsInf(x, 0) && !math.IsNaN(x) {
				v = append(v, x)
			}
		}
		if len(v) == 0 {
			return 0
		}
		slices.Sort(v)
		return math.Round(1e4*(v[(len(v)-1)/2]+v[len(v)/2])/2) / 1e4
	}
	out := Likeness{
		Speech:    dsp.DBFS(middle(func(l Likeness) float64 { return float64(l.Speech) })),
		Floor:     dsp.DBFS(middle(func(l Likeness) float64 { return float64(l.Floor) })),
		SNR:       dsp.DB(middle(func(l Likeness) float64 { return float64(l.SNR) })),
		Pace:      middle(func(l Likeness) float64 { return l.Pace }),
		ReverbS:   middle(func(l Likeness) float64 { return l.ReverbS }),
		DirectDB:  dsp.DB(middle(func(l Likeness) float64 { return float64(l.DirectDB) })),
		SyllableS: middle(func(l Likeness) float64 { return l.SyllableS }),
		Pauses: Habit{
			MedianS:  middle(func(l Likeness) float64 { return l.Pauses.MedianS }),
			HighS:    middle(func(l Likeness) float64 { return l.Pauses.HighS }),
			HeadingS: middle(func(l Likeness) float64 { return l.Pauses.HeadingS }),
		},
	}
	for _, l := range all {
		out.Pauses.Count += l.Pauses.Count
	}
	for i := range spectrum.ThirdOctaves() {
		out.Spectrum = append(out.Spectrum, dsp.DBFS(middle(func(l Likeness) float64 {
			if i >= len(l.Spectrum) {
				return 0
			}
			return float64(l.Spectrum[i])
		})))
	}
	return out
}
