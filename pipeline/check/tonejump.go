package check

func roomToneJump() Check {
	return Check{
		Name: "room-tone-jump",
		Doc: "Within one pause the room changes from one moment to the next by 4.5 dB (A-weighted) in level, or by 4.5 dB over its octaves (RMS), and stays so: an edit " +
			"between takes of two days, or two rooms. A listener hears the seam. Lay room tone of one kind under it, or fade between the two over a longer pause.",
		Listen: func(p Part) Listener {
			return &roomListener{roomCourse: p.roomCourse(), edits: true, what: "edits",
				do: "listen to the edit: lay one room tone under it, or fade between the two over a longer pause"}
		},
	}
}
