package internal_test

import (
	"fmt"
	"go/ast"
	"go/build"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// ordered are the packages whose results end in stored bytes, digests or
// signatures, or are compared between replicas.
var ordered = []string{"engine", "label", "event", "ledger", "exchange", "seal", "proof", "store", "store/projection"}

// anyOrder are the functions that walk a map as it comes, each with the reason why
// its order does not show.
var anyOrder = map[string]string{
	"seal Keyring.Sums":                             "it combines by exclusive or",
	"seal inBucket":                                 "it sorts what it gathered",
	"store pendingCommit.foreign":                   "it adds up",
	"store logTable.records":                        "it adds up",
	"store logTable.each":                           "its callers add up or sort",
	"store logTable.suspectAll":                     "it sets the same flag for each log",
	"store Store.restoreSeen":                       "it fills another map, which is sorted when it is written into a header",
	"store verifier.stories":                        "it sets flags; what it says is in the order of the journal",
	"store verifier.branches":                       "it counts, and keeps the lowest",
	"store verifier.report":                         "it adds up",
	"store verifier.holds":                          "it says whether any fits",
	"store Store.holeIn":                            "it keeps the lowest",
	"store gaps.unvouched":                          "it counts, and keeps the lowest",
	"store pendingCommit.clone":                     "it fills another map",
	"store pendingCommit.publish":                   "it adds to counters, one for each laptop",
	"store/projection application.stretches":        "it keeps the lowest and the highest for each log",
	"store/projection readRecords.addAll":           "it remembers what is read again if it is forgotten",
	"store/projection backlog.size":                 "it adds up",
	"store/projection Projection.priorityPositions": "it sorts what it gathered",
}

// TestMapOrder keeps the order of maps, which differs from run to run, out of what
// must not vary.
func TestMapOrder(t *testing.T) {
	exports := exportData(t)
	met := map[string]bool{}
	for _, pkg := range ordered {
		for _, walk := range mapWalks(t, exports, pkg) {
			if met[walk.where] = true; anyOrder[walk.where] == "" {
				t.Errorf("%s: %s walks a map in any order. Sort the keys first (slices.Sorted, event.SortedLogs), or give the reason why its order does not show in anyOrder",
					walk.at, walk.where)
			}
		}
	}
	for where := range anyOrder {
		require.True(t, met[where], "%s walks no map any more: take its reason out", where)
	}
}

// TestMapOrderFinds proves that the scan sees each way to walk a map.
func TestMapOrderFinds(t *testing.T) {
	exports := exportData(t)
	for text, want := range map[string]int{
		"func f(m map[string]int) { for range m {} }":                                           1,
		"type M map[string]int; func f(m M) { for range m {} }":                                 1,
		"func f[M ~map[string]int](m M) { for range m {} }":                                     1,
		"func f(m map[string]int) { for range maps.Keys(m) {} }":                                1,
		"func f(m map[string]int) []int { return slices.Collect(maps.Values(m)) }":              1,
		"func f(m map[string]int) { func() { for range m {} }() }":                              1,
		"var f = func(m map[string]int) { for range m {} }":                                     1,
		"func f(m map[string]int) []string { return slices.Sorted(maps.Keys(m)) }":              0,
		"func f(l []string) { for range l {} }":                                                 0,
		"func f(m map[string]int) { for range slices.Sorted(maps.Keys(m)) {} ; maps.Clone(m) }": 0,
	} {
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, "p.go", "package p; import (\"maps\"; \"slices\"); "+text+"; var _, _ = maps.Clone[map[string]int], slices.Clone[[]int]", parser.SkipObjectResolution)
		require.NoError(t, err)
		require.Len(t, walks(t, exports, "p", set, []*ast.File{file}), want, text)
	}
}

// mapWalk is a place at which a map is walked.
type mapWalk struct{ where, at string }

// exportData is where the compiler keeps what each package offers.
func exportData(t *testing.T) map[string]string {
	t.Helper()
	args := []string{"list", "-export", "-deps", "-f", "{{.ImportPath}} {{.Export}}"}
	for _, pkg := range ordered {
		args = append(args, "./"+pkg)
	}
	out, err := exec.Command("go", args...).Output()
	require.NoError(t, err)
	files := map[string]string{}
	for line := range strings.Lines(string(out)) {
		name, file, _ := strings.Cut(strings.TrimSpace(line), " ")
		files[name] = file
	}
	return files
}

// mapWalks finds in a package each range over a map, and each use of its keys or
// values that is not sorted at once.
func mapWalks(t *testing.T, exports map[string]string, pkg string) []mapWalk {
	t.Helper()
	set := token.NewFileSet()
	list, err := build.ImportDir(pkg, 0)
	require.NoError(t, err)
	var files []*ast.File
	for _, name := range list.GoFiles {
		file, err := parser.ParseFile(set, filepath.Join(pkg, name), nil, parser.SkipObjectResolution)
		require.NoError(t, err)
		files = append(files, file)
	}
	return walks(t, exports, pkg, set, files)
}

func walks(t *testing.T, exports map[string]string, pkg string, set *token.FileSet, files []*ast.File) (out []mapWalk) {
	t.Helper()
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}}
	conf := types.Config{Importer: importer.ForCompiler(set, "gc", func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) })}
	_, err := conf.Check(pkg, set, files, info)
	require.NoError(t, err)
	for _, file := range files {
		for _, decl := range file.Decls {
			where := pkg + " variables"
			if f, ok := decl.(*ast.FuncDecl); ok {
				where = pkg + " " + nameOf(f)
			}
			for _, at := range walksIn(decl, info) {
				out = append(out, mapWalk{where: where, at: set.Position(at).String()})
			}
		}
	}
	return out
}

func nameOf(f *ast.FuncDecl) string {
	if f.Recv == nil {
		return f.Name.Name
	}
	recv := f.Recv.List[0].Type
	if star, ok := recv.(*ast.StarExpr); ok {
		recv = star.X
	}
	if generic, ok := recv.(*ast.IndexExpr); ok {
		recv = generic.X
	}
	return fmt.Sprintf("%s.%s", recv.(*ast.Ident).Name, f.Name.Name)
}

// walksIn lists where a declaration walks a map. What is sorted at once does not
// show the order.
func walksIn(decl ast.Decl, info *types.Info) (out []token.Pos) {
	harmless := map[ast.Expr]bool{}
	ast.Inspect(decl, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.RangeStmt:
			if isMap(info.Types[n.X].Type) {
				out = append(out, n.Pos())
			}
		case *ast.CallExpr:
			switch called(n, info) {
			case "slices.Sorted", "slices.SortedFunc", "slices.SortedStableFunc":
				harmless[ast.Unparen(n.Args[0])] = true
			case "maps.Keys", "maps.Values", "maps.All":
				if !harmless[n] {
					out = append(out, n.Pos())
				}
			}
		}
		return true
	})
	return out
}

// called is the package and name of a function that is called; empty for others.
func called(call *ast.CallExpr, info *types.Info) string {
	selected, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return ""
	}
	f, ok := info.Uses[selected.Sel].(*types.Func)
	if !ok || f.Pkg() == nil {
		return ""
	}
	return f.Pkg().Path() + "." + f.Name()
}

// isMap says that a type is a map, or a parameter that stands for maps.
func isMap(t types.Type) bool {
	if p, ok := t.(*types.TypeParam); ok {
		for e := range p.Constraint().Underlying().(*types.Interface).EmbeddedTypes() {
			if u, ok := e.(*types.Union); ok && isMap(u.Term(0).Type()) {
				return true
			}
		}
		return false
	}
	_, ok := t.Underlying().(*types.Map)
	return ok
}
