package clinic

// spare changes as little as it can: it mends what has to be mended, rides, and
// compresses gently.
func spare(d *drafter) (Draft, error) {
	steps := append([]step{d.highpass()}, d.restored()...)
	front := len(steps)
	if s, ok := d.corrected(); ok {
		steps = append(steps, s)
	}
	if s, ok := d.rode(spreadGoalDB); ok {
		steps = append(steps, s)
	}
	steps = append(steps, d.slow(2.5, false))
	if s, ok := d.sweetened(0.5); ok {
		steps = append(steps, s)
	}
	steps, err := d.likeEarlier(steps, 0)
	if err != nil {
		return Draft{}, err
	}
	steps, err = d.keptLows(steps)
	if err != nil {
		return Draft{}, err
	}
	steps, err = d.softened(steps, 0)
	if err != nil {
		return Draft{}, err
	}
	if steps, err = d.quieted(steps, front); err != nil {
		return Draft{}, err
	}
	return d.finish("spare", "The voice as it is, with what booth, microphone and noise added taken back, loud and soft lines a little nearer to each other.", steps)
}

// softened puts the de-esser at the end, which hears what the stages before leave.
func (d *drafter) softened(steps []step, deeper float64) ([]step, error) {
	y, _, err := d.sounded(steps)
	if err != nil {
		return nil, err
	}
	s, ok, err := d.deEsser(y, deeper)
	if err != nil || !ok {
		return steps, err
	}
	return append(steps, s), nil
}
