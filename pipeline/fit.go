package pipeline

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// Bounds of the fit gain. Over WideFitDB is a finding.
const (
	MaxFitDB  = 24.0
	WideFitDB = 12.0
	// KeepDB is how far a new gain may lie from the standing one and still
	// be left alone: one pickup does not render a book again.
	KeepDB = 0.5
	// keepToneDB is how far, as RMS over the bands, a session's room tone may
	// move and keep its standing facts.
	keepToneDB = 1.0
)

// Fit finds the gain that brings a session's speech level (ITU-T P.56, pooled
// by speaking time) to the chain's reference, and the facts that stages need
// as they stand after it. It is a pure function.
//
// reference nil means no chain: no gain. standing is the same session's fit in
// the standing run, last the narrator's latest fit of the same setup; either
// may be nil.
func Fit(profiles []ProfileRecord, reference *dsp.DBFS, minSpeechS float64, standing, last *FitRecord) FitRecord {
	level, speechS := pooledSpeech(profiles)
	tone, quiet := pooledTone(profiles), pooledQuiet(profiles)
	fit := FitRecord{SpeechS: dsp.Round2(speechS)}
	switch {
	case reference == nil:
		fit.Facts = Facts{SpeechDBFS: round1(level), RoomTone: tone, QuietWords: quiet}
		return fit
	case math.IsInf(level, 0) || math.IsNaN(level):
		fit.Facts = Facts{SpeechDBFS: *reference, RoomTone: tone, QuietWords: quiet}
		fit.Notes = append(fit.Notes, "no speech found in this session: no gain was given")
		return fit
	case speechS < minSpeechS && last != nil:
		fit.GainDB = last.GainDB
		fit.Notes = append(fit.Notes, fmt.Sprintf("%.0f s of speech is too little to measure (under %.0f s): the narrator's last gain was taken", speechS, minSpeechS))
	default:
		gain := float64(*reference) - level
		if gain > MaxFitDB || gain < -MaxFitDB {
			fit.Notes = append(fit.Notes, fmt.Sprintf("%+.1f dB would be needed; the gain stops at ±%.0f dB", gain, MaxFitDB))
			gain = math.Max(-MaxFitDB, math.Min(MaxFitDB, gain))
		}
		fit.GainDB = dsp.DB(round1(gain))
		if speechS < minSpeechS {
			fit.Notes = append(fit.Notes, fmt.Sprintf("measured on %.0f s of speech (under %.0f s) for want of an earlier recording", speechS, minSpeechS))
		}
	}
	fit.Facts = Facts{
		SpeechDBFS: round1(level + float64(fit.GainDB)),
		RoomTone:   shift(tone, float64(fit.GainDB)),
		QuietWords: shift(quiet, float64(fit.GainDB)),
	}
	if standing != nil && near(fit.GainDB, standing.GainDB) && toneDistance(fit.Facts.RoomTone, standing.Facts.RoomTone) <= keepToneDB {
		kept := *standing
		kept.SpeechS = fit.SpeechS
		return kept
	}
	return fit
}

// near tells whether two gains, which have steps of 0.1 dB, are within KeepDB.
func near(a, b dsp.DB) bool { return math.Round(10*math.Abs(float64(a-b))) <= 10*KeepDB }

// pooledSpeech is the level while speaking over all profiles, dBFS, and the
// seconds of speech.
func pooledSpeech(profiles []ProfileRecord) (level, seconds float64) {
	var power float64
	for _, p := range profiles {
		if l := float64(p.Levels.Speech); p.SpeechS > 0 && !math.IsInf(l, 0) && !math.IsNaN(l) {
			power += float64(p.SpeechS * squareFromDB(l))
			seconds += p.SpeechS
		}
	}
	if seconds == 0 {
		return dsp.Silence, 0
	}
	return 10 * math.Log10(power/seconds), seconds
}

// pooledTone is the power mean of the profiles' room tone, by windows.
func pooledTone(profiles []ProfileRecord) Spectrum {
	var power []float64
	var windows float64
	for _, p := range profiles {
		if p.Floor.Windows == 0 || len(p.RoomTone) == 0 {
			continue
		}
		if power == nil {
			power = make([]float64, len(p.RoomTone))
		}
		for i, l := range p.RoomTone {
			power[i] += float64(float64(p.Floor.Windows) * squareFromDB(float64(l)))
		}
		windows += float64(p.Floor.Windows)
	}
	tone := make(Spectrum, len(power))
	for i := range power {
		tone[i] = round1(10 * math.Log10(power[i]/windows))
	}
	return tone
}

// pooledQuiet is the lowest of the profiles' quiet words in each band: a
// whispered chapter's words are to be spared as well.
func pooledQuiet(profiles []ProfileRecord) Spectrum {
	var quiet Spectrum
	for _, p := range profiles {
		if len(p.QuietWords) == 0 {
			continue
		}
		if quiet == nil {
			quiet = slices.Clone(p.QuietWords)
			continue
		}
		for i, l := range p.QuietWords {
			quiet[i] = min(quiet[i], l)
		}
	}
	return quiet
}

// toneDistance is the RMS difference of two room tones over the bands that
// both have, dB; 0 when either is missing.
func toneDistance(a, b Spectrum) float64 {
	if len(a) != len(b) || len(a) == 0 {
		return 0
	}
	var sum, n float64
	for i := range a {
		d := float64(a[i] - b[i])
		if math.IsInf(float64(a[i]), 0) || math.IsInf(float64(b[i]), 0) {
			continue
		}
		sum += float64(d * d)
		n++
	}
	if n == 0 {
		return 0
	}
	return math.Sqrt(sum / n)
}

// sessionToneDB is how far apart, as RMS over the bands with level included,
// the room tones of two recordings of one session may lie. Another gain moves
// every band; 3 dB is the smallest step a hand makes on purpose (own figure).
const sessionToneDB = 3.0

// FindSessions names the session of every part whose session is not named:
// parts of one narrator and setup whose room tones are alike. Names are
// "found-1", "found-2" in the order of the parts. A part without room tone
// joins the session found before it.
func FindSessions(parts []Part, profiles []ProfileRecord) []string {
	type found struct {
		name string
		tone Spectrum
	}
	names := make([]string, len(parts))
	by := map[string][]found{}
	for i, p := range parts {
		if p.Voice.Session != "" {
			names[i] = p.Voice.Session
			continue
		}
		who := p.Voice.Narrator + "/" + p.Voice.Setup
		list := by[who]
		best, distance := -1, math.Inf(1)
		for j, f := range list {
			if d := toneDistance(f.tone, profiles[i].RoomTone); d < distance {
				best, distance = j, d
			}
		}
		switch {
		case len(profiles[i].RoomTone) == 0 && len(list) > 0:
			best = len(list) - 1
		case distance > sessionToneDB:
			best = len(list)
			by[who] = append(list, found{fmt.Sprintf("found-%d", best+1), profiles[i].RoomTone})
		}
		names[i] = by[who][best].name
	}
	return names
}

// sortedKeys is the keys of m in order.
func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}

func shift(s Spectrum, db float64) Spectrum {
	if s == nil {
		return nil
	}
	out := make(Spectrum, len(s))
	for i := range s {
		out[i] = round1(float64(s[i]) + db)
	}
	return out
}

func round1(v float64) dsp.DBFS {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return dsp.DBFS(v)
	}
	return dsp.DBFS(math.Round(v*10) / 10)
}

// squareFromDB is the power of a level: 10^(db/10).
func squareFromDB(db float64) float64 {
	a := kernel.FromDB(db)
	return a * a
}
