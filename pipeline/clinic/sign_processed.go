package clinic

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// What was done to a read before it came. Limits of the checks are theirs; those of
// what a noise reduction leaves were chosen on the tuning voices.
const (
	gatedHardDB   = 15.0
	flatCrestDB   = 11.0 // peaks of the page over its level while speaking
	tinkleFromHz  = 300.0
	tinkleToHz    = 8000.0
	tinkleS       = 0.046
	tinkleOver    = 10.0 // times what is around: of noise two cells in ten thousand
	tinkleAround  = 14   // bins on either side
	tinkleNotable = 0.001
	tinkleSure    = 0.003
	tinkleLeast   = 60     // frames, 23 ms apart
	emptyDBFS     = -120.0 // what is softer is a converter's last bits
	// A microphone's own noise lies some 65 to 70 dB under a voice near it (from
	// memory: 5 dB(A) and 72 dB of sound pressure): no room is quieter than that.
	quieterDB     = 68.0
	quieterSureDB = 74.0
)

// gated is whether a gate or expander was at work. Value is how far the room is
// quieter between words than beneath them, dB.
func gated(r *Read) []Sign {
	s := Sign{Name: "gated", Remedy: Good, Confidence: Likely, Unit: "dB"}
	if r.Room.DigitalSilenceS > 1 {
		s.Remedy, s.Confidence, s.Unit, s.Value = Booth, Sure, "s", round1(r.Room.DigitalSilenceS)
		s.Says = fmt.Sprintf("the pauses hold digital silence, %.0f s in all: a gate, or an edit that took the room out", r.Room.DigitalSilenceS)
		s.Evidence = r.printed("gate", "expand", "mute")
		return []Sign{s}
	}
	found := r.found("gated")
	if len(found) == 0 {
		s.Unit, s.Says, s.Evidence = "", "no gate or expander is heard: the room beneath the words is the room between them", r.unheard("gate", "expand")
		if r.RateHz < 16000 || len(r.Marks.Phrases) < 4 {
			s.Remedy, s.Confidence, s.Says = Unknown, Unsure, "whether a gate was at work can't be told: it takes pauses, and what is above 6 kHz"
		}
		return []Sign{s}
	}
	s.Remedy, s.Value = Booth, round1(found[0].Value)
	if math.IsInf(s.Value, 0) || s.Value > 100 {
		s.Value = 100
	}
	if s.Value >= gatedHardDB {
		s.Confidence = Sure
	}
	s.Says = found[0].Measured + ": a gate, an expander or a noise reduction was at work, and what it took can't be brought back"
	s.Evidence = r.printed("gate", "expand", "noise", "denois")
	return []Sign{s}
}

// denoised is whether a noise reduction left its tinkling in the room tone. Value
// is how much more often than in noise a moment of it stands out by 10 dB.
func denoised(r *Read) []Sign {
	s := Sign{Name: "denoised", Remedy: Good, Confidence: Likely, Unit: "times"}
	often, expected, frames := r.tinkle()
	switch {
	case frames < tinkleLeast:
		s.Remedy, s.Confidence, s.Unit = Unknown, Unsure, ""
		s.Says = fmt.Sprintf("whether a noise reduction was at work can't be told: %.1f s of room tone are too little", r.heard.toneS)
		return []Sign{s}
	case float64(r.Profile.Floor.Median) < emptyDBFS:
		s.Remedy, s.Confidence, s.Unit = Unknown, Unsure, ""
		s.Says = fmt.Sprintf("whether a noise reduction was at work can't be told: at %.0f dBFS the pauses hold next to nothing", r.Profile.Floor.Median)
		return []Sign{s}
	}
	s.Value = round1(often / expected)
	s.Evidence = []string{fmt.Sprintf("%.2f %% of the room tone's moments (%.0f ms, %.1f to %.0f kHz) stand 10 dB over what is around; of plain noise %.2f %% do", 100*often, 1000*tinkleS, tinkleFromHz/1000, tinkleToHz/1000, 100*expected)}
	under := float64(r.Likeness.SNR)
	if often < tinkleNotable && under >= quieterDB && len(r.found("gated")) == 0 {
		s.Remedy, s.Confidence, s.Value, s.Unit = Booth, Unsure, round1(under), "dB"
		if under >= quieterSureDB {
			s.Confidence = Likely
		}
		s.Says = fmt.Sprintf("the room tone lies %.0f dB under the voice, where a microphone's own noise is louder: a noise reduction or an expander was at work", under)
		s.Evidence = append(s.Evidence, r.printed("noise", "denois", "reduc", "clean", "expand", "gate")...)
		return []Sign{s}
	}
	if often < tinkleNotable {
		s.Says = "no noise reduction is heard: the room tone is as even as noise is"
		s.Evidence = append(s.Evidence, r.unheard("noise red", "denois")...)
		return []Sign{s}
	}
	s.Remedy, s.Confidence = Booth, Unsure
	if often >= tinkleSure {
		s.Confidence = Sure
	}
	if len(r.found("once-lossy")) > 0 {
		s.Confidence = Unsure
		s.Evidence = append(s.Evidence, "a lossy encoding leaves such too, and one is heard")
	}
	s.Says = fmt.Sprintf("the room tone tinkles: single tones flare up %.0f times as often as in noise, as a noise reduction leaves them", s.Value)
	s.Evidence = append(s.Evidence, r.printed("noise", "denois", "reduc", "clean")...)
	return []Sign{s}
}

// tinkle is the share of cells of the room tone's spectrogram that stand ten times
// over those around, each against what is usual for its bin, and what chance makes
// of noise: an F distribution of 2 and 4·tinkleAround degrees, for windowed
// neighbours count as half.
func (r *Read) tinkle() (often, expected float64, frames int) {
	n := sizeOf(tinkleS, r.RateHz)
	f, err := newFrames(n)
	if err != nil {
		return 0, 1, 0
	}
	from, to := int(tinkleFromHz*float64(n)/float64(r.RateHz)), min(int(tinkleToHz*float64(n)/float64(r.RateHz)), n/2)
	var cells [][]float64
	mean := make([]float64, to)
	for _, s := range r.pieces() {
		for at := s.From; at+dsp.Frames(n) <= s.To; at += dsp.Frames(n / 2) {
			p := append([]float64(nil), f.of(r.x[at : at+dsp.Frames(n)])[:to]...)
			for k, v := range p {
				mean[k] += v
			}
			cells = append(cells, p)
		}
	}
	if len(cells) == 0 {
		return 0, 1, 0
	}
	over, all := 0.0, 0.0
	for _, p := range cells {
		for k := range p {
			p[k] /= max(mean[k], 1e-30) // what is usual for its bin is the same for all
		}
		for k := from + tinkleAround; k < to-tinkleAround; k++ {
			sum := 0.0
			for i := 3; i <= tinkleAround; i++ { // a window's width away
				sum += p[k-i] + p[k+i]
			}
			if p[k] > tinkleOver*sum/(2*(tinkleAround-2)) {
				over++
			}
			all++
		}
	}
	neighbours := 2.0 * (tinkleAround - 2) / 1.5
	return over / all, math.Pow(1+tinkleOver/neighbours, -neighbours), len(cells)
}

// limited is whether a limiter or a compressor worked on it. Value is the highest
// peak of the page over its level while speaking, dB.
func limited(r *Read) []Sign {
	s := Sign{Name: "limited", Remedy: Good, Confidence: Likely, Unit: "dB"}
	crest := r.crest()
	if math.IsNaN(crest) || math.IsInf(crest, 0) {
		s.Remedy, s.Confidence, s.Unit, s.Says = Unknown, Unsure, "", "whether a limiter was at work can't be told: too little is spoken"
		return []Sign{s}
	}
	s.Value = round1(crest)
	s.Evidence = []string{fmt.Sprintf("the page's peaks stand %.1f dB over its level while speaking", crest)}
	switch found := r.found("limited"); {
	case len(found) > 0:
		s.Remedy = Booth
		s.Says = found[0].Measured + ": a limiter worked on the way in, and what it took off the peaks can't be brought back"
		s.Evidence = append(s.Evidence, r.printed("limit", "compress", "maxim")...)
	case crest < flatCrestDB && len(r.found("clipped")) == 0:
		s.Remedy, s.Confidence = Booth, Unsure
		s.Says = fmt.Sprintf("the page's peaks stand only %.1f dB over its level: it was compressed or limited on the way in, or rounded off", crest)
		s.Evidence = append(s.Evidence, r.printed("limit", "compress", "maxim", "satur", "tape")...)
	default:
		s.Says = fmt.Sprintf("no limiter is heard: peaks stand %.1f dB over the voice's level", crest)
		s.Evidence = append(s.Evidence, r.unheard("limit", "compress")...)
	}
	return []Sign{s}
}

// crest is how far the page's peaks, those that one moment in a hundred exceeds,
// stand over its level, dB.
func (r *Read) crest() float64 {
	var peaks []float64
	spans := r.page()
	step := dsp.FramesIn(0.02, r.RateHz)
	for _, s := range spans {
		for at := s.From; at+step <= s.To; at += step {
			peaks = append(peaks, r.peakOf(pipeline.Span{From: at, To: at + step}))
		}
	}
	return share(peaks, 0.995) - r.levelOf(spans...)
}

// lossy is whether the file was once encoded with loss, or came from a lower rate.
func lossy(r *Read) []Sign {
	s := Sign{Name: "lossy", Remedy: Good, Confidence: Likely, Says: "no trace of a lossy encoding; some leave none"}
	if low := r.found("low-rate"); len(low) > 0 {
		s.Remedy, s.Confidence, s.Value, s.Unit = Booth, Sure, float64(r.RateHz)/1000, "kHz"
		s.Says = "the file is at " + low[0].Measured + ", and esses reach higher: export it at the rate it was recorded at"
		return []Sign{s}
	}
	for _, f := range r.found("once-lossy") {
		s.Remedy, s.Confidence = Booth, Likely
		s.Says = f.Measured + ": once lossy, or from a lower rate; send what was recorded, in WAV or FLAC"
		if f.Weight == pipeline.Ready {
			s.Confidence = Unsure
			s.Says = f.Measured + ": once lossy at a high bit rate, or the converter's own"
		}
	}
	return []Sign{s}
}

// printed is what the form says of processing that is heard.
func (r *Read) printed(words ...string) []string {
	switch {
	case r.names(words):
		return []string{fmt.Sprintf("the form says so: %q", r.Form.As.Printed)}
	case strings.TrimSpace(r.Form.As.Printed) == "":
		return []string{"the form names nothing that was printed on the way in: look whether the interface or the program did it by itself"}
	}
	return []string{fmt.Sprintf("the form says nothing of it (%q): look whether the interface or the program did it by itself", r.Form.As.Printed)}
}

// unheard is what the form says of processing that is not heard; nil: nothing.
func (r *Read) unheard(words ...string) []string {
	if !r.names(words) {
		return nil
	}
	return []string{fmt.Sprintf("the form says %q: it was gentle, or was off", r.Form.As.Printed)}
}

// names tells whether the form's account of what was printed holds one of the words.
func (r *Read) names(words []string) bool {
	text := strings.ToLower(r.Form.As.Printed)
	return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(text, w) })
}

// lowCutDB is how far the octave from 20 Hz lies under that from 80 Hz where
// something cut it: even hiss comes to 6 dB only, rooms have more there.
const lowCutDB = 14.0

// lowCut is what the room tone says of a highpass on the way in, beside the form.
func (r *Read) lowCut() []string {
	low, high := between(r.heard.tone, r.RateHz, 20, 40), between(r.heard.tone, r.RateHz, 80, 160)
	if low <= 0 || high <= 0 {
		return nil
	}
	under := inDB(high) - inDB(low)
	switch said := r.names([]string{"low cut", "low-cut", "highpass", "high-pass", "high pass", "rumble filter"}); {
	case under >= lowCutDB && said:
		return []string{fmt.Sprintf("the low cut that the form names is heard: 20 to 40 Hz lie %.0f dB under 80 to 160", under)}
	case under >= lowCutDB:
		return []string{fmt.Sprintf("something cut the lows on the way in: 20 to 40 Hz lie %.0f dB under 80 to 160; the form says nothing of it", under)}
	case said:
		return []string{fmt.Sprintf("the form says %q, and 20 to 40 Hz lie only %.0f dB under 80 to 160: look whether it was on", r.Form.As.Printed, under)}
	}
	return nil
}

// lacking says what a test read lacks, one sign for each thing.
func lacking(r *Read) (out []Sign) {
	for _, m := range r.Places.Missing {
		out = append(out, Sign{Name: "missing", Remedy: Booth, Confidence: Sure, Says: m})
	}
	return out
}
