package clinic

import (
	"fmt"
	"strings"
)

// Where no chain mends a read: see Judge.
const (
	clippedMostAMinute = 3.0  // places on the page (own figure)
	limitedCrestDB     = 13.0 // with a limiter found
	floorMuchDB        = 6.0  // of reduction: a chain does it, less noise is better
)

// Judge is what a read promises, and the one sentence why. "Not yet" is said only
// of what surely can't be mended: a floor that no reduction within bounds brings to
// the spec, clipping through the page, pauses that a gate or a noise reduction
// took, a file that was once lossy or is at too low a rate, a limiter that flattened
// the voice, a live room. What is only suspected, or what the booth could better
// while a chain gets along, is workable with changes.
func Judge(r *Read) (Verdict, string) {
	if why := hopeless(r); len(why) > 0 {
		if len(why) == 1 {
			return NotYet, "a chain can't mend this read yet: " + why[0]
		}
		return NotYet, fmt.Sprintf("a chain can't mend this read yet: %s; and %s", why[0], strings.Join(why[1:], "; "))
	}
	var change, mend []string
	floor := r.floorSums()
	for _, s := range r.Signs {
		switch {
		case s.Remedy == Booth, s.Name == "floor" && floor.known && floor.leftDB > floorMuchDB:
			change = append(change, s.Name)
		case s.Remedy == Processing:
			mend = append(mend, s.Name)
		}
	}
	switch {
	case len(change) > 0:
		return WithChanges, fmt.Sprintf("a chain can work with this read, and changes before the next recording would better it: %s", names(change))
	case len(mend) > 0:
		return Workable, fmt.Sprintf("nothing stands in the way; a chain mends what there is: %s", names(mend))
	}
	return Workable, "nothing stands in the way, and there is little to mend"
}

// hopeless is what no chain mends, the most telling first.
func hopeless(r *Read) (why []string) {
	if n := r.clippedOnPage(); n >= clippedMostAMinute {
		why = append(why, fmt.Sprintf("the page is cut flat in %.0f places a minute; record again with less gain", n))
	}
	if f := r.floorSums(); f.known && f.leftDB > mostTakenDB {
		why = append(why, fmt.Sprintf("the noise floor is at %.1f dBFS once the page has its level, and %.1f dB are more than a chain may take; less noise at its source, or nearer, and send again", f.afterDBFS, f.missingDB))
	}
	for _, s := range r.Signs {
		sure := s.Confidence == Sure
		switch {
		case s.Name == "gated" && s.Remedy == Booth && sure:
			why = append(why, s.Says+"; switch it off and send again")
		case s.Name == "denoised" && s.Remedy == Booth && sure:
			why = append(why, s.Says+"; switch it off and send again")
		case s.Name == "lossy" && s.Remedy == Booth && s.Confidence != Unsure:
			why = append(why, s.Says)
		case s.Name == "limited" && s.Remedy == Booth && s.Confidence != Unsure && s.Value < limitedCrestDB:
			why = append(why, s.Says+"; switch it off and send again")
		case s.Name == "reverberation" && r.live():
			why = append(why, s.Says+"; record where more absorbs, and send again")
		}
	}
	return why
}

// names are signs as a person reads them, each once.
func names(all []string) string {
	seen := map[string]bool{}
	var out []string
	for _, n := range all {
		word := map[string]string{
			"low-mids": "low mids", "floor": "noise floor", "missing": "what is missing", "level": "input level",
			"gated": "a gate", "denoised": "a noise reduction", "limited": "a limiter", "lossy": "a lossy encoding",
		}[n]
		if word == "" {
			word = strings.ReplaceAll(n, "-", " ")
		}
		if !seen[word] {
			seen[word] = true
			out = append(out, word)
		}
	}
	return strings.Join(out, ", ")
}
