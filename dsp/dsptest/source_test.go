package dsptest_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/constant"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"sort"
	"strings"
	"testing"
)

const dspPath = "chapterhouse/dsp"

// whyNot says why a function of package math may not make sound; "" if it may.
func whyNot(name string) string {
	switch name {
	case "Abs", "Ceil", "Copysign", "Float32bits", "Float32frombits", "Float64bits", "Float64frombits", "Floor",
		"Frexp", "Inf", "IsInf", "IsNaN", "Ldexp", "Max", "Min", "Modf", "NaN", "Nextafter", "Round", "RoundToEven",
		"Signbit", "Sqrt", "Trunc": // they move bits, or IEEE 754 fixes the result
		return ""
	case "Log", "Log2", "Log10": // one sequence of separate operations, as the digests show
		return ""
	case "Exp", "Pow", "Tanh", "Sinh", "Cosh":
		return "the assembly of Exp below it chooses fused instructions at run time"
	case "FMA":
		return "sound is defined as separate product and sum"
	case "Acos", "Acosh", "Asin", "Asinh", "Atan", "Atan2", "Atanh", "Cbrt", "Cos", "Erf", "Erfc", "Exp2", "Expm1",
		"Gamma", "Hypot", "Lgamma", "Log1p", "Mod", "Remainder", "Sin", "Sincos", "Tan":
		return "the compiler may fuse its products and sums"
	}
	return "nobody has looked whether it is the same everywhere"
}

// listed is what the go command says of a package.
type listed struct {
	ImportPath, Dir, Export string
	GoFiles, Imports        []string
	Standard                bool
}

func list(t *testing.T) []listed {
	t.Helper()
	out, _ := goCommand(t, nil, "list", "-export", "-deps", "-json=ImportPath,Dir,Export,GoFiles,Imports,Standard", "../...")
	var all []listed
	for d := json.NewDecoder(strings.NewReader(out)); ; {
		var p listed
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

// The source text keeps the rules of same bits, in every file that is not a
// test.
func TestSourceKeepsTheRules(t *testing.T) {
	packages := list(t)
	exports := map[string]string{}
	for _, p := range packages {
		exports[p.ImportPath] = p.Export
	}
	fset := token.NewFileSet()
	imports := importer.ForCompiler(fset, "gc", func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) })
	checked := 0
	for _, p := range packages {
		if p.Standard {
			continue
		}
		var files []*ast.File
		for _, name := range p.GoFiles {
			f, err := parser.ParseFile(fset, filepath.Join(p.Dir, name), nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, f)
			checked++
		}
		for _, path := range p.Imports {
			if !strings.HasPrefix(path, dspPath) && strings.Contains(path, ".") {
				t.Errorf("%s imports %s: the sound uses the standard library only", p.ImportPath, path)
			}
		}
		for _, fault := range check(t, fset, imports, p.ImportPath, files) {
			t.Error(fault)
		}
	}
	if checked < 10 {
		t.Errorf("only %d files checked", checked)
	}
}

// check lists the places of a package that break a rule.
func check(t *testing.T, fset *token.FileSet, imports types.Importer, path string, files []*ast.File) []string {
	t.Helper()
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}}
	if _, err := (&types.Config{Importer: imports}).Check(path, fset, files, info); err != nil {
		t.Fatal(err)
	}
	var faults []string
	say := func(at token.Pos, format string, args ...any) {
		p := fset.Position(at)
		faults = append(faults, fmt.Sprintf("%s:%d: %s", short(p.Filename), p.Line, fmt.Sprintf(format, args...)))
	}
	kind := func(e ast.Expr) types.BasicInfo { // of a value that is no constant
		tv := info.Types[e]
		if tv.Type == nil || tv.Value != nil {
			return 0
		}
		if b, ok := tv.Type.Underlying().(*types.Basic); ok {
			return b.Info()
		}
		return 0
	}
	bareProduct := func(e ast.Expr) bool {
		for {
			switch x := e.(type) {
			case *ast.ParenExpr:
				e = x.X
				continue
			case *ast.UnaryExpr:
				e = x.X
				continue
			case *ast.BinaryExpr:
				return x.Op == token.MUL && kind(x)&types.IsFloat != 0 &&
					!powerOfTwo(info.Types[x.X].Value) && !powerOfTwo(info.Types[x.Y].Value)
			}
			return false
		}
	}
	for _, f := range files {
		ast.Inspect(f, func(n ast.Node) bool {
			switch x := n.(type) {
			case *ast.BinaryExpr:
				switch {
				case x.Op == token.ADD || x.Op == token.SUB:
					if bareProduct(x.X) || bareProduct(x.Y) {
						say(x.OpPos, "a bare product is added: write float64(x*y)")
					}
				case x.Op == token.MUL || x.Op == token.QUO:
					if kind(x)&types.IsComplex != 0 {
						say(x.OpPos, "a complex product may be fused: write out its parts")
					}
				}
			case *ast.AssignStmt:
				for i, right := range x.Rhs {
					switch {
					case (x.Tok == token.ADD_ASSIGN || x.Tok == token.SUB_ASSIGN) && bareProduct(right):
						say(x.TokPos, "a bare product is added: write float64(x*y)")
					case (x.Tok == token.MUL_ASSIGN || x.Tok == token.QUO_ASSIGN) && kind(x.Lhs[i])&types.IsComplex != 0:
						say(x.TokPos, "a complex product may be fused: write out its parts")
					}
				}
			case *ast.SelectorExpr:
				fn, ok := info.Uses[x.Sel].(*types.Func)
				if !ok || fn.Pkg() == nil {
					break
				}
				switch path := fn.Pkg().Path(); {
				case path == "math/cmplx" || strings.HasPrefix(path, "math/rand"):
					say(x.Pos(), "%s.%s: not the same everywhere", path, fn.Name())
				case path == "math" && whyNot(fn.Name()) != "":
					say(x.Pos(), "math.%s: %s; see package kernel", fn.Name(), whyNot(fn.Name()))
				}
			}
			return true
		})
	}
	sort.Strings(faults)
	return faults
}

// powerOfTwo says whether a constant is one: such a product is exact, and
// fusing it changes nothing.
func powerOfTwo(v constant.Value) bool {
	if v == nil {
		return false
	}
	f, _ := constant.Float64Val(v)
	fraction, _ := math.Frexp(f)
	return math.Abs(fraction) == 0.5
}

// short is a file name from the repository's root on.
func short(name string) string {
	if i := strings.LastIndex(name, "/dsp/"); i >= 0 {
		return name[i+1:]
	}
	return name
}

// The guard itself: what it must find, and what it must leave alone.
func TestSourceGuard(t *testing.T) {
	fset := token.NewFileSet()
	imports := importer.ForCompiler(fset, "source", nil)
	for _, c := range []struct{ source, want string }{
		{"x*y + z", "bare product"},
		{"z - x*y", "bare product"},
		{"z + (x * y)", "bare product"},
		{"z - -(x*y)", "bare product"},
		{"x*y*z + 1", "bare product"},
		{"func() float64 { z += x * y; return z }()", "bare product"},
		{"func() float64 { z -= (x * y); return z }()", "bare product"},
		{"float64(float32(x)*float32(y) + 1)", "bare product"},
		{"real(complex(x, y) * complex(y, z))", "complex product"},
		{"func() float64 { c := complex(x, y); c *= c; return real(c) }()", "complex product"},
		{"math.Sin(x)", "math.Sin: the compiler may fuse"},
		{"func(f func(float64) float64) float64 { return f(x) }(math.Exp)", "math.Exp: the assembly"},
		{"math.FMA(x, y, z)", "math.FMA"},
		{"math.Dim(x, y)", "math.Dim: nobody has looked"},
		{"math.Sqrt(x) + math.Log(y)", ""},
		{"float64(x*y) + z", ""},
		{"(x + y) * z", ""},
		{"x*y/z + 1", ""},
		{"x + 2*math.Pi", ""},
		{"x + 2*y", ""},
		{"x + y*-0.25", ""},
		{"x + 3*y", "bare product"},
		{"x + float64(n*n+1)", ""},
		{"real(complex(x, y) + complex(y, z))", ""},
	} {
		text := "package p\nimport \"math\"\nvar _ = math.Pi\nfunc f(x, y, z float64, n int) float64 { return " + c.source + " }"
		f, err := parser.ParseFile(fset, "p.go", text, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		got := strings.Join(check(t, fset, imports, "p", []*ast.File{f}), "\n")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s: the guard says %q, want %q", c.source, got, c.want)
		}
	}
}

// A product may be fused with a sum across statements too. What the compiler
// really made of the sound for a processor with fused instructions holds none.
func TestCompilerFusesNothing(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the instructions looked for are those of amd64")
	}
	_, assembly := goCommand(t, []string{"GOAMD64=v3"}, "build", "-gcflags="+dspPath+"/...=-S", "../...")
	line := regexp.MustCompile(`\(([^()]+\.go:\d+)\)\s+(VFN?M(?:ADD|SUB)\w+)`)
	found := map[string]bool{}
	for _, m := range line.FindAllStringSubmatch(assembly, -1) {
		place := short(m[1])
		if !found[place] {
			t.Errorf("%s: %s, a product and a sum became one instruction: write float64(x*y)", place, m[2])
		}
		found[place] = true
	}
	if n := strings.Count(assembly, "MULSD"); n < 100 {
		t.Errorf("only %d products in the assembly: it was not printed", n)
	}
}
