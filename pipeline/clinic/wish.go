package clinic

import (
	"fmt"
	"slices"
	"strings"
)

// A Wish is what a narrator or an engineer asks of drafts beside what the read
// needs. Each moves an amount within its bounds, and nothing else.
type Wish string

const (
	LighterLowMids Wish = "lighter-low-mids" // less of 160 to 500 Hz
	KeepLows       Wish = "keep-lows"        // 80 to 160 Hz as they are, within 1.5 dB at equal speech level
	Clearer        Wish = "clearer"          // more of 2 to 4 kHz
	SofterEsses    Wish = "softer-esses"     // esses a little under what is usual for the voice
	Calmer         Wish = "calmer"           // loud and soft lines nearer to each other
	QuieterFloor   Wish = "quieter-floor"    // room between the words well under what the spec asks
)

// Wishes are all that can be wished.
func Wishes() []Wish {
	return []Wish{LighterLowMids, KeepLows, Clearer, SofterEsses, Calmer, QuieterFloor}
}

// ParseWishes reads wishes by name, each once. The error names what is no wish
// and all that are.
func ParseWishes(names []string) (all []Wish, err error) {
	var unknown, known []string
	for _, w := range Wishes() {
		known = append(known, string(w))
	}
	for _, name := range names {
		switch w := Wish(name); {
		case !slices.Contains(Wishes(), w):
			unknown = append(unknown, fmt.Sprintf("%.40q", name))
		case !slices.Contains(all, w):
			all = append(all, w)
		}
	}
	switch len(unknown) {
	case 0:
		return all, nil
	case 1:
		return nil, fmt.Errorf("%s is no wish; there are %s", unknown[0], strings.Join(known, ", "))
	}
	return nil, fmt.Errorf("%s are no wishes; there are %s", strings.Join(unknown, ", "), strings.Join(known, ", "))
}

// tensions say which of the wishes pull against each other, and how that was
// settled.
func tensions(wishes []Wish) (all []string) {
	for _, t := range []struct {
		a, b Wish
		says string
	}{
		{Calmer, QuieterFloor, "calmer lifts soft lines, and the room with them, which quieter-floor takes down: the floor was reckoned after the lift, and where both can't be had it comes first"},
		{Clearer, SofterEsses, "clearer lifts what lies beside the esses that softer-esses takes down: the lift ends under 5 kHz, and esses are turned down after it"},
		{LighterLowMids, KeepLows, "lighter-low-mids and keep-lows meet at 160 Hz: the cut lies an octave above it, and is narrow enough to leave 80 to 160 Hz within 1.5 dB"},
	} {
		if slices.Contains(wishes, t.a) && slices.Contains(wishes, t.b) {
			all = append(all, t.says)
		}
	}
	return all
}
