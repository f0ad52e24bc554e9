package main

import (
	"go/ast"
	"slices"
	"testing"
)

// What keeps the code readable for the next person.
const (
	maxLines   = 450 // of a file; 400 are meant, a last test case may go beyond
	maxMethods = 6   // of an interface
)

// TestShape: files of one subject, narrow interfaces, nothing that runs before
// main, no package that holds what belongs nowhere.
func TestShape(t *testing.T) {
	nowhere := []string{"util", "utils", "common", "types", "helpers", "misc", "shared", "base"}
	for _, f := range sources(t) {
		if f.lines > maxLines {
			t.Errorf("%s has %d lines: part it by subject, at most %d", f.path, f.lines, maxLines)
		}
		if slices.Contains(nowhere, f.syntax.Name.Name) {
			t.Errorf("%s is in package %s: put what it holds where it belongs", f.path, f.syntax.Name.Name)
		}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.FuncDecl:
				if n.Recv == nil && n.Name.Name == "init" {
					t.Errorf("%s has an init function: have whoever needs it call it", f.path)
				}
			case *ast.TypeSpec:
				if i, ok := n.Type.(*ast.InterfaceType); ok && methods(i) > maxMethods {
					t.Errorf("%s: interface %s has %d methods, at most %d", f.path, n.Name.Name, methods(i), maxMethods)
				}
			}
			return true
		})
	}
}

// methods counts an interface's methods; what it embeds counts as one.
func methods(i *ast.InterfaceType) (n int) {
	for _, m := range i.Methods.List {
		n += max(1, len(m.Names))
	}
	return n
}
