package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/clinic"
	"chapterhouse/pipeline/house"
	"chapterhouse/pipeline/house/strict"

	"github.com/spf13/cobra"
)

func clinicChooseCommand() *cobra.Command {
	var root, as string
	var replace bool
	c := &cobra.Command{
		Use:   "choose DRAFT",
		Short: "Put a draft in force: save it as its narrator's chain in the house",
		Long: "Choose saves a draft as a chain of its narrator in the house around the working folder, and names it in the\n" +
			"narrator's file, which keeps the rest of what it says; a narrator and a setup that are new are added, as the form\n" +
			"beside the draft has them. Push the house afterwards where nights run elsewhere.",
		Example: "  chapterhouse clinic choose read-clinic/spare.yaml --as cupboard-spare",
		Args:    exactlyOne("the draft, a chain file"),
		RunE: func(c *cobra.Command, args []string) error {
			wrote, err := chooseDraft(args[0], root, as, replace)
			if err != nil {
				return err
			}
			if len(wrote) == 0 {
				fmt.Fprintln(c.OutOrStdout(), "it is in force already: nothing was written")
			}
			for _, name := range wrote {
				fmt.Fprintln(c.OutOrStdout(), "wrote "+name)
			}
			return nil
		},
	}
	c.Flags().StringVar(&root, "house", "", "the house; without it, the one around the working folder")
	c.Flags().StringVar(&as, "as", "", "the chain's name in the house; without it, the draft's")
	c.Flags().BoolVar(&replace, "replace", false, "put it in the place of another chain of that name")
	return c
}

// chainLine is where a chain file says what the chain is called.
var chainLine = regexp.MustCompile(`(?m)^chain:.*$`)

func chooseDraft(draft, root, as string, replace bool) ([]string, error) {
	text, err := os.ReadFile(draft)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.House, "", "%w", err)
	}
	if root == "" {
		here, err := os.Getwd()
		if err != nil {
			return nil, err
		}
		found, ok := house.Find(here)
		if !ok {
			return nil, pipeline.Errorf(pipeline.House, "", "there is no house.yaml here or above; go into the house, or name it with --house")
		}
		root = found
	}
	if as != "" {
		if !pipeline.ValidSlug(as) {
			return nil, pipeline.Errorf(pipeline.House, "", "%q can't be a chain's name; use lower-case letters, digits and dashes", as)
		}
		text = chainLine.ReplaceAll(text, []byte("chain: "+as))
	}
	choice := house.Choice{YAML: text, Replace: replace}
	path := filepath.Join(filepath.Dir(draft), "setup.yaml")
	if form, err := os.ReadFile(path); err == nil {
		f, faults := clinic.ParseForm(form, path)
		if err := strict.AsError(faults); err != nil {
			return nil, err
		}
		choice.Name, choice.Setup = f.Name, f.As
	}
	return house.Choose(root, choice)
}
