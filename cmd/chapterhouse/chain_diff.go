package main

import (
	"fmt"

	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/report"

	"github.com/spf13/cobra"
)

func chainDiffCommand() *cobra.Command {
	var json bool
	c := &cobra.Command{
		Use:   "diff FILE FILE",
		Short: "Say what became of one chain in another",
		Long: "Diff lists what sounds different in the second chain file: stages that are new, gone or moved, and every\n" +
			"number that changed. Names and reasons are not compared: they change no sound.",
		Example: "  chapterhouse chain diff cupboard.yaml cupboard-softer.yaml",
		Args:    exactly(2, "two chain files"),
		RunE: func(c *cobra.Command, paths []string) error {
			a, err := readChain(paths[0])
			if err != nil {
				return err
			}
			b, err := readChain(paths[1])
			if err != nil {
				return err
			}
			lines := chain.Diff(a, b)
			if json {
				return report.JSON(c.OutOrStdout(), map[string]any{"was": a.Digest(), "is": b.Digest(), "changes": append([]string{}, lines...)})
			}
			if len(lines) == 0 {
				fmt.Fprintf(c.OutOrStdout(), "they sound the same: revision %s\n", a.Digest().Short())
				return nil
			}
			fmt.Fprintf(c.OutOrStdout(), "revision %s became %s\n", a.Digest().Short(), b.Digest().Short())
			for _, line := range lines {
				fmt.Fprintln(c.OutOrStdout(), "  "+line)
			}
			return nil
		},
	}
	c.Flags().BoolVar(&json, "json", false, "print the changes as JSON")
	return c
}
