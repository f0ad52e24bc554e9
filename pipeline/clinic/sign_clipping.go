package clinic

import "fmt"

// clipping is where the wave is cut flat. Value is how many places.
func clipping(r *Read) []Sign {
	cut := r.found("clipped")
	s := Sign{Name: "clipping", Remedy: Good, Confidence: Sure, Unit: "places"}
	if len(cut) == 0 && !r.speaks() {
		s.Unit, s.Says = "", "nothing is cut flat"
		return []Sign{s}
	}
	if len(cut) == 0 {
		s.Says = fmt.Sprintf("nothing is cut flat: the highest peak is %.1f dB under full scale", -float64(r.Profile.Levels.TruePeak))
		if r.Profile.Levels.TruePeak > 0 {
			s.Says = fmt.Sprintf("no sample is cut flat, though the highest true peak is %v", r.Profile.Levels.TruePeak)
		}
		return []Sign{s}
	}
	s.Remedy, s.Value = Booth, float64(len(cut))
	onPage := 0
	for _, f := range cut {
		at := r.span(f.StartS, f.EndS)
		s.Places = append(s.Places, at)
		if at.From < r.Places.Page.To && at.To > r.Places.Page.From {
			onPage++
		}
	}
	s.Says = fmt.Sprintf("%s cut flat, %d on the page: what is cut can't be brought back", plural(len(cut), "place is", "places are"), onPage)
	s.Evidence = append(s.Evidence, cut[0].Measured)
	return []Sign{s}
}

// clippedOnPage is how many places a minute of the page are cut flat.
func (r *Read) clippedOnPage() float64 {
	n := 0
	for _, f := range r.found("clipped") {
		if at := r.span(f.StartS, f.EndS); at.From < r.Places.Page.To && at.To > r.Places.Page.From {
			n++
		}
	}
	return float64(n) / max(0.5, r.Places.Page.Len().Seconds(r.RateHz)/60)
}

// plural is a number with the word that it wants.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
