package speech

import "sort"

// A Voice is a narrator's throat, mouth and manner. All of it is invented.
type Voice struct {
	Name         string
	Use          string // "tune" or "print": which voices a detector may be tuned on, and which its printed table uses
	F0Hz         float64
	RangeST      float64 // semitones between the 5th and the 95th percentile of F0, about
	Tract        float64 // factor on formants: 1 a man's tract of 17.5 cm
	Rd           float64 // shape of the glottal pulse (Fant 1995): 0.7 pressed, 2 breathy
	JitterPct    float64 // standard deviation of periods
	ShimmerPct   float64 // standard deviation of pulse amplitudes
	BreathyDB    float64 // on the aspiration noise of vowels
	EssHz        float64 // centre of the esses
	EssDB        float64 // on all frication
	Pace         float64 // factor on speed
	WordSDDB     float64 // standard deviation of what a word is given
	SentenceSDDB float64 // standard deviation between sentences
	BreathPct    float64 // share of pauses with an audible breath
	ClicksMin    float64 // mouth clicks in a minute
	// ColourDB is mouth and microphone together: gain in third octaves from
	// 100 Hz to 16 kHz, so that the long-term spectrum is that of speech.
	ColourDB [23]float64
}

// ThirdOctavesHz are the nominal frequencies of ColourDB.
var ThirdOctavesHz = [23]float64{100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600,
	2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000}

// Voices are the synthesizer's own voices, by name.
func Voices() []Voice {
	all := []Voice{
		{Name: "marlow", Use: "print", F0Hz: 205, RangeST: 11, Tract: 1.16, Rd: 1.1, JitterPct: 0.5, ShimmerPct: 3, BreathyDB: 2,
			EssHz: 7200, EssDB: 1, Pace: 1.1, BreathPct: 55, ClicksMin: 3},
		{Name: "wren", Use: "print", F0Hz: 108, RangeST: 10, Tract: 1.0, Rd: 0.95, JitterPct: 0.6, ShimmerPct: 3.5, BreathyDB: 0,
			EssHz: 6000, EssDB: -1, Pace: 1.04, BreathPct: 45, ClicksMin: 4},
		{Name: "alder", Use: "tune", F0Hz: 86, RangeST: 8.5, Tract: 0.96, Rd: 0.85, JitterPct: 0.9, ShimmerPct: 4.5, BreathyDB: -2,
			EssHz: 5200, EssDB: -3, Pace: 0.92, BreathPct: 50, ClicksMin: 6},
		{Name: "quill", Use: "tune", F0Hz: 178, RangeST: 12.5, Tract: 1.12, Rd: 1.5, JitterPct: 0.4, ShimmerPct: 2.2, BreathyDB: 6,
			EssHz: 7800, EssDB: 3, Pace: 1.08, BreathPct: 65, ClicksMin: 2},
		{Name: "tansy", Use: "print", F0Hz: 238, RangeST: 13.5, Tract: 1.2, Rd: 1.25, JitterPct: 0.35, ShimmerPct: 2, BreathyDB: 3,
			EssHz: 8400, EssDB: 2, Pace: 1.1, BreathPct: 40, ClicksMin: 2},
		{Name: "heron", Use: "tune", F0Hz: 126, RangeST: 11.5, Tract: 1.03, Rd: 1.8, JitterPct: 0.7, ShimmerPct: 4, BreathyDB: 5,
			EssHz: 6600, EssDB: 0, Pace: 1.0, BreathPct: 60, ClicksMin: 5},
		{Name: "sorrel", Use: "tune", F0Hz: 220, RangeST: 9, Tract: 1.14, Rd: 0.8, JitterPct: 0.55, ShimmerPct: 3, BreathyDB: -3,
			EssHz: 6900, EssDB: 2.5, Pace: 0.98, BreathPct: 50, ClicksMin: 3},
		{Name: "birch", Use: "print", F0Hz: 97, RangeST: 13, Tract: 0.98, Rd: 1.3, JitterPct: 0.8, ShimmerPct: 5, BreathyDB: 2,
			EssHz: 5600, EssDB: 1, Pace: 1.05, BreathPct: 55, ClicksMin: 4},
	}
	sort.Slice(all, func(i, j int) bool { return all[i].Name < all[j].Name })
	for i := range all {
		all[i].WordSDDB, all[i].SentenceSDDB = 5.3, 2.5
		all[i].ColourDB = colours[all[i].Name]
	}
	return all
}

// VoiceNamed finds a voice.
func VoiceNamed(name string) (Voice, bool) {
	for _, v := range Voices() {
		if v.Name == name {
			return v, true
		}
	}
	return Voice{}, false
}
