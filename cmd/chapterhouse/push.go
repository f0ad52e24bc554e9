package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
	"chapterhouse/pipeline/house/stored"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"

	"github.com/spf13/cobra"
)

func pushCommand() *cobra.Command {
	var at string
	var asJSON bool
	c := &cobra.Command{
		Use:   "push [FOLDER]",
		Short: "Send a house's YAML to storage",
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
			s, done, err := storeFor(c.Context(), at, root, false)
			if err != nil {
				return err
			}
			defer done()
			p, err := stored.Push(c.Context(), s, root)
			if err != nil {
				return err
			}
			if asJSON {
				return report.JSON(c.OutOrStdout(), p)
			}
			return pushed(c.OutOrStdout(), p)
		},
	}
	c.Flags().StringVar(&at, "store", "", storeFlag)
	c.Flags().BoolVar(&asJSON, "json", false, "print what was done as JSON")
	return c
}

func pushed(w io.Writer, p stored.Pushed) error {
	if len(p.Sent)+len(p.Removed) == 0 {
		_, err := fmt.Fprintf(w, "nothing to push: the house in storage is this one, number %d\n", p.Seq)
		return err
	}
	_, err := fmt.Fprintf(w, "%s%spushed: the house in storage is number %d, %d sent, %d removed\n",
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
		return args[0], isFolder(args[0], "name the folder that holds house.yaml")
	}
	root, ok := house.Find(".")
	if !ok {
		return "", pipeline.Errorf(pipeline.House, "", "there is no house.yaml here or in a folder above: name the house's folder")
	}
	return root, nil
}

const storeFlag = "folder, or s3://bucket/prefix (default: the store setting, else HOUSE/.chapterhouse)"

// storeFor opens the store of a call: the one it names, the setting's, or the
// one that lies in the house; root is "" where there is no house. A folder that
// is not there is a new store for who writes, and a wrong name for who reads.
func storeFor(ctx context.Context, named, root string, reads bool) (store.Store, func(), error) {
	set, err := loadSettings(0)
	if err != nil {
		return nil, nil, err
	}
	switch {
	case named != "":
		set.Store = named
	case set.Store == "" && root != "":
		set.Store = filepath.Join(root, ".chapterhouse")
	}
	if reads && set.Store != "" && !strings.Contains(set.Store, "://") {
		if err := isFolder(set.Store, "name the store with --store"); err != nil {
			return nil, nil, err
		}
	}
	return openStore(ctx, set)
}

// storeHere opens, to read, the store of a call that is about no folder.
func storeHere(ctx context.Context, named string) (store.Store, func(), error) {
	root, _ := house.Find(".")
	return storeFor(ctx, named, root, true)
}
