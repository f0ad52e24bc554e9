package clinic

import (
	"fmt"

	"chapterhouse/dsp/meter"
)

// reverberation is how the room rings on. Value is seconds to -60 dB, where it
// is long enough to be measured by a voice. No processing dries a room.
func reverberation(r *Read) []Sign {
	l := r.Likeness
	class := meter.Reverberation{Seconds: l.ReverbS, DirectDB: l.DirectDB}.Class()
	s := Sign{Name: "reverberation", Confidence: Likely}
	if l.ReverbS > 0 {
		s.Value, s.Unit = l.ReverbS, "s"
		s.Evidence = append(s.Evidence, fmt.Sprintf("tails take %.2f s to fall by 60 dB, give or take 0.1 s", l.ReverbS))
	} else if class != "" {
		s.Evidence = append(s.Evidence, fmt.Sprintf("no tail of %.2f s or more: what is shorter is not measurable by a voice", meter.ShortestReverbS))
	}
	if class != "" {
		s.Evidence = append(s.Evidence, fmt.Sprintf("the voice falls by %.1f dB in 60 ms (20 and more is dry, under 14 live)", l.DirectDB))
	}
	switch class {
	case "":
		s.Remedy, s.Confidence = Unknown, Unsure
		s.Says = "how the room rings can't be told: too little falls off above the room tone"
	case "dry":
		s.Remedy = Good
		s.Says = fmt.Sprintf("the room is dry: under %.2f s to -60 dB, which is not measurable by a voice", meter.ShortestReverbS)
	case "some room":
		s.Remedy = Booth
		s.Says = "some room is heard around the voice" + seconds(l.ReverbS) + ": more that absorbs around the narrator would dry it"
	default:
		s.Remedy = Booth
		s.Says = "the room is live" + seconds(l.ReverbS) + ": no processing takes a room off a voice"
	}
	return []Sign{s}
}

func seconds(v float64) string {
	if v == 0 {
		return ""
	}
	return fmt.Sprintf(", %.2f s to -60 dB", v)
}

// live tells whether the room is.
func (r *Read) live() bool {
	return meter.Reverberation{Seconds: r.Likeness.ReverbS, DirectDB: r.Likeness.DirectDB}.Class() == "live"
}
