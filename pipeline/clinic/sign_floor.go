package clinic

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"chapterhouse/pipeline"
)

const (
	// floorSpareDB is what a chain's compression takes from what is to spare.
	floorSpareDB = 3.0
)

// floorSums is the arithmetic from a read to a spec.
type floorSums struct {
	known     bool
	pageDBFS  float64 // the page with its pauses, plain RMS
	gainDB    float64 // to the spec's level
	afterDBFS float64 // the floor after that gain
	missingDB float64 // over the spec's limit; less than 0: to spare
	cutDB     float64 // of the floor that lies under the voice or in lines of the mains, which highpass and hum take
	leftDB    float64 // missing after that
}

// floorSums works it out. A chapter's level counts its pauses, so the page's does.
func (r *Read) floorSums() (f floorSums) {
	floor := float64(r.Profile.Floor.Median)
	if r.Profile.Floor.Windows == 0 || math.IsInf(floor, 0) || math.IsNaN(floor) || r.Room.DigitalSilenceS > r.heard.toneS {
		return f
	}
	page := r.Places.Page
	if page.Len() == 0 {
		page = r.Profile.Cut.Speech
	}
	f.known, f.pageDBFS = true, r.levelOf(page)
	f.gainDB = retailLevelDBFS - f.pageDBFS
	f.afterDBFS = floor + f.gainDB
	f.missingDB = f.afterDBFS - retailFloorDBFS
	if r.heard.tone != nil {
		half := float64(r.RateHz) / 2
		all, low := between(r.heard.tone, r.RateHz, 0, half), between(r.heard.tone, r.RateHz, 0, r.underVoiceHz())
		lines := 0.0
		for _, l := range r.heard.lines {
			if l.mains && l.Hz > r.underVoiceHz() {
				lines += l.power
			}
		}
		f.cutDB = min(30, -inDB(max(1e-3, (all-low-lines)/max(all, 1e-30))))
	}
	f.leftDB = f.missingDB - f.cutDB
	return f
}

// underVoiceHz is up to where nothing of the voice is: a highpass takes what is
// below.
func (r *Read) underVoiceHz() float64 {
	if r.heard.pitch.LowHz == 0 {
		return 60
	}
	return min(100, 0.75*r.heard.pitch.LowHz)
}

// noiseFloor is the room tone against the retail spec. Value is how many decibels
// are missing once the page has its level; less than 0: to spare. Kind is what
// most of it is.
func noiseFloor(r *Read) []Sign {
	f := r.floorSums()
	s := Sign{Name: "floor", Unit: "dB"}
	if !f.known {
		s.Remedy, s.Confidence = Unknown, Unsure
		s.Says = "the noise floor can't be told: there is no half second of room tone"
		if r.Room.DigitalSilenceS > 0 {
			s.Says = fmt.Sprintf("the noise floor can't be told: the pauses are empty, %.0f s of digital silence in all", r.Room.DigitalSilenceS)
		}
		return []Sign{s}
	}
	k := floorKind(r)
	s.Value, s.Confidence, s.Kind, s.LowHz, s.HighHz = round1(f.missingDB), Sure, k.name, k.lowHz, k.highHz
	if r.heard.toneS < toneWantedS {
		s.Confidence = Likely
	}
	s.Places = r.Places.RoomTone[:min(1, len(r.Places.RoomTone))]
	s.Evidence = append([]string{
		fmt.Sprintf("room tone %.1f dBFS, a tenth of it over %.1f; %.1f dB(A)", r.Profile.Floor.Median, r.Profile.Floor.WorstTenth, r.Profile.Floor.MedianA),
		fmt.Sprintf("the page is %.1f dBFS with its pauses: %+.1f dB to %.0f dBFS plain RMS, and the floor is then at %.1f dBFS", f.pageDBFS, f.gainDB, retailLevelDBFS, f.afterDBFS),
	}, append(k.evidence, r.lowCut()...)...)
	if f.cutDB >= 1 {
		s.Evidence = append(s.Evidence, fmt.Sprintf("%.1f dB of it lie under %.0f Hz, below the voice, or in lines of the mains: a highpass and a hum stage take them", f.cutDB, r.underVoiceHz()))
	}
	after := fmt.Sprintf("after %+.1f dB to %.0f dBFS the floor is at %.1f dBFS, %s", f.gainDB, retailLevelDBFS, f.afterDBFS, k.says)
	switch {
	case f.missingDB <= -floorSpareDB:
		s.Remedy, s.Says = Good, fmt.Sprintf("%s: %.1f dB to spare", after, -f.missingDB)
	case f.missingDB <= 0:
		s.Remedy, s.Says = Processing, fmt.Sprintf("%s: %.1f dB to spare, as much as compression takes", after, -f.missingDB)
	case f.leftDB <= mostTakenDB:
		s.Remedy, s.Says = Processing, fmt.Sprintf("%s: %.1f dB must be taken from it", after, f.missingDB)
	default:
		s.Remedy, s.Says = Booth, fmt.Sprintf("%s: %.1f dB less noise, or %.1f times nearer, for a chain can't take more than %.0f unheard", after, f.missingDB, math.Pow(10, f.missingDB/20), mostTakenDB)
	}
	return []Sign{s}
}

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
	for k := 1; k < len(power); k++ {
		hz := float64(k) * float64(rateHz) / float64(2*(len(power)-1))
		if hz < 20 {
			continue
		}
		p := power[k] * aWeight(hz)
		all += p
		if hz >= hissHz {
			high += p
		}
	}
	return high / max(all, 1e-30)
}

// aWeight is the power gain of A-weighting (IEC 61672-1), 1 at 1 kHz.
func aWeight(hz float64) float64 {
	f := hz * hz
	const a, b, c, d = 20.598997 * 20.598997, 107.65265 * 107.65265, 737.86223 * 737.86223, 12194.217 * 12194.217
	g := d * f * f / ((f + a) * math.Sqrt((f+b)*(f+c)) * (f + d))
	return g * g * math.Pow(10, 0.2)
}

// mainsHum is hum in the pauses. Value is how far its strongest line stands over the
// noise of the third of an octave around it, dB; LowHz is its fundamental.
func mainsHum(r *Read) []Sign {
	s := Sign{Name: "hum", Remedy: Good, Confidence: Sure, Unit: "dB"}
	if r.Profile.Floor.Windows == 0 || r.heard.toneS < 3 {
		s.Remedy, s.Confidence, s.Unit = Unknown, Unsure, ""
		s.Says = fmt.Sprintf("hum can't be told: there are %.1f s of room tone, and 3 s show it", r.heard.toneS)
		return []Sign{s}
	}
	var lines []string
	for _, l := range r.heard.lines {
		if l.mains && len(lines) < 4 {
			lines = append(lines, fmt.Sprintf("%.1f Hz at %.1f dBFS", l.Hz, inDB(l.power)))
		}
	}
	hz := 0.0
	for _, m := range r.Marks.Mains {
		hz += m.Hz / float64(len(r.Marks.Mains))
	}
	found := r.found("hum")
	switch {
	case len(found) > 0:
		worst := slices.MaxFunc(found, func(a, b pipeline.Finding) int { return int(math.Copysign(1, a.Value-b.Value)) })
		s.Remedy, s.Value, s.LowHz, s.HighHz = Processing, worst.Value, round1(hz), round1(12*hz)
		s.Says = fmt.Sprintf("hum of the mains at %.0f Hz: %s", hz, worst.Measured)
		s.Evidence = append(s.Evidence, lines...)
		if at := r.span(worst.StartS, worst.EndS); at.Len() > 0 {
			s.Places = append(s.Places, at)
		}
	case hz > 0:
		s.Unit, s.LowHz = "", round1(hz)
		s.Says = fmt.Sprintf("the mains are there at %.0f Hz, too soft to be heard under a voice at its level", hz)
		s.Evidence = append(s.Evidence, lines...)
	default:
		s.Unit, s.Says = "", "no hum of the mains in the pauses"
	}
	return []Sign{s}
}

func round1(v float64) float64 { return math.Round(10*v) / 10 }
