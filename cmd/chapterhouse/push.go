package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
	"chapterhouse/pipeline/house/stored"
	"chapterhouse/pipeline/report"

	"github.com/spf13/cobra"
)

func pushCommand() *cobra.Command {
	var named string
	var asJSON bool
	c := &cobra.Command{
		Use:   "push [FOLDER]",
		Short: "Send a house's YAML to the store",
		Long: "Push sends the house in FOLDER, else the nearest one above: house.yaml and the YAML files of its\n" +
			"narrators, specs and titles. Recordings stay here; submit uploads them. What someone else pushed\n" +
			"meanwhile is never overwritten: push then says which files differ, and pull brings them.",
		Example: "  chapterhouse push\n  chapterhouse push house --store s3://night/house",
		Args:    atMost(1, "the house's folder"),
		RunE: func(c *cobra.Command, args []string) error {
			root, err := houseRoot(args)
			if err != nil {
				return err
			}
			at, err := storeFor(c.Context(), named, root, false)
			if err != nil {
				return err
			}
			defer at.close()
			p, err := stored.Push(c.Context(), at.store, root)
			if err != nil {
				return err
			}
			if asJSON {
				return report.JSON(c.OutOrStdout(), p)
			}
			return pushed(c.OutOrStdout(), p)
		},
	}
	c.Flags().StringVar(&named, "store", "", storeFlag)
	c.Flags().BoolVar(&asJSON, "json", false, "print what was done as JSON")
	return c
}

func pushed(w io.Writer, p stored.Pushed) error {
	if len(p.Sent)+len(p.Removed) == 0 {
		_, err := fmt.Fprintf(w, "nothing to push: the house in the store is this one, number %d\n", p.Seq)
		return err
	}
	_, err := fmt.Fprintf(w, "%s%spushed: the house in the store is number %d, %d sent, %d removed\n",
		each("sent", p.Sent), each("removed", p.Removed), p.Seq, len(p.Sent), len(p.Removed))
	return err
}

// each is a line a file, behind what was done with it.
func each(what string, names []string) string {
	var b strings.Builder
	for _, name := range names {
		fmt.Fprintf(&b, "%-8s %s\n", what, pipeline.Visible(name))
	}
	return b.String()
}

// houseRoot is the house a call is about: the folder it names, else the
// nearest one upwards from where it was given.
func houseRoot(args []string) (string, error) {
	if len(args) > 0 {
		const remedy = "name the folder that holds house.yaml"
		if err := isFolder(args[0], remedy); err != nil {
			return "", err
		}
		if _, err := os.Stat(filepath.Join(args[0], "house.yaml")); errors.Is(err, os.ErrNotExist) {
			return "", pipeline.Errorf(pipeline.House, "", "there is no house.yaml in %s: %s", args[0], remedy)
		}
		return args[0], nil
	}
	root, ok := house.Find(".")
	if !ok {
		return "", pipeline.Errorf(pipeline.House, "", "there is no house.yaml here or in a folder above: name the house's folder")
	}
	return root, nil
}
