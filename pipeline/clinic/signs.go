package clinic

// signsOf is the diagnosis: every kind of sign in the order of a report, each
// from its own file.
func signsOf(r *Read) (all []Sign) {
	for _, of := range []func(*Read) []Sign{
		lacking,
		inputLevel, clipping, noiseFloor, mainsHum,
		resonances, reflections, reverberation,
		lowMids, top, sharpEsses, plosives, proximity, mouthNoise, phraseSpread,
		gated, denoised, limited, lossy,
	} {
		all = append(all, of(r)...)
	}
	return all
}
