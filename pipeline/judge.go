package pipeline

// Judge merges findings by identity, lifts those a person has decided on, and
// gives the verdict: the most urgent weight that is left. It is pure; a new
// limit or decision is judged again and renders nothing.
func Judge(found []Finding, chapter int, decisions []Decision) ([]Finding, Verdict) {
	var merged []Finding
	for _, f := range found {
		known := false
		for i := range merged {
			if merged[i].Same(f) && (placed(f) || merged[i].Do == f.Do) {
				if Worse(merged[i].Weight, f.Weight) != merged[i].Weight {
					merged[i] = f
				}
				known = true
				break
			}
		}
		if !known {
			merged = append(merged, f)
		}
	}
	verdict := Ready
	for i := range merged {
		for _, d := range decisions {
			if d.Holds(merged[i], chapter) {
				merged[i].Accepted = d.Why
			}
		}
		if merged[i].Accepted == "" {
			verdict = Worse(verdict, merged[i].Weight)
		}
	}
	return merged, verdict
}

// placed tells whether check, spec and place name a finding. Of what is said of
// a whole title or recording there may be several, each with its own thing to do.
func placed(f Finding) bool { return f.Spec != "" || f.Source != "" && f.EndS > 0 }

// Holds tells whether d is the decision on f of a chapter. Without a spec it is
// one for all specs.
func (d Decision) Holds(f Finding, chapter int) bool {
	spec := d.Spec
	if spec == "" {
		spec = f.Spec
	}
	return d.Chapter == chapter && f.Same(Finding{Check: d.Check, Spec: spec, Source: f.Source, StartS: d.AtS})
}
