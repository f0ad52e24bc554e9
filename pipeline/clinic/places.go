package clinic

import "chapterhouse/pipeline"

// placesOf finds the quiet line, the page, the loud line and the room tone.
func placesOf(r *Read) Places {
	var p Places
	for _, w := range r.Room.Tone {
		p.RoomTone = append(p.RoomTone, pipeline.Span{From: w.From, To: w.To})
	}
	p.Page = r.Profile.Cut.Speech
	return p
}
