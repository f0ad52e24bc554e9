package clinic

// resonances are the still peaks of the booth, each with the side that makes it.
func resonances(*Read) []Sign { return nil }

// reflections are the early reflections, each with its path.
func reflections(*Read) []Sign { return nil }
