package check

import (
	"fmt"

	"chapterhouse/pipeline"
)

func roomToneJump() Check {
	return Check{
		Name: "room-tone-jump",
		Doc: "Within one pause the room changes from one moment to the next by 6 dB (A-weighted) in level, or by 6 dB on the mean of the octaves in tone, and stays so: an edit " +
			"between takes of two days, or two rooms. A listener hears the seam. Lay room tone of one kind under it, or fade between the two over a longer pause.",
		Listen: func(p Part) Listener { return &jumpListener{newRoomCourse(p)} },
	}
}

type jumpListener struct{ *roomCourse }

func (l *jumpListener) Hear([]float64) {}

func (l *jumpListener) Heard() (out []Stretch) {
	for _, s := range l.steps(floorChangeDB, toneChangeDB) {
		if !s.abrupt {
			continue
		}
		from, to := l.place(s)
		out = append(out, Stretch{From: from, To: to, Weight: pipeline.Listen,
			Measured: s.measured(), Limit: fmt.Sprintf("%g dB", floorChangeDB),
			Do: "listen to the edit: lay one room tone under it, or fade between the two over a longer pause"})
	}
	return fewPlaces(out, "edits")
}
