package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

func noiseFloor() Check {
	return Check{
		Name: "noise-floor",
		Doc: "The room tone of the delivered file (median of half-second windows clear of speech, breaths, " +
			"clicks and identical samples, plain RMS) is louder than the spec allows. Mastering adds no gate: " +
			"the missing decibels have to be found in the room, or by going closer to the microphone. Every " +
			"halving of the distance is worth up to 6 dB. Where hum is heard and makes half of the floor or more, the stage hum comes first.",
		Read: func(t Title, chapter int) []pipeline.Finding {
			hum := humOfFloor(t, chapter)
			return eachFile(func(s pipeline.Spec, f pipeline.FileOutcome) []pipeline.Finding { return overFloor(s, f, hum) })(t, chapter)
		},
	}
}

// overFloor holds a file's floor against its spec. humDB is by how much hum
// makes it louder.
func overFloor(s pipeline.Spec, f pipeline.FileOutcome, humDB float64) []pipeline.Finding {
	limit := float64(s.Limits.NoiseFloorDBFS)
	at := float64(f.Record.Floor.Median)
	switch {
	case limit == 0:
		return nil
	case f.Record.Floor.Windows == 0:
		return []pipeline.Finding{{
			Measured: "not measurable: no half second without speech",
			Limit:    s.Limits.NoiseFloorDBFS.String(),
			Do:       "listen to the pauses; ask for ten seconds of room tone with the next recording",
			Weight:   pipeline.Listen,
		}}
	case at <= limit:
		return nil
	}
	missing := math.Ceil(dsp.Round2((at-limit)*10)) / 10
	over := pipeline.Finding{
		Measured: f.Record.Floor.Median.String(),
		Limit:    s.Limits.NoiseFloorDBFS.String(),
		Do:       fmt.Sprintf("%.1f dB are missing in the room: less noise at its source, or a shorter distance to the microphone, and record again", missing),
		Weight:   pipeline.Return,
	}
	if humDB > 0 {
		over.Act, over.Stage = pipeline.Change, "hum"
		over.Do = fmt.Sprintf("%.1f dB are missing, and hum makes about %.0f dB of the floor: put a hum stage into the chain", missing, humDB)
		if humDB < missing {
			over.Do += "; the rest is missing in the room: less noise at its source, or a shorter distance to the microphone"
		}
	}
	return []pipeline.Finding{over}
}

const takenDB = 12.0

func floorTaken() Check {
	return Check{
		Name: "floor-taken",
		Doc: "The chain takes more than 12 dB of room tone (the raw floor after every gain, less the delivered " +
			"one). So much can be heard as breathing of the room between words.",
		Read: eachFile(func(s pipeline.Spec, f pipeline.FileOutcome) []pipeline.Finding {
			taken := dsp.Round2(float64(f.FloorGain - f.Record.Floor.Median))
			if f.Record.Floor.Windows == 0 || math.IsNaN(taken) || math.IsInf(taken, 0) || taken <= takenDB {
				return nil
			}
			return []pipeline.Finding{{
				Measured: fmt.Sprintf("%.1f dB", taken),
				Limit:    fmt.Sprintf("%.0f dB", takenDB),
				Do:       "listen to the pauses for a room that comes and goes; use less expander",
				Weight:   pipeline.Listen, Value: taken, LimitValue: takenDB, Unit: "dB",
			}}
		}),
	}
}
