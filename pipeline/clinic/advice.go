package clinic

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"chapterhouse/dsp/room"
)

// cautions go with every piece of advice about a booth or about listening.
func cautions() []string {
	return []string{
		"Advice on a booth is acoustic guidance: panels, wiring, ventilation and fire rating follow local codes and licensed practice.",
		"Start playback quietly and raise it slowly: loud listening harms hearing. Compare nothing at different loudness.",
	}
}

// A rule is what is advised for signs of a name, and how much it is worth: what
// decides whether a read can be used comes before what makes it nicer.
type rule struct {
	sign   string
	weight int
	do     func(r *Read, s []Sign) string // of those that are no good; "" is none
}

// rules are common practice of recording a voice, where nothing else is named.
func rules() []rule {
	return []rule{
		{"clipping", 95, func(r *Read, _ []Sign) string {
			return fmt.Sprintf("Turn the preamp down by %.0f dB and read the loud line once more: what was cut flat can't be brought back.", math.Abs(gainAsked(r)))
		}},
		{"gated", 92, sendAsItComes("a gate or expander")},
		{"denoised", 92, sendAsItComes("noise reduction")},
		{"limited", 90, sendAsItComes("a limiter or a compressor")},
		{"lossy", 90, func(*Read, []Sign) string {
			return "Send the recording as WAV or FLAC, straight from the recorder: what an MP3 or a call leaves out can't be brought back."
		}},
		{"floor", 85, quieter},
		{"hum", 80, func(*Read, []Sign) string {
			return "Look for what hums: unplug lamps, dimmers, chargers and power supplies one by one while you listen, keep microphone cables away from mains leads, and run recorder and interface from one socket. Leave mains wiring to those who may work on it."
		}},
		{"reverberation", 75, func(r *Read, _ []Sign) string {
			return "Come closer to the microphone" + fromTo(r) + ", and hang something thick and soft behind you and at both sides: half the distance makes the voice 6 dB louder than its echo from the walls."
		}},
		{"reflection", 65, reflected},
		{"resonance", 60, rings},
		{"level", 50, func(r *Read, _ []Sign) string {
			if gain := gainAsked(r); gain > 0 {
				return fmt.Sprintf("Turn the preamp up by %.0f dB: the loudest line may peak at %.0f dBTP.", gain, loudPeakDBTP)
			} else if gain < 0 {
				return fmt.Sprintf("Turn the preamp down by %.0f dB, so that a louder line has room too.", -gain)
			}
			return ""
		}},
		{"missing", 48, func(*Read, []Sign) string {
			return "Send another read of two minutes: a quiet line, a normal page, a loud line, and twelve seconds in which you sit still and say nothing. The sheet says how."
		}},
		{"plosives", 45, func(*Read, []Sign) string {
			return "Turn the microphone 30 to 45 degrees off your breath, or let it look past the corner of your mouth, and put a pop screen a hand's width before it: p and b then pass it by."
		}},
		{"low-mids", 42, func(*Read, []Sign) string {
			return "Move the microphone away from walls and corners and off the desk, where low mids gather, by a hand's width at a time, and listen which place is clearest."
		}},
		{"proximity", 40, func(r *Read, _ []Sign) string {
			return "Go back to 20 to 25 cm" + fromTo(r) + " where the booth is quiet enough: a directional microphone lifts the lows of what is near it."
		}},
		{"mouth-noise", 38, func(*Read, []Sign) string {
			return "Drink water before and between pages, eat a piece of apple, and leave milk and coffee for later: the mouth clicks less."
		}},
		{"esses", 35, func(*Read, []Sign) string {
			return "Turn the microphone 20 to 30 degrees to the side or a little below the mouth: esses go straight ahead, the voice goes everywhere."
		}},
		{"top", 30, func(_ *Read, s []Sign) string {
			if s[0].Kind == "dull" {
				return "Let the microphone look at the mouth, with nothing thick before it: on its side, and behind foam, the top is lost first."
			}
			return "Turn the microphone a little off the mouth, or read across it: the top is softer there."
		}},
		{"dynamics", 25, func(*Read, []Sign) string {
			return "Lean in for a quiet line and back for a loud one: the width of a hand is 3 to 6 dB, and the words stay over the room."
		}},
	}
}

// advise is what a narrator is told, the most useful first.
func advise(r *Read) (all []Advice) {
	type weighed struct {
		Advice
		weight int
	}
	var list []weighed
	for _, rule := range rules() {
		signs := slices.DeleteFunc(r.signsNamed(rule.sign), func(s Sign) bool { return s.Remedy == Good || s.Remedy == Unknown && s.Name != "missing" })
		if len(signs) == 0 {
			continue
		}
		do := rule.do(r, signs)
		if do == "" {
			continue
		}
		weight := rule.weight
		if !slices.ContainsFunc(signs, func(s Sign) bool { return s.Remedy == Booth }) {
			weight -= 40 // a chain can mend it
		}
		if slices.ContainsFunc(list, func(w weighed) bool { return w.Do == do }) {
			continue // said for another reason
		}
		list = append(list, weighed{Advice{Do: do, Reason: signs[0].Says, Signs: []string{rule.sign}}, weight})
	}
	slices.SortStableFunc(list, func(a, b weighed) int { return cmp.Compare(b.weight, a.weight) })
	for _, w := range list {
		all = append(all, w.Advice)
	}
	return all
}

// gainAsked is what the preamp should be turned by, dB.
func gainAsked(r *Read) float64 {
	for _, s := range r.signsNamed("level") {
		return s.Value
	}
	return 0
}

func sendAsItComes(what string) func(*Read, []Sign) string {
	return func(*Read, []Sign) string {
		return "Switch off " + what + " on the way in, in the interface and in the recorder, and send the read again as it comes: the house's chain can work on what is there, not on what was taken."
	}
}

// fromTo is the narrator's distance, in words.
func fromTo(r *Read) string {
	if r.Form.DistanceCM == 0 {
		return ""
	}
	return fmt.Sprintf(" (from %.0f cm)", r.Form.DistanceCM)
}

// quieter is the arithmetic of a floor, and where its kind comes from.
func quieter(r *Read, signs []Sign) string {
	s := signs[0]
	source := map[string]string{
		"hum":    "look for what hums: lamps, chargers, power supplies, a cable beside a mains lead",
		"fan":    "switch off or move away what turns: computers, ventilation, a refrigerator behind the wall",
		"rumble": "set the microphone on a stand of its own with a soft mount, off the desk and the floor, and record when traffic and heating rest",
		"hiss":   "turn the preamp's gain up and the recorder's down, and try another cable or input: hiss is mostly electric",
		"even":   "close what is open, seal the door's edges with soft strips, and record at the quietest hour",
	}[s.Kind]
	if source == "" {
		source = "find out what is to be heard while nobody speaks, and switch it off"
	}
	if s.Value <= 0 {
		return "Keep the booth as quiet as it is; where it can be quieter still, " + source + "."
	}
	if s.Value > halfDistanceDB {
		return fmt.Sprintf("Make it %.0f dB quieter: %s. Half the distance to the microphone is 6 dB of that, where you are not near it already.", math.Ceil(s.Value), source)
	}
	return fmt.Sprintf("Make it %.0f dB quieter, or come %.1f times nearer (half the distance is 6 dB): %s.", math.Ceil(s.Value), math.Pow(10, s.Value/20), source)
}

// reflected is where early reflections may come from.
func reflected(r *Read, signs []Sign) string {
	return fmt.Sprintf("Look for a hard face that the voice comes back from, %.0f cm further round than the straight way: a script stand, a desk, a window, a screen. Tilt it, cover it with a folded blanket, and listen again.", signs[0].Value*100)
}

// rings is what panels reach and leave of the booth's resonances, and which sides
// make them; what is unsure is said as that.
func rings(r *Read, signs []Sign) string {
	b := r.Form.As.Booth
	var told, perhaps []Sign
	for _, s := range signs {
		if s.Confidence == Unsure {
			perhaps = append(perhaps, s)
		} else {
			told = append(told, s)
		}
	}
	text := "The booth rings at " + along(told)
	switch {
	case len(told) == 0:
		text, told = "Perhaps the booth rings at "+along(perhaps), perhaps
	case len(perhaps) > 0:
		text += ", and perhaps at " + along(perhaps)
	}
	text += ". "
	lowest := math.Inf(1)
	for _, s := range told {
		lowest = min(lowest, (s.LowHz+s.HighHz)/2)
	}
	c := room.SpeedOfSound(r.Form.TemperatureC)
	if depth := (b.PanelMM + b.GapMM) / 1000; depth > 0 {
		text += fmt.Sprintf("Your panels, %.0f mm with the air behind them, take well from %.0f Hz (a quarter wave) and something from %.0f Hz; what is below stays. ", 1000*depth, room.QuarterWave(depth, c), room.TenthWave(depth, c))
	}
	text += fmt.Sprintf("At %.0f Hz a quarter wave is %.0f cm: put the thickest material, with air behind it, into the corners and on the walls that are named, where the waves have their pressure; and sit a third along those sides, not in the middle.", lowest, 100*c/(4*lowest))
	return text
}

// along is where resonances are, by the sides that make them.
func along(signs []Sign) string {
	var parts, order []string
	named := map[string][]string{}
	for _, s := range signs {
		key := strings.Join(s.Sides, " or ")
		if named[key] == nil {
			order = append(order, key)
		}
		named[key] = append(named[key], fmt.Sprintf("%.0f", (s.LowHz+s.HighHz)/2))
	}
	for _, key := range order {
		between := "of a side that the form doesn't give"
		if key != "" {
			between = "along the " + key
		}
		all := named[key]
		list := all[len(all)-1]
		if n := len(all) - 1; n > 0 {
			list = strings.Join(all[:n], ", ") + " and " + list
		}
		parts = append(parts, list+" Hz "+between)
	}
	return strings.Join(parts, ", ")
}
