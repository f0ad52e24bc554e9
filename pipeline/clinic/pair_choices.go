package clinic

// An other is a candidate with another choice, and what is to be looked for
// again.
type other struct {
	candidate candidate
	rounds    int
	only      []string
}

const choiceRounds = 3

// otherDetector is a compressor that goes by peaks where c's goes by RMS, and the
// reverse: peaks of speech lie some 5 dB higher.
func (f *fitter) otherDetector(_ sighting, c candidate) (other, bool) {
	m := c.module("compressor")
	if m == nil {
		return other{}, false
	}
	detector, shift := "peak", 5.0
	if v := m.now().params; v[len(v)-1].value == "peak" {
		detector, shift = "rms", -5
	}
	k := m.knobs
	t := compressorModule(detector, k[0].at+shift, ratioOf(k[1].at), k[2].at, hzOf(k[3].at), hzOf(k[4].at))
	return other{c.put(t, ""), choiceRounds, []string{"compressor"}}, true
}

// otherExpander is one of four bands in the place of one of one.
func (f *fitter) otherExpander(s sighting, c candidate) (other, bool) {
	if m := c.module("expander"); m == nil || len(m.knobs) >= 7 {
		return other{}, false
	}
	t, ok := f.splitExpander(s, c)
	return other{t, choiceRounds, []string{"expander"}}, ok
}

// otherRide is riding in front of what compresses.
func (f *fitter) otherRide(_ sighting, c candidate) (other, bool) {
	if c.module("ride") != nil {
		return other{}, false
	}
	before := ""
	for _, m := range c.modules {
		if m.name == "compressor" || m.name == "de-esser" {
			break
		}
		before = m.name
	}
	return other{c.put(rideModule(30), before), choiceRounds, []string{"ride", "compressor"}}, true
}

// otherOrder is the eq behind the compressor.
func (f *fitter) otherOrder(_ sighting, c candidate) (other, bool) {
	e := c.module("eq")
	if e == nil || c.module("compressor") == nil {
		return other{}, false
	}
	return other{c.without("eq").put(*e, "compressor"), choiceRounds, []string{"compressor", "eq"}}, true
}
