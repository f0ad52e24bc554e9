package spectrum

// SpeechFirst is where Speech begins among ThirdOctaves: at 63 Hz.
const SpeechFirst = 5

// Speech is the long-term average spectrum of speech in the third octaves from
// 63 Hz to 16 kHz, dB against the whole: women and men together, over languages
// (D. Byrne et al., J. Acoust. Soc. Am. 96(4), 1994, 2108–2120). Below 160 Hz men
// and women differ by tens of dB, and above it one voice by some 4 dB.
func Speech() [25]float64 {
	return [25]float64{
		-31.4, -26.5, -15.6, -12.3, -13.2, -9.8, -9.7, -11.0, -7.9, -7.9, -9.5, -13.2, -16.3,
		-17.0, -18.0, -21.3, -21.9, -23.2, -24.4, -25.5, -25.7, -26.3, -26.6, -28.7, -29.3,
	}
}
