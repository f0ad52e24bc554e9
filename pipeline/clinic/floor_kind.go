package clinic

import (
	"fmt"
	"math"
	"strings"

	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
)

// kindOfFloor is what most of a room tone is.
type kindOfFloor struct {
	name          string // hiss, rumble, fan, hum, or even
	says          string
	lowHz, highHz float64
	evidence      []string
}

// The borders of rumble and hiss, and shares of the power that make a kind:
// chosen on the tuning voices' rooms.
const (
	rumbleHz, hissHz = 150.0, 2000.0
	linesShare       = 0.35
	rumbleShare      = 0.50
	hissShare        = 0.60
)

// floorKind tells it by the shares of three ranges and of steady lines.
func floorKind(r *Read) (k kindOfFloor) {
	if r.heard.tone == nil {
		return kindOfFloor{name: "", says: "of a kind that can't be told"}
	}
	half := float64(r.RateHz) / 2
	all := between(r.heard.tone, r.RateHz, 20, half)
	low, high := between(r.heard.tone, r.RateHz, 20, rumbleHz)/all, between(r.heard.tone, r.RateHz, hissHz, half)/all
	mains, fan := 0.0, 0.0
	var fans []string
	for _, l := range r.heard.lines {
		if l.mains {
			mains += l.power / all
			continue
		}
		fan += l.power / all
		if len(fans) < 4 {
			fans = append(fans, fmt.Sprintf("%.0f Hz", l.Hz))
		}
	}
	k.evidence = []string{fmt.Sprintf("%.0f %% of its power is under %.0f Hz, %.0f %% over %.0f kHz, %.0f %% in lines of the mains, %.0f %% in other lines", 100*low, rumbleHz, 100*high, hissHz/1000, 100*mains, 100*fan)}
	if a := aWeightedShare(r.heard.tone, r.RateHz); a > hissShare && high <= hissShare {
		k.evidence = append(k.evidence, fmt.Sprintf("to the ear it is hiss: %.0f %% of it over %.0f kHz, A-weighted", 100*a, hissHz/1000))
	}
	switch {
	case mains >= linesShare && mains >= fan:
		k.name, k.says, k.lowHz, k.highHz = "hum", "mostly hum of the mains", 45, 1000
	case fan >= linesShare:
		k.name, k.says = "fan", "mostly lines of a fan or machine at "+strings.Join(fans, ", ")
		for _, l := range r.heard.lines {
			if !l.mains {
				if k.lowHz == 0 || l.Hz < k.lowHz {
					k.lowHz = math.Round(l.Hz)
				}
				k.highHz = max(k.highHz, math.Round(l.Hz))
			}
		}
	case low >= rumbleShare:
		k.name, k.says, k.lowHz, k.highHz = "rumble", "mostly rumble", 20, rumbleHz
	case high >= hissShare:
		k.name, k.says, k.lowHz, k.highHz = "hiss", "mostly hiss", hissHz, min(20000, half)
	default:
		k.name, k.says, k.lowHz, k.highHz = "even", "noise of all frequencies", 20, min(20000, half)
	}
	return k
}

// aWeightedShare is how much of a spectrum's A-weighted power lies over hissHz.
func aWeightedShare(power []float64, rateHz int) float64 {
	high, all := 0.0, 0.0
	sections := meter.AWeighting(float64(rateHz))
	for k := 1; k < len(power); k++ {
		hz := float64(k) * float64(rateHz) / float64(2*(len(power)-1))
		if hz < 20 {
			continue
		}
		db, _ := kernel.Response(sections, hz, float64(rateHz))
		p := power[k] * kernel.FromPowerDB(db)
		all += p
		if hz >= hissHz {
			high += p
		}
	}
	return high / max(all, 1e-30)
}
