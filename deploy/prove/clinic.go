package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
)

// clinicRows holds what is said of test reads, and what drafts do to them, to what
// the reads were made from. Settings were fixed on other voices, booths and seeds.
func clinicRows(ctx context.Context, s *site, t *table) error {
	parts := []struct {
		name string
		rows func(ctx context.Context, s *site, t *table) error
	}{
		{"figures", clinicFigures},
		{"modes", clinicModes},
		{"reflections", clinicReflections},
		{"pairs", clinicPairs},
		{"drafts", clinicDrafts},
		{"signs", clinicSigns},
	}
	var names []string
	for _, p := range parts {
		names = append(names, p.name)
	}
	chosen := names
	if s.rows != "" {
		chosen = strings.Split(s.rows, ",")
	}
	for _, name := range chosen {
		if !slices.Contains(names, name) {
			return fmt.Errorf("clinic has no rows called %q: choose among %s", name, strings.Join(names, ", "))
		}
	}
	for _, part := range parts {
		if !slices.Contains(chosen, part.name) {
			continue
		}
		s.say("clinic: %s", part.name)
		if err := part.rows(ctx, s, t); err != nil {
			return fmt.Errorf("%s: %w", part.name, err)
		}
	}
	return nil
}
