package job

import (
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"os"
	"strings"
	"testing"
)

// stages are the types whose fields nobody else may read or write, but for what is named behind them:
// the functions that make them, and the tally, which adds measures up.
var stages = map[string]string{"scanner": "newScanner", "meaning": "newMeaning", "cutter": "newCutter", "rewriter": "newRewriter",
	"tally": "newTally", "measures": "tally", "heaters": "", "moves": "", "words": "", "filament": "", "figures": "", "notes": "newNotes",
	"inspector": "newInspector"}

// reaches lists where files use a field of a stage outside of its own methods.
func reaches(t *testing.T, sources map[string]string) (list []string) {
	t.Helper()
	fset := token.NewFileSet()
	var files []*ast.File
	for name, text := range sources {
		f, err := parser.ParseFile(fset, name, text, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
	}
	info := types.Info{Selections: map[*ast.SelectorExpr]*types.Selection{}}
	// Nothing is imported: types of other packages are not known, those of this one are.
	config := types.Config{Error: func(error) {}, Importer: importNothing{}}
	_, _ = config.Check("job", fset, files, &info)
	if len(info.Selections) < 1 {
		t.Fatal("no use of a field was found at all")
	}
	for _, f := range files {
		for _, d := range f.Decls {
			ast.Inspect(d, func(n ast.Node) bool {
				sel, ok := n.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				s := info.Selections[sel]
				if s == nil || s.Kind() != types.FieldVal {
					return true
				}
				owner := named(s.Recv())
				if also, stage := stages[owner]; stage && within(d) != owner && within(d) != also {
					list = append(list, fset.Position(sel.Pos()).String()+": "+owner+"."+sel.Sel.Name)
				}
				return true
			})
		}
	}
	return list
}

type importNothing struct{}

func (importNothing) Import(path string) (*types.Package, error) {
	return nil, errors.New("nothing is imported")
}

// named is the name of a type or of what it points to.
func named(t types.Type) string {
	if p, ok := t.(*types.Pointer); ok {
		t = p.Elem()
	}
	if n, ok := t.(*types.Named); ok {
		return n.Obj().Name()
	}
	return ""
}

// within is the type whose method a declaration is, or the name of a function.
func within(d ast.Decl) string {
	f, ok := d.(*ast.FuncDecl)
	switch {
	case !ok:
		return "no function"
	case f.Recv == nil:
		return f.Name.Name
	}
	recv := f.Recv.List[0].Type
	if star, ok := recv.(*ast.StarExpr); ok {
		recv = star.X
	}
	if id, ok := recv.(*ast.Ident); ok {
		return id.Name
	}
	return "something else"
}

// No stage of the inspection reaches into another's fields.
func TestStagesKeepTheirFields(t *testing.T) {
	sources := map[string]string{}
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	all := ""
	for _, e := range entries {
		if name := e.Name(); strings.HasSuffix(name, ".go") && !strings.HasSuffix(name, "_test.go") {
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			sources[name] = string(text)
			all += string(text)
		}
	}
	for stage := range stages {
		if !strings.Contains(all, "type "+stage+" struct") {
			t.Errorf("there is no stage %s", stage)
		}
	}
	for _, at := range reaches(t, sources) {
		t.Error(at)
	}
	sources["reaching.go"] = "package job\nfunc (w *rewriter) reach(c *cutter, s scanner) { c.in = Body; _ = s.src }"
	if n := len(reaches(t, sources)); n != 2 {
		t.Errorf("%d of 2 uses of another stage's fields were found", n)
	}
}
