package clinic

import (
	"fmt"
	"slices"
	"strings"
)

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
