package chain

import (
	"fmt"
	"regexp"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dynamics"
	"chapterhouse/pipeline"
)

// Builtin are the stages that chains can be made of.
func Builtin() []Stage {
	return []Stage{gain(), highpass(), lowpass(), eq(), compressor(), expander(), deEsser(), ride(), clicks(), hum(), plosives(), roomNoise(), breaths(), addHarmonics(), limiter()}
}

// StageNames are the names of stages, in their order.
func StageNames(stages []Stage) []string {
	names := make([]string, len(stages))
	for i, s := range stages {
		names[i] = s.Name
	}
	return names
}

var stageName = regexp.MustCompile(`^[a-z][a-z0-9-]*$`)

// Validate checks a registry: every stage complete, every name once.
func Validate(stages []Stage) error {
	seen := map[string]bool{}
	for i, s := range stages {
		switch {
		case !stageName.MatchString(s.Name):
			return fmt.Errorf("stage %d is called %q, it must be lower-case letters, digits and dashes", i, s.Name)
		case seen[s.Name]:
			return fmt.Errorf("stage %s stands twice", s.Name)
		case s.Doc == "":
			return fmt.Errorf("stage %s has no doc", s.Name)
		case s.Rev < 1:
			return fmt.Errorf("stage %s has revision %d, it must be 1 or more", s.Name, s.Rev)
		case s.Resolve == nil || s.New == nil || s.Settle == nil || s.About == nil:
			return fmt.Errorf("stage %s lacks a function", s.Name)
		}
		seen[s.Name] = true
	}
	return nil
}

// find is the stage that a resolved one was made by.
func find(r pipeline.Resolved) (Stage, error) {
	for _, s := range Builtin() {
		if s.Name == r.Stage {
			if s.Rev != r.Rev {
				return Stage{}, pipeline.Errorf(pipeline.Infra, "stage "+r.Stage, "this program has revision %d and the recipe asks for %d; run it with the version that planned it", s.Rev, r.Rev)
			}
			return s, nil
		}
	}
	return Stage{}, pipeline.Errorf(pipeline.Infra, "stage "+r.Stage, "this program doesn't have it; run it with the version that planned it")
}

// A placedDeEsser is so many samples late in its chain, its own latency included.
type placedDeEsser struct {
	*dynamics.DeEsser
	late int
}

// New makes the processors of a chain, in order. The error names the stage.
func New(stages []pipeline.Resolved, rateHz float64, f Facts) ([]dsp.Processor, error) {
	processors := make([]dsp.Processor, 0, len(stages))
	late := 0
	var essers []placedDeEsser // those before, so that one ess is not cut twice
	for i, r := range stages {
		s, err := find(r)
		if err != nil {
			return nil, err
		}
		p, err := s.New(r.Params, rateHz, f)
		if err != nil {
			return nil, &pipeline.Error{Op: fmt.Sprintf("stage %d (%s) at %g Hz", i+1, r.Stage, rateHz), Kind: pipeline.House, Err: err}
		}
		if d, ok := p.(*dynamics.DeEsser); ok {
			for _, e := range essers {
				d.Follow(e.DeEsser, late-e.late)
			}
			essers = append(essers, placedDeEsser{d, late + d.Latency()})
		}
		late += p.Latency()
		processors = append(processors, p)
	}
	return processors, nil
}

// Settle is the number of samples after which a cold start of a chain is
// within -60 dB of a warm one: each stage settles once those before it have.
// Stages that New refuses count as nothing.
func Settle(stages []pipeline.Resolved, rateHz float64) int {
	sum := 0
	for _, r := range stages {
		if s, err := find(r); err == nil {
			sum += s.Settle(r.Params, rateHz)
		}
	}
	return sum
}

// Names are the names of a chain's stages, in their order.
func Names(stages []pipeline.Resolved) []string {
	names := make([]string, len(stages))
	for i, r := range stages {
		names[i] = r.Stage
	}
	return names
}

// NeedsMarks tells whether a chain has a stage that asks for its part's marks.
func NeedsMarks(stages []pipeline.Resolved) bool {
	for _, r := range stages {
		if s, err := find(r); err == nil && s.Marks {
			return true
		}
	}
	return false
}
