package clinic

import (
	"fmt"
	"math"
)

const (
	// floorSpareDB is what a chain's compression takes from what is to spare: its 2 to 4 dB (common practice).
	floorSpareDB = 3.0
	// halfDistanceDB is what half the distance gains; nearer is in the breath.
	halfDistanceDB = 6.0
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
		less := fmt.Sprintf("%.1f dB less noise", f.missingDB)
		if f.missingDB <= halfDistanceDB {
			less += fmt.Sprintf(", or %.1f times nearer", math.Pow(10, f.missingDB/20))
		}
		s.Remedy, s.Says = Booth, fmt.Sprintf("%s: %s, for a chain can't take more than %.0f unheard", after, less, mostTakenDB)
	}
	return []Sign{s}
}
