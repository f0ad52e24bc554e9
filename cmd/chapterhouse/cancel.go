package main

import (
	"fmt"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline/report"

	"github.com/spf13/cobra"
)

func cancelCommand() *cobra.Command {
	var named string
	var asJSON bool
	c := &cobra.Command{
		Use:   "cancel TITLE",
		Short: "Take a title's unfinished run back",
		Long: "Cancel ends the unfinished run of a title: nothing more of it is begun, and the run that stood before is\n" +
			"the one that counts. What was made already stays and is taken over by the next run.",
		Example: "  chapterhouse cancel eleven-tide-gates",
		Args:    exactly(1, "the title"),
		RunE: func(c *cobra.Command, args []string) error {
			at, err := storeHere(c.Context(), named)
			if err != nil {
				return err
			}
			defer at.close()
			if err := isSubmitted(c.Context(), at.store, args[0]); err != nil {
				return err
			}
			run, err := coordinator.Cancel(c.Context(), at.store, args[0])
			if err != nil {
				return err
			}
			t, err := coordinator.Known(c.Context(), at.store, args[0])
			if err != nil {
				return err
			}
			out := Cancelled{Title: args[0], Cancelled: run, Standing: t.Standing}
			if asJSON {
				return report.JSON(c.OutOrStdout(), out)
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), out.text())
			return err
		},
	}
	c.Flags().StringVar(&named, "store", "", storeFlag)
	c.Flags().BoolVar(&asJSON, "json", false, "print what was done as JSON")
	return c
}

// Cancelled is what cancel did, as --json prints it.
type Cancelled struct {
	Title     string `json:"title"`
	Cancelled string `json:"cancelled,omitempty"` // run; empty: none was unfinished
	Standing  string `json:"standing,omitempty"`  // run; empty: none stands
}

func (c Cancelled) text() string {
	stands := "no run stands"
	if c.Standing != "" {
		stands = fmt.Sprintf("run %s stands", c.Standing)
	}
	if c.Cancelled == "" {
		return fmt.Sprintf("%s: nothing to cancel, %s", c.Title, stands)
	}
	return fmt.Sprintf("%s: run %s is cancelled, %s", c.Title, c.Cancelled, stands)
}
