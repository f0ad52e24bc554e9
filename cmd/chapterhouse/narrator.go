package main

import (
	"errors"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"

	"github.com/spf13/cobra"
)

// NarratorStatus is a narrator's titles as --json prints them, the latest last.
type NarratorStatus struct {
	Narrator  string               `json:"narrator"`
	Sessions  []pipeline.Past      `json:"sessions"`
	Dismissed []pipeline.Dismissal `json:"dismissed,omitempty"`
}

// narratorStatus tells how a narrator sounded, title by title.
func narratorStatus(c *cobra.Command, s store.Store, o statusOptions) error {
	if !pipeline.ValidSlug(o.narrator) {
		return pipeline.Errorf(pipeline.House, "", "%q is no narrator's name: give the name of the folder, as ines-marlow", pipeline.Visible(o.narrator))
	}
	n, err := coordinator.NarratorOf(c.Context(), s, o.narrator)
	if errors.Is(err, store.ErrAbsent) {
		return pipeline.Errorf(pipeline.House, "", "no run that stood has anything of a narrator %s", o.narrator)
	}
	if err != nil {
		return err
	}
	st := NarratorStatus{Narrator: o.narrator, Sessions: []pipeline.Past{}}
	var tallies []pipeline.Tally
	for _, t := range n.Titles {
		st.Sessions = append(st.Sessions, t.Sessions...)
		tallies = append(tallies, t.Tallies...)
	}
	st.Dismissed = pipeline.Dismissals("", pipeline.AddTallies(tallies))
	if o.json {
		return report.JSON(c.OutOrStdout(), st)
	}
	return report.History(c.OutOrStdout(), st.Narrator, st.Sessions, st.Dismissed)
}
