package pipeline

// A Job is what a worker hands to a child process, as job.json in the job's
// folder: one chapter's recipes in the order they are to be made, so that
// siblings share a pass. Blobs lie at in/<digest>; what comes out is written
// to out/, one commit file per recipe, as each is done.
type Job struct {
	Recipes []Recipe          `json:"recipes"`
	Names   map[Digest]string `json:"names"`   // blob → the file's name, for people
	Commits map[Digest]Commit `json:"commits"` // earlier results that recipes name by key
	Limits  JobLimits         `json:"limits"`
}

// JobLimits bound the child process.
type JobLimits struct {
	MemoryMiB  int `json:"memory_mib"`  // RLIMIT_DATA
	CPUSeconds int `json:"cpu_seconds"` // RLIMIT_CPU
}

// Inputs are the blobs a recipe reads.
func (r Recipe) Inputs() []Digest {
	switch {
	case r.Intake != nil:
		return []Digest{r.Intake.Source}
	case r.Survey != nil:
		return []Digest{r.Survey.Source}
	case r.Profile != nil:
		return []Digest{r.Profile.Source}
	case r.Weigh != nil:
		return r.Weigh.Cut.Inputs()
	case r.File != nil:
		var in []Digest
		for _, p := range r.File.Parts {
			in = append(in, p.Cut.Inputs()...)
		}
		return in
	case r.Check != nil:
		var in []Digest
		for _, p := range r.Check.Parts {
			in = append(in, p.Cut.Inputs()...)
		}
		return in
	}
	return nil
}

// A Failure is what a worker leaves of a try that gave no result, at
// attempts/<key>/<try>.err.json.
type Failure struct {
	Kind Kind   `json:"kind"`
	Text string `json:"text"`
}

// Strikes is how many failed tries of a key are all: then it is given up.
const Strikes = 3
