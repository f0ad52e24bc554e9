package check

// instruments are what more than one check hears a part with: made for the
// first that asks for it, heard with once, by the Ears.
type instruments struct {
	room   *roomCourse
	clicks *clickFinder
	reread *rereader
}

// roomCourse is the part's.
func (p Part) roomCourse() *roomCourse {
	if p.instruments.room == nil {
		p.instruments.room = newRoomCourse(p)
	}
	return p.instruments.room
}

// clickFinder is the part's.
func (p Part) clickFinder() *clickFinder {
	if p.instruments.clicks == nil {
		p.instruments.clicks = newClickFinder(p.RateHz)
	}
	return p.instruments.clicks
}

// rereader is the part's.
func (p Part) rereader() *rereader {
	if p.instruments.reread == nil {
		p.instruments.reread = newRereader(p)
	}
	return p.instruments.reread
}

func (i *instruments) hear(x []float64) {
	if i.clicks != nil {
		i.clicks.hear(x)
	}
}

func (i *instruments) hearSpectrum(power []float64) {
	if i.room != nil {
		i.room.hearSpectrum(power)
	}
	if i.reread != nil {
		i.reread.hearSpectrum(power)
	}
}
