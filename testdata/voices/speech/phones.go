package speech

// A phone is one sound of speech as the synthesizer makes it. Formants are of
// a man's tract of 17.5 cm (rounded from published averages for English, from
// memory); a voice scales them.
type phone struct {
	formants  [3]float64 // Hz; zero: the neighbour's
	glide     [3]float64 // Hz at the end, for diphthongs
	ms        float64    // length when stressed, at a voice's usual pace
	voicing   float64    // dB re a full vowel; below -60: none
	breath    float64    // dB of aspiration noise through the tract
	hiss      float64    // dB of frication noise
	fricative byte       // which spectrum of the table below
	class     class
}

type class byte

const (
	vowel class = iota
	glide
	nasal
	fricative
	stop      // closure, burst, then aspiration when voiceless
	affricate // closure, then frication
)

const off = -99 // dB: silent

// phones are named as in ARPAbet, lower case.
var phones = map[string]phone{
	"iy": {formants: f3(270, 2290, 3010), ms: 130, breath: -20, hiss: off, voicing: -4},
	"ih": {formants: f3(390, 1990, 2550), ms: 95, breath: -20, hiss: off, voicing: -2},
	"eh": {formants: f3(530, 1840, 2480), ms: 115, breath: -20, hiss: off},
	"ae": {formants: f3(660, 1720, 2410), ms: 150, breath: -20, hiss: off},
	"aa": {formants: f3(730, 1090, 2440), ms: 150, breath: -20, hiss: off},
	"ao": {formants: f3(570, 840, 2410), ms: 145, breath: -20, hiss: off},
	"ah": {formants: f3(640, 1190, 2390), ms: 100, breath: -20, hiss: off},
	"uh": {formants: f3(440, 1020, 2240), ms: 95, breath: -20, hiss: off, voicing: -3},
	"uw": {formants: f3(300, 870, 2240), ms: 130, breath: -20, hiss: off, voicing: -5},
	"er": {formants: f3(490, 1350, 1690), ms: 140, breath: -20, hiss: off},
	"ax": {formants: f3(500, 1400, 2400), ms: 60, breath: -20, hiss: off, voicing: -3},
	"ey": {formants: f3(480, 2000, 2600), glide: f3(330, 2200, 2800), ms: 155, breath: -20, hiss: off},
	"ay": {formants: f3(720, 1240, 2450), glide: f3(400, 1950, 2600), ms: 185, breath: -20, hiss: off},
	"oy": {formants: f3(560, 860, 2400), glide: f3(400, 1900, 2550), ms: 190, breath: -20, hiss: off},
	"aw": {formants: f3(720, 1250, 2450), glide: f3(430, 950, 2300), ms: 185, breath: -20, hiss: off},
	"ow": {formants: f3(540, 1000, 2350), glide: f3(380, 860, 2250), ms: 155, breath: -20, hiss: off},

	"w":  {formants: f3(290, 610, 2150), ms: 65, voicing: -6, breath: -36, hiss: off, class: glide},
	"y":  {formants: f3(260, 2070, 3020), ms: 60, voicing: -6, breath: -36, hiss: off, class: glide},
	"r":  {formants: f3(310, 1060, 1380), ms: 70, voicing: -6, breath: -36, hiss: off, class: glide},
	"l":  {formants: f3(310, 1050, 2880), ms: 65, voicing: -6, breath: -36, hiss: off, class: glide},
	"m":  {formants: f3(280, 1100, 2130), ms: 70, voicing: -8, breath: -42, hiss: off, class: nasal},
	"n":  {formants: f3(280, 1600, 2600), ms: 65, voicing: -8, breath: -42, hiss: off, class: nasal},
	"ng": {formants: f3(280, 1900, 2700), ms: 75, voicing: -8, breath: -42, hiss: off, class: nasal},

	"s":  {ms: 115, voicing: off, breath: -45, hiss: 0, fricative: 's', class: fricative},
	"sh": {ms: 115, voicing: off, breath: -42, hiss: 0, fricative: 'S', class: fricative},
	"f":  {ms: 100, voicing: off, breath: -42, hiss: 0, fricative: 'f', class: fricative},
	"th": {ms: 95, voicing: off, breath: -42, hiss: 0, fricative: 'T', class: fricative},
	"z":  {formants: f3(300, 1600, 2600), ms: 80, voicing: -13, breath: -45, hiss: -5, fricative: 's', class: fricative},
	"zh": {formants: f3(300, 1700, 2500), ms: 80, voicing: -13, breath: -45, hiss: -5, fricative: 'S', class: fricative},
	"v":  {formants: f3(300, 1100, 2300), ms: 60, voicing: -10, breath: -45, hiss: -5, fricative: 'f', class: fricative},
	"dh": {formants: f3(300, 1300, 2500), ms: 50, voicing: -9, breath: -45, hiss: -6, fricative: 'T', class: fricative},
	"hh": {ms: 60, voicing: off, breath: -14, hiss: off, class: fricative},

	"p":  {formants: f3(300, 900, 2200), ms: 85, voicing: off, breath: off, hiss: 4, fricative: 'p', class: stop},
	"t":  {formants: f3(300, 1700, 2600), ms: 80, voicing: off, breath: off, hiss: 6, fricative: 't', class: stop},
	"k":  {formants: f3(300, 1900, 2400), ms: 85, voicing: off, breath: off, hiss: 6, fricative: 'k', class: stop},
	"b":  {formants: f3(250, 900, 2200), ms: 65, voicing: -20, breath: off, hiss: -2, fricative: 'p', class: stop},
	"d":  {formants: f3(250, 1700, 2600), ms: 60, voicing: -20, breath: off, hiss: 0, fricative: 't', class: stop},
	"g":  {formants: f3(250, 1900, 2400), ms: 65, voicing: -20, breath: off, hiss: 0, fricative: 'k', class: stop},
	"ch": {formants: f3(300, 1800, 2600), ms: 125, voicing: off, breath: off, hiss: 2, fricative: 'S', class: affricate},
	"jh": {formants: f3(280, 1800, 2600), ms: 95, voicing: -18, breath: off, hiss: -4, fricative: 'S', class: affricate},
}

func f3(a, b, c float64) [3]float64 { return [3]float64{a, b, c} }

// A band is one resonance of frication noise.
type band struct{ hz, width, db float64 }

// frications are the noise spectra behind the constriction, for the average
// mouth; a voice moves the esses.
var frications = map[byte][2]band{
	's': {{6200, 1900, 0}, {8800, 3200, -4}},
	'S': {{2900, 900, -1}, {5000, 2200, -4}},
	'f': {{7800, 6000, -15}, {1600, 1500, -22}},
	'T': {{8400, 5000, -16}, {1900, 1500, -25}},
	'p': {{900, 900, -14}, {2500, 3000, -24}},
	't': {{4400, 2200, -7}, {7000, 3000, -11}},
	'k': {{1900, 500, -6}, {4300, 2000, -14}},
}

// Ess tells whether a phone is one of those that a de-esser is for.
func Ess(name string) bool {
	switch name {
	case "s", "z", "sh", "zh", "ch", "jh":
		return true
	}
	return false
}

func isVowel(name string) bool { return phones[name].class == vowel }
