package clinic

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
)

// What a noise reduction leaves, chosen on the tuning voices.
const (
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
// of noise: an F distribution of 2 and 2n degrees of freedom, n being those around,
// of which a Hann window lets two thirds count.
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
