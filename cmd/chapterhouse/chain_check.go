package main

import (
	"errors"
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/report"

	"github.com/spf13/cobra"
)

// checkedChain is what is said of one chain file.
type checkedChain struct {
	File      string          `json:"file"`
	Chain     string          `json:"chain"`
	Narrator  string          `json:"narrator"`
	Setup     string          `json:"setup"`
	Revision  pipeline.Digest `json:"revision"`
	Stages    []string        `json:"stages"`
	RateHz    int             `json:"rate_hz"`
	LatencyMS float64         `json:"latency_ms"`
	SettleS   float64         `json:"settle_s"`
	Unusual   []string        `json:"unusual"`
}

func chainCheckCommand() *cobra.Command {
	var json bool
	rateHz := 44100
	c := &cobra.Command{
		Use:   "check FILE...",
		Short: "Say what is wrong with chain files, and what about them is unusual",
		Long: "Check reads chain files as a night does. What can't be made is said with its place, all of it at once. What\n" +
			"is unusual for narration, an order or a number outside common practice, is said with the figure and its\n" +
			"reason; it is no fault: a chain with such lines is as good as any other.",
		Example: "  chapterhouse chain check narrators/ines-marlow/chains/cupboard.yaml",
		Args:    atLeast(1, "the chain files to check"),
		RunE: func(c *cobra.Command, paths []string) error {
			all, wrong := []checkedChain{}, []error{}
			for _, path := range paths {
				one, err := checkChain(path, rateHz)
				if err != nil {
					wrong = append(wrong, err)
				}
				all = append(all, one)
			}
			if len(wrong) > 0 {
				return errors.Join(wrong...)
			}
			if json {
				return report.JSON(c.OutOrStdout(), all)
			}
			for _, one := range all {
				fmt.Fprintf(c.OutOrStdout(), "%s: chain %s of %s, %s: %d stages, revision %s; at %d Hz %.1f ms late, which is undone, and settled after %.1f s\n",
					one.File, one.Chain, one.Narrator, one.Setup, len(one.Stages), one.Revision.Short(), one.RateHz, one.LatencyMS, one.SettleS)
				for _, line := range one.Unusual {
					fmt.Fprintln(c.OutOrStdout(), "  "+line)
				}
			}
			return nil
		},
	}
	c.Flags().BoolVar(&json, "json", false, "print what is said as JSON")
	c.Flags().IntVar(&rateHz, "rate", rateHz, rateFlag)
	return c
}

func checkChain(path string, rateHz int) (checkedChain, error) {
	ch, err := readChain(path)
	if err != nil {
		return checkedChain{}, err
	}
	processors, err := chain.New(ch.Stages, float64(rateHz), chain.PlainFacts(ch.SpeechDBFS))
	if err != nil {
		return checkedChain{}, pipeline.Errorf(pipeline.House, path, "%w", err)
	}
	one := checkedChain{
		File: path, Chain: ch.Chain, Narrator: ch.Narrator, Setup: ch.Setup, Revision: ch.Digest(),
		Stages: chain.Names(ch.Stages), RateHz: rateHz, Unusual: chain.Warn(ch),
		LatencyMS: dsp.Round2(1000 * dsp.Frames(dsp.NewEngine(0, processors...).Latency()).Seconds(rateHz)),
		SettleS:   dsp.Round2(dsp.Frames(chain.Settle(ch.Stages, float64(rateHz))).Seconds(rateHz)),
	}
	return one, nil
}
