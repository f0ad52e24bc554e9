package clinic

// round is denser: bands that come in where the voice is loud in them, a fast
// compressor before the slow one, and harmonics.
func round(d *drafter) (Draft, error) {
	steps := append([]step{d.highpass()}, d.restored()...)
	front := len(steps)
	if s, ok := d.corrected(); ok {
		steps = append(steps, s)
	}
	if s, ok := d.rode(spreadGoalDB - 1); ok {
		steps = append(steps, s)
	}
	held, err := d.held()
	if err != nil {
		return Draft{}, err
	}
	steps = append(steps, held)
	if two := d.o.Habits.Compressor.Two; !never(two) {
		steps = append(steps, d.fast())
	}
	steps = append(steps, d.slow(2.5, true))
	if s, ok := d.harmonics(); ok {
		steps = append(steps, s)
	}
	if s, ok := d.sweetened(1); ok {
		steps = append(steps, s)
	}
	if steps, err = d.likeEarlier(steps, 0.5); err != nil {
		return Draft{}, err
	}
	if steps, err = d.keptLows(steps); err != nil {
		return Draft{}, err
	}
	if steps, err = d.softened(steps, 0.5); err != nil {
		return Draft{}, err
	}
	if steps, err = d.quieted(steps, front); err != nil {
		return Draft{}, err
	}
	return d.finish("round", "A denser, nearer voice: mended as the spare one is, with bands that hold what swells, crests caught and a little warmth.", steps)
}
