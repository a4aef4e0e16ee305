package internal_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// purePackages give the same answer to the same question on every machine.
var purePackages = []string{"engine", "label", "unit", "event", "ledger", "exchange", "seal"}

// forbiddenImports says what a pure package must not import, and why. A name
// covers the packages below it. Which rooms it may import stands in rooms_test.go.
var forbiddenImports = map[string]string{
	"os":                                   "reads the machine it runs on",
	"io/fs":                                "reads files",
	"net":                                  "talks to others",
	"syscall":                              "reads the machine it runs on",
	"math/rand":                            "answers would differ from run to run",
	"crypto/rand":                          "answers would differ from run to run",
	"log":                                  "writes to the world; the caller reports",
	"unsafe":                               "layout differs between machines",
	"time/tzdata":                          "zone tables differ from release to release",
	"github.com/dgraph-io":                 "the index is the store's, and can be rebuilt",
	"google.golang.org/grpc":               "the transport is the caller's",
	"golang.org/x/sync":                    "one thread; the caller runs loops",
	"golang.org/x/sys":                     "reads the machine it runs on",
	"github.com/cenkalti":                  "waiting is the caller's",
	"github.com/prometheus":                "counting is the caller's",
	"github.com/spf13":                     "commands are the caller's",
	"thawtrail/internal/ledger/ledgertest": "for tests alone",
}

// forbiddenCalls are what a package may not do with an import that it may have.
var forbiddenCalls = map[string]string{
	"time.Now":          "reads a clock",
	"time.Since":        "reads a clock",
	"time.Until":        "reads a clock",
	"time.Sleep":        "waits",
	"time.After":        "waits",
	"time.AfterFunc":    "waits, in another goroutine",
	"time.NewTimer":     "waits",
	"time.NewTicker":    "waits",
	"time.Tick":         "waits",
	"time.LoadLocation": "reads the machine's zone tables",
	"time.Local":        "is the machine's own zone",
	"fmt.Print":         "writes to the world",
	"fmt.Printf":        "writes to the world",
	"fmt.Println":       "writes to the world",
}

// allowed are uses that do not reach the answer, each with its reason.
var allowed = map[string]string{
	"validate.go time.LoadLocation": "asks whether a typed zone exists, when an entry is checked before it becomes a record; no fold depends on it",
}

// TestPurity keeps what varies out of the packages that must not vary.
func TestPurity(t *testing.T) {
	for _, pkg := range purePackages {
		files, err := filepath.Glob(filepath.Join(pkg, "*.go"))
		require.NoError(t, err)
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			text, err := os.ReadFile(name)
			require.NoError(t, err)
			require.Empty(t, impurities(t, name, string(text)))
		}
	}
}

// TestPurityFinds proves that the scan sees each kind of thing that it forbids.
func TestPurityFinds(t *testing.T) {
	for _, tt := range []struct{ text, want string }{
		{`package p; import "os"`, "os"},
		{`package p; import "net/http"`, "net/http"},
		{`package p; import "time"; var x = time.Now()`, "time.Now"},
		{`package p; import clock "time"; var x = clock.Now()`, "time.Now"},
		{`package p; import "time"; var x = time.Local`, "time.Local"},
		{`package p; func f() { go f() }`, "goroutine"},
		{`package p; import . "time"`, "dot import"},
	} {
		got := impurities(t, "p.go", tt.text)
		require.Len(t, got, 1, tt.text)
		require.Contains(t, got[0], tt.want)
	}
	require.Empty(t, impurities(t, "p.go", `package p; import ("net/url"; "time"); var x = time.Unix(0, 0)`))
}

// impurities lists what a file imports, calls or starts that it must not.
func impurities(t *testing.T, name, text string) []string {
	t.Helper()
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, name, text, parser.SkipObjectResolution)
	require.NoError(t, err)
	var out []string
	imported := map[string]string{}
	for _, i := range file.Imports {
		path, err := strconv.Unquote(i.Path.Value)
		require.NoError(t, err)
		local := filepath.Base(path)
		if i.Name != nil {
			local = i.Name.Name
		}
		imported[local] = path
		if local == "." {
			out = append(out, name+": dot import of "+path+" hides what is called")
		}
		if why := forbiddenImport(path); why != "" {
			out = append(out, name+": imports "+path+", which "+why)
		}
	}
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			out = append(out, set.Position(n.Pos()).String()+": starts a goroutine; the caller runs loops")
		case *ast.SelectorExpr:
			x, ok := n.X.(*ast.Ident)
			if !ok {
				break
			}
			call := imported[x.Name] + "." + n.Sel.Name
			if why := forbiddenCalls[call]; why != "" && allowed[filepath.Base(name)+" "+call] == "" {
				out = append(out, set.Position(n.Pos()).String()+": "+call+" "+why)
			}
		}
		return true
	})
	return out
}

// forbiddenImport says why an import is forbidden; empty when it is not. net/url
// only takes text apart.
func forbiddenImport(path string) string {
	if path == "net/url" {
		return ""
	}
	for forbidden, why := range forbiddenImports {
		if path == forbidden || strings.HasPrefix(path, forbidden+"/") {
			return why
		}
	}
	return ""
}
