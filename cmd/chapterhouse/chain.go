package main

import (
	"fmt"
	"os"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/house/strict"

	"github.com/spf13/cobra"
)

// chainCommand holds the commands on chain files.
func chainCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "chain",
		Short: "Check, explain and compare chain files",
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{c.CommandPath(), fmt.Errorf("chain has no command %q", args[0])}
			}
			return nil
		},
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(chainCheckCommand(), chainExplainCommand(), chainDiffCommand())
	return c
}

// readChain reads a chain file; what is wrong with it is one error with every
// place.
func readChain(path string) (pipeline.Chain, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return pipeline.Chain{}, pipeline.Errorf(pipeline.House, "", "%w", err)
	}
	c, faults := chain.Parse(text, path)
	return c, strict.AsError(faults)
}

// rateFlag says which rate a chain is looked at.
const rateFlag = "sample rate that the chain works at, Hz"
