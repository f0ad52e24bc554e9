package chain

import (
	"embed"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
)

// A described names a processor whose doc comment is a stage's help: a type, or
// a function that designs one. Help and code are one text and can't drift.
type described struct {
	sources embed.FS
	name    string
}

// about is the doc comments of processors, one after the other.
func about(all []described) (text string, err error) {
	for i, d := range all {
		comment, err := d.comment()
		if err != nil {
			return "", err
		}
		if i > 0 {
			text += "\n"
		}
		text += comment
	}
	return text, nil
}

func (d described) comment() (text string, err error) {
	err = fs.WalkDir(d.sources, ".", func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() || text != "" {
			return err
		}
		source, err := d.sources.ReadFile(path)
		if err != nil {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, source, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		for _, decl := range file.Decls {
			switch decl := decl.(type) {
			case *ast.FuncDecl:
				if decl.Recv == nil && decl.Name.Name == d.name {
					text = decl.Doc.Text()
				}
			case *ast.GenDecl:
				for _, s := range decl.Specs {
					if s, ok := s.(*ast.TypeSpec); ok && s.Name.Name == d.name {
						text = decl.Doc.Text()
					}
				}
			}
		}
		return nil
	})
	if err == nil && text == "" {
		err = fmt.Errorf("no doc comment of %s among the sources of its package", d.name)
	}
	return text, err
}
