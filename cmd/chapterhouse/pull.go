package main

import (
	"fmt"
	"io"

	"chapterhouse/pipeline/house/stored"
	"chapterhouse/pipeline/report"

	"github.com/spf13/cobra"
)

func pullCommand() *cobra.Command {
	var named string
	var asJSON bool
	c := &cobra.Command{
		Use:   "pull [FOLDER]",
		Short: "Bring a house's YAML from the store",
		Long: "Pull brings the house as it was pushed last into FOLDER, which is made where there is none, else into\n" +
			"the nearest house above. Files that were changed only here stay; where one was changed here and in\n" +
			"the store nothing is written, and pull names it. Nothing but a house's YAML is touched.",
		Example: "  chapterhouse pull\n  chapterhouse pull house --store s3://night/house",
		Args:    atMost(1, "the house's folder"),
		RunE: func(c *cobra.Command, args []string) error {
			root, err := "", error(nil)
			if len(args) > 0 {
				root = args[0]
			} else if root, err = houseRoot(nil); err != nil {
				return err
			}
			at, err := storeFor(c.Context(), named, root, true)
			if err != nil {
				return err
			}
			defer at.close()
			p, err := stored.Pull(c.Context(), at.store, root)
			if err != nil {
				return err
			}
			if asJSON {
				return report.JSON(c.OutOrStdout(), p)
			}
			return pulled(c.OutOrStdout(), p)
		},
	}
	c.Flags().StringVar(&named, "store", "", storeFlag)
	c.Flags().BoolVar(&asJSON, "json", false, "print what was done as JSON")
	return c
}

func pulled(w io.Writer, p stored.Pulled) error {
	kept := ""
	if len(p.Kept) > 0 {
		kept = fmt.Sprintf(", %d kept that differ here and were not pushed yet", len(p.Kept))
	}
	_, err := fmt.Fprintf(w, "%s%s%spulled: the house in the store is number %d, %d written, %d removed%s\n",
		each("written", p.Written), each("removed", p.Removed), each("kept", p.Kept), p.Seq, len(p.Written), len(p.Removed), kept)
	return err
}
